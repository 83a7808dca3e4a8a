package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

// bench measures the whole service on this machine, in one run, so that its ratios mean something: absolute figures
// move with the machine and its neighbours.
func bench(ctx context.Context, p *program, args []string) error {
	fs := p.flags("bench")
	quick := fs.Bool("quick", false, "a tenth of the messages")
	only := fs.String("only", "", "senders, backfill, memory, latency or load")
	var l loadOptions
	fs.IntVar(&l.messages, "messages", 20_000, "messages of the load")
	fs.StringVar(&l.store, "store", "sqlite", "store of the load: sqlite or postgres")
	fs.StringVar(&l.urlFile, "url-file", "", "file with the URL of an empty database")
	fs.IntVar(&l.nodes, "nodes", 1, "nodes that work the load off")
	if err := parse(fs, args); err != nil {
		return err
	}
	if err := l.check(); err != nil {
		return err
	}
	scale := 1
	if *quick {
		scale = 10
	}
	b := &measure{p: p, scale: scale, decoders: runtime.GOMAXPROCS(0)}
	fmt.Fprintf(p.out, "%s, %d cores, %s\n", runtime.Version(), runtime.NumCPU(), time.Now().UTC().Format(time.RFC3339))
	steps := []struct {
		name string
		run  func(context.Context) error
	}{{"senders", b.senders}, {"backfill", b.backfills}, {"memory", b.memory}, {"latency", b.latency},
		{"load", func(ctx context.Context) error { return b.load(ctx, l) }}}
	known := *only == ""
	for _, step := range steps {
		if *only != step.name && (*only != "" || step.name == "load") { // the load takes as long as it is told
			continue
		}
		known = true
		if err := step.run(ctx); err != nil {
			return err
		}
	}
	if !known {
		return usageError{fmt.Sprintf("--only %q is none of senders, backfill, memory, latency, load", *only)}
	}
	return nil
}

type measure struct {
	p        *program
	scale    int
	decoders int
}

// open starts the service in a fresh folder.
func (b *measure) open(ctx context.Context) (*app, func() error, error) {
	return b.openWith(ctx, func(*config) {})
}

// openWith is open with something changed in the configuration.
func (b *measure) openWith(ctx context.Context, change func(*config)) (*app, func() error, error) {
	dir, err := os.MkdirTemp("", "gaussline-bench-")
	if err != nil {
		return nil, nil, err
	}
	if _, err := demoFolder(filepath.Join(dir, "demo")); err != nil {
		return nil, nil, err
	}
	cfg, err := loadConfig(filepath.Join(dir, "demo", "gaussline.yaml"), func(string) string { return "" })
	if err != nil {
		return nil, nil, err
	}
	cfg.HTTP.Listen = "127.0.0.1:0"
	cfg.Limits.Decoders = b.decoders
	change(cfg)
	log, err := b.p.quiet()
	if err != nil {
		return nil, nil, err
	}
	a, err := openApp(ctx, cfg, log, time.Now, true)
	if err != nil {
		return nil, nil, err
	}
	return a, func() error { return errors.Join(a.close(ctx), os.RemoveAll(dir)) }, nil
}

// put fills the inbox from n senders at once and gives messages per second, each synced before its sender goes on.
func put(ctx context.Context, a *app, senders int, bodies [][]byte) (float64, error) {
	next := make(chan []byte)
	errs := make([]error, senders)
	var wg sync.WaitGroup
	start := time.Now()
	for i := range senders {
		wg.Go(func() {
			for body := range next {
				if _, _, err := a.receiver().Receive(ctx, "hillside", "", body); err != nil {
					errs[i] = err
				}
			}
		})
	}
	for _, body := range bodies {
		next <- body
	}
	close(next)
	wg.Wait()
	return float64(len(bodies)) / time.Since(start).Seconds(), errors.Join(errs...)
}

func (b *measure) senders(ctx context.Context) error {
	a, done, err := b.open(ctx)
	if err != nil {
		return err
	}
	one, err := put(ctx, a, 1, referrals(0, 2000/b.scale))
	if err != nil {
		return err
	}
	many, err := put(ctx, a, 64, referrals(1_000_000, 20000/b.scale))
	if err != nil {
		return err
	}
	fmt.Fprintf(b.p.out, "receive, synced: 1 sender %.0f msg/s, 64 senders %.0f msg/s: %.1f times (aim: at least 3)\n", one, many, many/one)
	return done()
}

