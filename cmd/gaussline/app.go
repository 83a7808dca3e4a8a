package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"gaussline/adapters/checks"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/radiology"
	"gaussline/adapters/store/postgres"
	"gaussline/adapters/store/sqlite"
	"gaussline/adapters/stream"
	"gaussline/adapters/telemetry"
	"gaussline/mapping/mri"
)

// app is the service with its edges opened from a configuration.
type app struct {
	cfg     *config
	log     *zap.Logger
	now     func() time.Time
	sleep   func(context.Context, time.Duration) error // between tries at the start
	store   pipeline.Store
	broker  *stream.Broker // nil when only the store was opened
	metrics *telemetry.Metrics
	traces  *telemetry.Traces // nil: nothing is traced
	service *pipeline.Service
	known   atomic.Pointer[pipeline.Knowledge]
	// filesRead tells of which files the knowledge was read; unread is 1 while changed ones cannot be taken over.
	filesRead [sha256.Size]byte
	unread    atomic.Int32
	pull      http.Handler // of the registry\'s months; see registryHandler
	welcome   string       // path of the one-time link while nobody can log in; see printWelcome
}

// openApp opens the store, and the broker where withBroker says so, and plugs them in.
func openApp(ctx context.Context, cfg *config, log *zap.Logger, now func() time.Time, withBroker bool) (*app, error) {
	a := &app{cfg: cfg, log: log, now: now, sleep: sleep, metrics: telemetry.NewMetrics()}
	a.filesRead = filesSum(cfg)
	k, err := loadKnowledge(cfg)
	if err != nil {
		return nil, err
	}
	a.known.Store(k)
	if cfg.Tracing.Collector != "" {
		out, err := telemetry.Collector(ctx, cfg.Tracing.Collector)
		if err != nil {
			return nil, fmt.Errorf("tracing.collector: %w", err)
		}
		a.traces = telemetry.NewTraces(out, cfg.Tracing.Share, version, log)
	}
	if err := a.insist(ctx, "open the store", func() error { return a.openStore(ctx) }); err != nil {
		return nil, err
	}
	if withBroker {
		a.broker, err = stream.Open(ctx, cfg.streamConfig(), log, now)
		if err != nil {
			_ = a.store.Close()
			return nil, hinted{fmt.Errorf("broker: %w", err), "is another gaussline running on this data_dir?"}
		}
	}
	return a, a.plug()
}

func (a *app) openStore(ctx context.Context) (err error) {
	if a.cfg.Store.URLFile == "" {
		dir := filepath.Join(a.cfg.DataDir, "store")
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return err
		}
		a.store, err = sqlite.Open(ctx, dir, sqlite.Options{}, a.log)
	} else {
		var url string
		if url, err = secret(a.cfg.Store.URLFile); err == nil {
			a.store, err = postgres.Open(ctx, url, postgres.Options{}, a.log)
		}
	}
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	return nil
}

// ackWait is how soon a killed worker's messages are handed out again; a living one renews it every few seconds.
const ackWait = 12 * time.Second

func (c *config) streamConfig() stream.Config {
	s := c.Stream
	return stream.Config{Dir: filepath.Join(c.DataDir, "stream"), URL: s.URL, Credentials: s.Credentials, NKeySeed: s.NKeySeed,
		Token: s.Token, User: s.User, Password: s.Password, CA: s.CA, Cert: s.Cert, Key: s.Key, Monitor: s.Monitor,
		Replicas: s.Replicas, MaxBytes: s.MaxBytes, MaxMessageBytes: c.Limits.MessageBytes, Listen: s.Listen, Users: s.Users,
		ListenCert: s.ListenCert, ListenKey: s.ListenKey, AckWait: ackWait}
}

