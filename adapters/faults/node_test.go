package faults

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/Shopify/toxiproxy/v2"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/radiology"
	"gaussline/adapters/store/pgtest"
	"gaussline/adapters/store/postgres"
	inlet "gaussline/adapters/stream"
)

const (
	giveUp    = 4 * time.Minute // for whatever is waited for; it takes seconds
	pollEvery = 10 * time.Millisecond
	hurry     = 10 // the node's clock runs this much faster, so that its pauses between tries are short
)

// eventually waits until something is so.
func eventually(t testing.TB, what string, so func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), giveUp)
	defer cancel()
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for !so() {
		select {
		case <-ctx.Done():
			t.Fatalf("not so after %s: %s", giveUp, what)
		case <-tick.C:
		}
	}
}

// wire is a connection between the node and something it needs, which can be cut and slowed down.
type wire struct {
	t        testing.TB
	mu       sync.Mutex
	proxy    *toxiproxy.Proxy
	upstream string
}

// lay makes a wire to an address. Its own port is below those that the system gives to others, so that nobody takes it
// while the wire is cut.
func lay(t testing.TB, upstream string) *wire {
	t.Helper()
	w := &wire{t: t, upstream: upstream}
	for range 1000 {
		w.proxy = w.make(fmt.Sprintf("127.0.0.1:%d", 15000+rand.IntN(15000)))
		if w.proxy.Start() == nil {
			t.Cleanup(w.cut)
			return w
		}
	}
	t.Fatal("no free port")
	return nil
}

func (w *wire) make(listen string) *toxiproxy.Proxy {
	return toxiproxy.NewProxy(toxiproxy.NewServer(toxiproxy.NewMetricsContainer(nil), zerolog.Nop()), "wire", listen, w.upstream)
}

func (w *wire) addr() string { return w.proxy.Listen }

// cut ends all connections and refuses new ones.
func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.proxy.Stop()
}

// heal makes the wire whole and quick again. What was on it is gone.
func (w *wire) heal() {
	w.t.Helper()
	w.cut()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.proxy = w.make(w.proxy.Listen)
	if err := w.proxy.Start(); err != nil {
		w.t.Error(err)
	}
}

// spoil brings one of the proxy's faults over the wire, in the direction given: "upstream" is from the node.
func (w *wire) spoil(kind, direction, attributes string) {
	w.t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	_, err := w.proxy.Toxics.AddToxicJson(strings.NewReader(fmt.Sprintf(`{"type":%q,"stream":%q,"attributes":%s}`, kind, direction, attributes)))
	if err != nil {
		w.t.Error(err)
	}
}

// hall is the radiology department's endpoint: it notes under which ids each order came.
type hall struct {
	mu  sync.Mutex
	ids map[string]map[string]int
}

func (h *hall) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	var b struct {
		Entry []struct {
			Resource struct{ ResourceType, ID string }
		}
	}
	if err != nil || json.Unmarshal(body, &b) != nil {
		http.Error(w, "unreadable", http.StatusBadRequest)
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, e := range b.Entry {
		if e.Resource.ResourceType == "ServiceRequest" {
			if h.ids[e.Resource.ID] == nil {
				h.ids[e.Resource.ID] = map[string]int{}
			}
			h.ids[e.Resource.ID][r.Header.Get("X-Request-Id")]++
		}
	}
}

// came gives how often, and under how many ids, an order came.
func (h *hall) came(id string) (copies, ids int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, n := range h.ids[id] {
		copies += n
	}
	return copies, len(h.ids[id])
}

// hooked is the node's store. It can spoil a wire at a certain moment of a transaction, once.
type hooked struct {
	pipeline.Store
	beforeCommit atomic.Pointer[moment] // all is written, the commit not yet sent
	afterCommit  atomic.Pointer[moment] // the store has said that it is committed
}

type moment struct {
	settles bool // of a transaction that settles outgoing messages, else of one that keeps messages
	do      func()
	failed  atomic.Bool // the transaction in which it was done came back with an error
}

type watched struct {
	pipeline.Tx
	saved, settled bool
}

func (w *watched) SaveMessages(ctx context.Context, list []pipeline.Message) ([]bool, error) {
	w.saved = true
	return w.Tx.SaveMessages(ctx, list)
}

func (w *watched) Settle(ctx context.Context, o pipeline.Outgoing) error {
	w.settled = w.settled || o.State == pipeline.OutSent
	return w.Tx.Settle(ctx, o)
}