// backfills compares the whole way, from the inbox to committed records, with decoding alone.
func (b *measure) backfills(ctx context.Context) error {
	for _, kind := range []struct {
		name   string
		bodies [][]byte
		aim    float64
	}{{"referrals of 1.6 kB", referrals(2_000_000, 20000/b.scale), 0.50}, {"message Bundles of 10 kB", bundles(3_000_000, 5000/b.scale), 0.75}} {
		if err := b.backfill(ctx, kind.name, kind.bodies, kind.aim); err != nil {
			return err
		}
	}
	return nil
}

func (b *measure) backfill(ctx context.Context, name string, bodies [][]byte, aim float64) error {
	a, done, err := b.open(ctx)
	if err != nil {
		return err
	}
	decode, decodeCPU := b.decodeOnly(a, bodies)
	if _, err := put(ctx, a, 64, bodies); err != nil {
		return err
	}
	work, stop := context.WithCancel(ctx)
	defer stop()
	ran := make(chan error, 1)
	start, startCPU := time.Now(), cpuTime()
	go func() { ran <- a.service.Run(work) }()
	err = a.untilEmpty(ctx)
	rate, cpu := float64(len(bodies))/time.Since(start).Seconds(), perMessage(startCPU, len(bodies))
	stop()
	if err := errors.Join(err, <-ran); err != nil {
		return err
	}
	kept, err := a.count(ctx, "messages")
	if err != nil {
		return err
	}
	if kept != int64(len(bodies)) {
		return fmt.Errorf("%s: %d of %d messages kept", name, kept, len(bodies))
	}
	again, againCPU := b.decodeOnly(a, bodies)
	base, baseCPU := (decode+again)/2, (decodeCPU+againCPU)/2
	fmt.Fprintf(b.p.out, "backfill, %s: %.0f msg/s; decoding alone on %d cores %.0f msg/s (before %.0f, after %.0f): ratio %.2f (aim: at least %.2f)\n",
		name, rate, b.decoders, base, decode, again, rate/base, aim)
	fmt.Fprintf(b.p.out, "  processor time a message: %.3f ms, decoding alone %.3f ms: ratio %.2f (holds on a busy machine, too)\n", cpu, baseCPU, baseCPU/cpu)
	return done()
}

// decodeOnly is the bare cost: bytes to statements on all cores, nothing stored. It gives messages a second and
// milliseconds of processor time a message.
func (b *measure) decodeOnly(a *app, bodies [][]byte) (rate, cpu float64) {
	n := min(len(bodies), 5000)
	next := make(chan []byte, b.decoders)
	var wg sync.WaitGroup
	start, startCPU := time.Now(), cpuTime()
	for range b.decoders {
		wg.Go(func() {
			for body := range next {
				a.service.Reader.Read(pipeline.Message{Sender: "hillside", Body: body})
			}
		})
	}
	for _, body := range bodies[:n] {
		next <- body
	}
	close(next)
	wg.Wait()
	return float64(n) / time.Since(start).Seconds(), perMessage(startCPU, n)
}

// cpuTime is the processor time that this process has used.
func cpuTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// perMessage gives the processor time since start, in milliseconds a message.
func perMessage(start time.Duration, n int) float64 { return ms(cpuTime()-start) / float64(n) }

// memory loads history in two steps and compares the resident size.
func (b *measure) memory(ctx context.Context) error {
	a, done, err := b.open(ctx)
	if err != nil {
		return err
	}
	work, stop := context.WithCancel(ctx)
	defer stop()
	ran := make(chan error, 1)
	go func() { ran <- a.service.Run(work) }()
	var sizes []float64
	sent := 0
	for _, upTo := range []int{10_000 / b.scale, 100_000 / b.scale} {
		for sent < upTo {
			n := min(1000, upTo-sent)
			if _, err := put(ctx, a, 64, referrals(4_000_000+sent, n)); err != nil {
				return err
			}
			sent += n
		}
		if err := a.untilEmpty(ctx); err != nil {
			return err
		}
		sizes = append(sizes, residentMB())
	}
	fmt.Fprintf(b.p.out, "memory: %.0f MB resident after %d messages, %.0f MB after %d: %+.0f %% (aim: within 20 %%, under 400 MB)\n",
		sizes[0], 10_000/b.scale, sizes[1], 100_000/b.scale, 100*(sizes[1]/sizes[0]-1))
	stop()
	return errors.Join(<-ran, done())
}