// plug makes the service of the opened edges.
func (a *app) plug() error {
	bases := map[string]string{}
	for _, s := range a.cfg.Senders {
		bases[s.Name] = s.BaseURL
	}
	svc := pipeline.Service{
		Store: a.store, Log: a.log, Meter: a.metrics, Now: a.now, Fallback: a.cfg.Fallback,
		Reader:    pipeline.MessageReader{Limits: a.cfg.limits(), Bases: bases, Now: a.now},
		Knowledge: func() pipeline.Knowledge { return *a.known.Load() },
		Sinks:     map[string]pipeline.Sink{},
		Limits:    pipeline.WorkLimits{Batch: a.cfg.Limits.Batch, Decoders: a.cfg.Limits.Decoders},
	}
	ends := &radiology.Endpoints{BySite: map[string]radiology.Endpoint{}}
	for _, s := range a.cfg.Sites {
		svc.Sites = append(svc.Sites, pipeline.Site{Name: s.Name, Match: s.Match, FHIR: s.FHIREndpoint != "", RemindAfter: s.remindAfter()})
		if s.FHIREndpoint == "" {
			continue
		}
		token, err := secret(s.TokenFile)
		if err != nil {
			return fmt.Errorf("sites %s token_file: %w", s.Name, err)
		}
		ends.BySite[s.Name] = radiology.Endpoint{URL: s.FHIREndpoint, Token: token}
	}
	if a.traces != nil {
		svc.Tracer = a.traces
	}
	svc.Sinks[pipeline.SinkFHIR] = ends
	if a.broker != nil {
		svc.Inbox = a.broker.Inbox()
		svc.Sinks[pipeline.SinkNATS] = radiology.Subjects{Sender: a.broker.Sender()}
	}
	a.service = pipeline.New(svc)
	return nil
}

// loadKnowledge reads the site's labelling and scanner files, each checked against its schema first. Every file with
// a fault is told, with its key.
func loadKnowledge(cfg *config) (*pipeline.Knowledge, error) {
	k := &pipeline.Knowledge{Policy: mri.Policy{ReviewInterval: cfg.reviewInterval()}}
	var faults []error
	for i, path := range cfg.MR.Labelling {
		l, err := readLabelling(path)
		if err != nil {
			faults = append(faults, fmt.Errorf("mr.labelling[%d]: %w", i, err))
		}
		k.Labels = append(k.Labels, l)
	}
	if path := cfg.MR.Scanners; path != "" {
		b, err := readChecked(path, "scanners.schema.json")
		if err == nil {
			if k.Scanners, err = mri.ParseScanners(b); err != nil {
				err = fmt.Errorf("%s: %w", path, err)
			}
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("mr.scanners: %w", err))
		}
	}
	return k, errors.Join(faults...)
}

// readLabelling reads one labelling file for use; a fault stops it, with the first of its complaints.
func readLabelling(path string) (l mri.Labelling, err error) {
	b, err := readChecked(path, "labelling.schema.json")
	if err != nil {
		return l, err
	}
	if l, err = mri.ParseLabelling(b); err != nil {
		return l, hinted{fmt.Errorf("%s: %w", path, err), "gaussline check-labelling " + path + " explains every complaint"}
	}
	l.File = path
	return l, nil
}

// readChecked reads a JSON file and validates it against one of our schemas. All faults are told.
func readChecked(path, schema string) ([]byte, error) {
	b, problems, err := readAgainst(path, schema)
	if err != nil {
		return nil, err
	}
	var faults []error
	for _, p := range problems {
		faults = append(faults, fmt.Errorf("%s: at %q: %s", path, p.Pointer, p.Text))
	}
	if len(faults) > 0 {
		return nil, hinted{errors.Join(faults...), "schemas/" + schema + " says what the file may hold"}
	}
	return b, nil
}

// readAgainst reads a JSON file and says where it does not fit one of our schemas.
func readAgainst(path, schema string) ([]byte, []checks.Problem, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	s, err := checks.Compile(schema)
	if err != nil {
		return nil, nil, err
	}
	problems, err := s.JSON(b)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	return b, problems, nil
}