func (h *hooked) Update(ctx context.Context, f func(pipeline.Tx) error) error {
	var done *moment
	var w watched
	due := func(m *moment) bool { return m != nil && (m.settles && w.settled || !m.settles && w.saved) }
	err := h.Store.Update(ctx, func(tx pipeline.Tx) error {
		w.Tx = tx
		if err := f(&w); err != nil {
			return err
		}
		if m := h.beforeCommit.Load(); due(m) && h.beforeCommit.CompareAndSwap(m, nil) {
			if _, err := tx.Count(ctx); err != nil { // what was held back is sent and answered before
				return err
			}
			done = m
			m.do()
		}
		return nil
	})
	if done != nil {
		done.failed.Store(err != nil)
	}
	if m := h.afterCommit.Load(); err == nil && due(m) && h.afterCommit.CompareAndSwap(m, nil) {
		m.do()
		m.failed.Store(true)
	}
	return err
}

// node is the whole line of work of one node, with a wire to each thing it needs, and a look at those from beside.
type node struct {
	t                          testing.TB
	broker, database, endpoint *wire
	store                      *hooked
	hall                       *hall
	door                       pipeline.Receiver
	logs                       *observer.ObservedLogs
	beside                     pipeline.Store // the same tables, by no wire of the node
	inbox                      jetstream.Stream

	mu      sync.Mutex
	next    int
	acked   []string
	refused int
}

// patience is what a node waits for: long where the wire is slow, short where it must find out that nobody is there.
type patience struct{ publish, statement, delivery time.Duration }

func openNode(t testing.TB, databases string, p patience) *node {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	srv, err := server.NewServer(&server.Options{ServerName: "outside", Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true,
		StoreDir: t.TempDir(), JetStreamMaxStore: 1 << 30, SyncAlways: true, MaxPayload: 8 << 20, NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(time.Minute) {
		t.Fatal("the broker is not ready")
	}
	n := &node{t: t, hall: &hall{ids: map[string]map[string]int{}}}
	endpoint := httptest.NewServer(n.hall)
	t.Cleanup(endpoint.Close)
	direct := pgtest.Database(t, databases)
	u, err := url.Parse(direct)
	if err != nil {
		t.Fatal(err)
	}
	n.broker, n.database, n.endpoint = lay(t, srv.Addr().String()), lay(t, u.Host), lay(t, endpoint.Listener.Addr().String())
	u.Host = n.database.addr()
	core, logs := observer.New(zap.InfoLevel)
	n.logs = logs
	log := zap.New(core)

	if n.beside, err = postgres.Open(ctx, direct, postgres.Options{}, nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = n.beside.Close() })
	kept, err := postgres.Open(ctx, u.String(), postgres.Options{Conns: 4, BusyTimeout: p.statement, StatementTimeout: p.statement, IdleTimeout: p.statement}, log)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = kept.Close() })
	n.store = &hooked{Store: kept}
	in, err := inlet.Open(ctx, inlet.Config{URL: "nats://" + n.broker.addr(), MaxBytes: 256 << 20, AckWait: 2 * time.Second, PublishWait: p.publish}, log, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	n.lookInto(srv)
	client := &http.Client{Timeout: p.delivery, Transport: &http.Transport{DialContext: (&net.Dialer{Timeout: p.delivery}).DialContext}}
	begin := time.Now()
	now := func() time.Time { at := time.Now(); return at.Add((hurry - 1) * at.Sub(begin)) }
	svc := pipeline.New(pipeline.Service{Inbox: in.Inbox(), Store: n.store, Log: log, Now: now,
		Knowledge: func() pipeline.Knowledge { return pipeline.Knowledge{} },
		Reader:    pipeline.MessageReader{Limits: fhirjson.DefaultLimits(), Now: now},
		Sites:     []pipeline.Site{{Name: "north", FHIR: true}}, Fallback: "north",
		Limits: pipeline.WorkLimits{FetchWait: 500 * time.Millisecond, RetryDelay: 100 * time.Millisecond},
		Sinks: map[string]pipeline.Sink{pipeline.SinkNATS: radiology.Subjects{Sender: in.Sender()},
			pipeline.SinkFHIR: &radiology.Endpoints{BySite: map[string]radiology.Endpoint{"north": {URL: "http://" + n.endpoint.addr()}}, Client: client}}})
	n.door = pipeline.Receiver{Inbox: in.Inbox(), Limits: fhirjson.DefaultLimits(), Now: now}
	var working sync.WaitGroup
	working.Go(func() { _ = svc.Run(ctx) })
	working.Go(func() { _ = svc.Relay(ctx) })
	t.Cleanup(func() {
		cancel()
		working.Wait()
		client.CloseIdleConnections()
		stop, end := context.WithTimeout(context.Background(), time.Minute)
		defer end()
		_ = in.Close(stop)
	})
	return n
}