// residentMB is the resident size now, after what the runtime can give back is given back.
func residentMB() float64 {
	debug.FreeOSMemory()
	return statusMB("VmRSS:")
}

// peakMB is the largest resident size so far.
func peakMB() float64 { return statusMB("VmHWM:") }

// statusMB reads a size of this process from the kernel, proc(5).
func statusMB(name string) float64 {
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for _, l := range strings.Split(string(b), "\n") {
		if rest, ok := strings.CutPrefix(l, name); ok {
			kb, _ := strconv.ParseFloat(strings.Fields(rest)[0], 64)
			return kb / 1024
		}
	}
	return 0
}

// stopwatch is a sink that notes when the banner of an order left.
type stopwatch struct {
	next pipeline.Sink
	mu   sync.Mutex
	left map[string]time.Time
}

func (s *stopwatch) Deliver(ctx context.Context, o pipeline.Outgoing) error {
	err := s.next.Deliver(ctx, o)
	if err == nil {
		s.mu.Lock()
		s.left[o.Order] = time.Now()
		s.mu.Unlock()
	}
	return err
}

// latency sends MR referrals over HTTP at a steady 100 a second and takes the time until each banner is on its
// subject, synced.
func (b *measure) latency(ctx context.Context) error {
	a, _, err := b.open(ctx) // serve closes it
	if err != nil {
		return err
	}
	token := access.NewToken()
	for i := range a.cfg.Senders {
		if a.cfg.Senders[i].Name == "hillside" {
			a.cfg.Senders[i].TokenSHA256 = access.HashToken(token)
		}
	}
	watch := &stopwatch{next: a.service.Sinks[pipeline.SinkNATS], left: map[string]time.Time{}}
	a.service.Sinks[pipeline.SinkNATS] = watch
	serving, stop := context.WithCancel(ctx)
	defer stop()
	addr := make(chan string, 1)
	ran := make(chan error, 1)
	go func() { ran <- a.serve(serving, func(s string) { addr <- s }) }()
	url := "http://" + <-addr + "/fhir"
	n := 3000 / b.scale
	sent, err := steady(ctx, url, token, referrals(5_000_000, n), 100)
	if err != nil {
		return err
	}
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		watch.mu.Lock()
		all := len(watch.left) >= n
		watch.mu.Unlock()
		if all {
			break
		}
	}
	stop()
	if err := <-ran; err != nil {
		return err
	}
	var took []time.Duration
	for i, at := range sent {
		if left, ok := watch.left[pipeline.SinkNATS+"|hillside|ServiceRequest/"+orderID(5_000_000+i)]; ok {
			took = append(took, left.Sub(at))
		}
	}
	if len(took) != n {
		return fmt.Errorf("latency: %d of %d banners left", len(took), n)
	}
	slices.Sort(took)
	fmt.Fprintf(b.p.out, "latency from POST to banner on its subject at 100/s, %d orders: p50 %.1f ms, p99 %.1f ms, worst %.1f ms (aim: p99 under 100 ms)\n",
		n, ms(took[n/2]), ms(took[n*99/100]), ms(took[n-1]))
	return nil
}

func ms(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// steady posts the bodies at a fixed rate and gives the moment each was sent.
func steady(ctx context.Context, url, token string, bodies [][]byte, perSecond int) ([]time.Time, error) {
	sent := make([]time.Time, len(bodies))
	errs := make([]error, len(bodies))
	t := time.NewTicker(time.Second / time.Duration(perSecond))
	defer t.Stop()
	var wg sync.WaitGroup
	for i, body := range bodies {
		<-t.C
		sent[i] = time.Now()
		wg.Go(func() { errs[i] = post(ctx, url, token, body) })
	}
	wg.Wait()
	return sent, errors.Join(errs...)
}

func post(ctx context.Context, url, token string, body []byte) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, url, strings.NewReader(string(body)))
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/fhir+json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusAccepted {
		return fmt.Errorf("POST answered %d", res.StatusCode)
	}
	return nil
}