// receiver is the door to the inbox.
func (a *app) receiver() pipeline.Receiver {
	r := pipeline.Receiver{Inbox: a.broker.Inbox(), Limits: a.cfg.limits(), Now: a.now}
	if a.traces != nil {
		r.Tracer = a.traces
	}
	return r
}

// Ready says whether messages can be kept and committed now.
func (a *app) Ready(ctx context.Context) error {
	if err := a.broker.Ready(ctx); err != nil {
		return fmt.Errorf("broker: %w", err)
	}
	err := a.store.View(ctx, func(r pipeline.Reader) error { _, err := r.Waiting(ctx, a.now(), 1); return err })
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	return nil
}

// close shuts the edges in order: the broker's client and server, then the store.
func (a *app) close(ctx context.Context) error {
	var errs []error
	if a.broker != nil {
		errs = append(errs, a.broker.Close(ctx))
	}
	errs = append(errs, a.store.Close())
	if a.traces != nil {
		if err := a.traces.Close(ctx); err != nil { // a collector that is away must not make a good stop a bad one
			a.log.Warn("the last traces were not sent", zap.Error(err))
		}
	}
	errs = append(errs, telemetry.Flush(a.log))
	return errors.Join(errs...)
}

// quiet is a logger for commands whose output is for a person: warnings and errors only, on standard error.
func (p *program) quiet() (*zap.Logger, error) {
	return telemetry.NewLogger(zapcore.AddSync(p.errOut), "warn")
}

// gauges are read from the store and broker at each scrape.
func (a *app) gauges() {
	count := func(name string) func() float64 {
		return func() float64 {
			ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
			defer cancel()
			var n map[string]int64
			if err := a.store.View(ctx, func(r pipeline.Reader) (err error) { n, err = r.Count(ctx); return err }); err != nil {
				return -1
			}
			return float64(n[name])
		}
	}
	a.metrics.Gauge("inbox_backlog", "Messages received and not yet committed; -1 not readable.", func() float64 {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		n, err := a.broker.Inbox().Backlog(ctx)
		if err != nil {
			return -1
		}
		return float64(n)
	})
	a.metrics.Gauge("rejected_open", "Rejects nobody has dealt with; -1 not readable.", count("rejected-open"))
	a.metrics.Gauge("outbox_waiting", "Outgoing messages not yet delivered; -1 not readable.", count("outbox-waiting"))
	a.metrics.Gauge("outbox_dead", "Outgoing messages given up; -1 not readable.", count("outbox-dead"))
	a.metrics.Gauge("labelling_not_taken", "1 while changed labelling or scanner files cannot be taken over and the ones before stay in force.",
		func() float64 { return float64(a.unread.Load()) })
	a.metrics.Gauge("banners_unread", "Urgent banners that nobody has acknowledged; -1 not readable.", a.unreadBanners)
	a.metrics.Gauge("banners_unread_oldest_seconds", "How long the oldest urgent banner that nobody has acknowledged has stood; -1 not readable.", a.oldestUnread)
	a.metrics.Gauge("outbox_oldest_seconds", "Age of the oldest outgoing message not yet delivered.", a.oldestWaiting)
}

func (a *app) unreadBanners() float64 {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	list, err := a.service.Unread(ctx)
	if err != nil {
		return -1
	}
	return float64(len(list))
}

func (a *app) oldestUnread() float64 {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	list, err := a.service.Unread(ctx)
	if err != nil {
		return -1
	}
	age := 0.0
	for _, u := range list {
		age = max(age, a.now().Sub(u.Decided).Seconds())
	}
	return age
}

func (a *app) oldestWaiting() float64 {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	age := 0.0
	err := a.store.View(ctx, func(r pipeline.Reader) error {
		out, err := r.Outbox(ctx, pipeline.OutWaiting)
		if err == nil && len(out) > 0 {
			age = a.now().Sub(out[0].Queued).Seconds()
		}
		return err
	})
	if err != nil {
		return -1
	}
	return age
}