// lookInto connects to the broker from beside.
func (n *node) lookInto(srv *server.Server) {
	n.t.Helper()
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		n.t.Fatal(err)
	}
	n.t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err == nil {
		n.inbox, err = js.Stream(context.Background(), "GAUSSLINE-IN")
	}
	if err != nil {
		n.t.Fatal(err)
	}
}

// last is the number of the newest message that the inbox has kept, waiting how many wait in it.
func (n *node) last() (last, waiting uint64) {
	info, err := n.inbox.Info(context.Background())
	if err != nil {
		n.t.Error(err)
		return 0, 1
	}
	return info.State.LastSeq, info.State.Msgs
}

// send sends orders from two senders, each again and again until it is acknowledged, as an EHR does. The answer waits
// until all are.
func (n *node) send(orders int) (wait func()) {
	var wg sync.WaitGroup
	left := atomic.Int64{}
	left.Store(int64(orders))
	ctx, cancel := context.WithTimeout(context.Background(), giveUp)
	for range 2 {
		wg.Go(func() {
			for left.Add(-1) >= 0 {
				n.sendOne(ctx)
			}
		})
	}
	return func() { wg.Wait(); cancel() }
}

func (n *node) sendOne(ctx context.Context) {
	n.mu.Lock()
	id := fmt.Sprintf("order-%04d", n.next)
	n.next++
	n.mu.Unlock()
	body := fmt.Appendf(nil, `{"resourceType":"ServiceRequest","id":%q,"meta":{"versionId":"1","lastUpdated":"2026-05-20T09:00:00Z"},"status":"active","intent":"order","code":{"coding":[{"system":"http://loinc.org","code":"30679-5"}],"text":"MR lumbar spine"},"subject":{"reference":"Patient/%d"}}`, id, len(id)%3)
	for ctx.Err() == nil {
		_, _, err := n.door.Receive(ctx, "hillside", fhir, body)
		n.mu.Lock()
		if err == nil {
			n.acked = append(n.acked, id)
			n.mu.Unlock()
			return
		}
		n.refused++
		n.mu.Unlock()
		select { // an EHR does not try again at once
		case <-ctx.Done():
		case <-time.After(pollEvery):
		}
	}
	n.t.Errorf("%s was never acknowledged", id)
}

// acknowledged gives the orders acknowledged so far and how often one was not.
func (n *node) acknowledged() (ids []string, refused int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return append([]string(nil), n.acked...), n.refused
}

// logged counts the log's lines that say something.
func (n *node) logged(what string) int { return n.logs.FilterMessage(what).Len() }

// outgoing gives all messages that the node had to send.
func (n *node) outgoing() (out []pipeline.Outgoing) {
	err := n.beside.View(context.Background(), func(r pipeline.Reader) (err error) {
		out, err = r.Outbox(context.Background(), "")
		return err
	})
	if err != nil {
		n.t.Error(err)
	}
	return out
}

// drained says whether all that was acknowledged has had its effects and nothing waits any more.
func (n *node) drained() bool {
	ids, _ := n.acknowledged()
	for _, id := range ids {
		if copies, _ := n.hall.came(id); copies == 0 {
			return false
		}
	}
	if _, waiting := n.last(); waiting > 0 {
		return false
	}
	for _, o := range n.outgoing() {
		if o.State != pipeline.OutSent {
			return false
		}
	}
	return true
}

// effects counts the acknowledged orders that lack an effect, that had one twice, and deliveries beyond the first.
func (n *node) effects() (lost, doubled, copies int) {
	n.t.Helper()
	ctx := context.Background()
	ids, _ := n.acknowledged()
	err := n.beside.View(ctx, func(r pipeline.Reader) error {
		for _, id := range ids {
			key := "hillside|ServiceRequest/" + id
			st, err := r.ByKey(ctx, []string{key})
			if err != nil {
				return err
			}
			v, err := r.Verdict(ctx, key)
			times, names := n.hall.came(id)
			switch {
			case len(st) == 0 || err != nil || names == 0:
				lost++
			case len(st) > 1 || v.Revision != 1 || v.State != pipeline.VerdictInForce || names > 1:
				doubled++
			}
			copies += max(0, times-1)
		}
		rejects, err := r.Rejects(ctx, "")
		lost += len(rejects)
		return err
	})
	if err != nil {
		n.t.Error(err)
	}
	if found, err := n.beside.Check(ctx); err != nil || len(found) > 0 {
		n.t.Errorf("store check: %q %v", found, err)
	}
	return lost, doubled, copies
}
