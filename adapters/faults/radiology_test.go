package faults

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/radiology"
	"gaussline/adapters/store/sqlite"
)

const (
	referrals = 10
	revisions = 3 // of each referral
)

// department is a radiology endpoint with a fault that can be ended.
type department struct {
	mu     sync.Mutex
	clock  *clock
	broken func(http.ResponseWriter, *http.Request) // nil: it works
	tries  map[string][]time.Time                   // by message
	got    []string                                 // bodies it took, in order
	all    int                                      // requests
}

func (d *department) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	d.mu.Lock()
	d.all++
	d.tries[string(body)] = append(d.tries[string(body)], d.clock.now())
	broken := d.broken
	if broken == nil {
		d.got = append(d.got, string(body))
	}
	d.mu.Unlock()
	if broken != nil {
		broken(w, r)
	}
}

func (d *department) fault(f func(http.ResponseWriter, *http.Request)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.broken = f
}

func status(code int) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
}

// garbage answers with what is not HTTP and hangs up.
func garbage(w http.ResponseWriter, _ *http.Request) {
	c, _, err := http.NewResponseController(w).Hijack()
	if err != nil {
		return
	}
	_, _ = c.Write([]byte("\x00\x01 not HTTP\r\n"))
	_ = c.Close()
}

// hang answers after the client has gone.
func hang(_ http.ResponseWriter, r *http.Request) {
	_, _ = io.Copy(io.Discard, r.Body) // only then does the server notice that the client has gone
	select {
	case <-r.Context().Done():
	case <-time.After(5 * time.Second):
	}
}

// taken takes the message and cuts the connection before the receipt.
func (d *department) taken(w http.ResponseWriter, _ *http.Request) {
	c, _, err := http.NewResponseController(w).Hijack()
	if err == nil {
		_ = c.Close()
	}
}

func openStore(t testing.TB, dir string) pipeline.Store {
	t.Helper()
	s, err := sqlite.Open(context.Background(), dir, sqlite.Options{Readers: 1}, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// queue fills the outbox: revisions of referrals, each in its order.
func queue(t testing.TB, s pipeline.Store, c *clock) {
	t.Helper()
	err := s.Update(context.Background(), func(tx pipeline.Tx) error {
		for rev := range revisions {
			for ref := range referrals {
				o := pipeline.Outgoing{ID: fmt.Sprintf("%d.%d", ref, rev), Order: fmt.Sprint("fhir|", ref), Sink: pipeline.SinkFHIR, To: "north",
					Body: fmt.Appendf(nil, "%d.%d", ref, rev), Queued: c.now(), NextTry: c.now(), State: pipeline.OutWaiting}
				if err := tx.Queue(context.Background(), o); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// An endpoint that is away for hours costs nothing but time: every message arrives, those of one referral in their
// order, nothing is tried before its time, and nothing is given up.
func TestRadiologyEndpointFaults(t *testing.T) {
	for _, c := range []struct {
		name    string
		fault   func(http.ResponseWriter, *http.Request)
		lasting time.Duration
	}{
		{"radiology answers 500", status(500), 6 * time.Hour},
		{"radiology answers 503", status(503), 6 * time.Hour},
		{"radiology answers 429", status(429), 6 * time.Hour},
		{"radiology redirects", status(302), 2 * time.Hour},
		{"radiology answers garbage", garbage, 2 * time.Hour},
		{"radiology hangs", hang, 10 * time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) { endpointFault(t, c.name, c.fault, c.lasting) })
	}
}

func endpointFault(t *testing.T, name string, fault func(http.ResponseWriter, *http.Request), lasting time.Duration) {
	clk := newClock()
	d := &department{clock: clk, tries: map[string][]time.Time{}, broken: fault}
	srv := httptest.NewServer(d)
	defer srv.Close()
	store := openStore(t, t.TempDir())
	queue(t, store, clk)
	svc := relay(store, clk, srv.URL)
	begin, rounds := clk.now(), 0
	for clk.now().Sub(begin) < lasting {
		round(t, svc)
		rounds++
		clk.forward(pace(clk.now().Sub(begin)))
	}
	d.fault(nil)
	during := d.all
	ended := clk.now()
	for len(waiting(t, store)) > 0 {
		if clk.now().Sub(ended) > time.Hour {
			t.Fatalf("%d messages wait an hour after the fault has ended", len(waiting(t, store)))
		}
		round(t, svc)
		clk.forward(10 * time.Second)
	}
	recovered := clk.now().Sub(ended)
	lost, doubled := account(t, d, store)
	backoffKept(t, d)
	// At first 2 s apart, doubling, then every 10 min: about 9 + hours*6 tries. While a receiver is away only the first
	// of its line is tried; one that refuses is tried with the first message of each referral.
	if most := referrals * (10 + int(lasting.Minutes()/10) + 1); during > most || during < 5 {
		t.Errorf("%d requests in %s, want 5 to %d", during, lasting, most)
	}
	figure(line{name + fmt.Sprintf(" for %s", lasting), rounds, lost, doubled, recovered.String(), fmt.Sprintf("%d tries meanwhile", during)})
}

// pace is how often the relay looks: each second at first, so that short delays show, then each half minute.
func pace(since time.Duration) time.Duration {
	if since < 2*time.Minute {
		return time.Second
	}
	return 30 * time.Second
}

func relay(store pipeline.Store, clk *clock, url string) *pipeline.Service {
	client := &http.Client{Timeout: 50 * time.Millisecond, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return pipeline.New(pipeline.Service{Store: store, Log: zap.NewNop(), Now: clk.now, Sinks: map[string]pipeline.Sink{
		pipeline.SinkFHIR: &radiology.Endpoints{BySite: map[string]radiology.Endpoint{"north": {URL: url}}, Client: client}}})
}

func round(t testing.TB, svc *pipeline.Service) {
	t.Helper()
	if _, err := svc.RelayOnce(context.Background()); err != nil {
		t.Fatal(err)
	}
}

func waiting(t testing.TB, s pipeline.Store) (out []pipeline.Outgoing) {
	t.Helper()
	err := s.View(context.Background(), func(r pipeline.Reader) (err error) {
		out, err = r.Outbox(context.Background(), pipeline.OutWaiting)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// account counts what the department lacks and what it has twice, and checks the order of each referral.
func account(t testing.TB, d *department, s pipeline.Store) (lost, doubled int) {
	t.Helper()
	times, next := map[string]int{}, map[int]int{}
	for _, body := range d.got {
		times[body]++
		if times[body] > 1 {
			doubled++
			continue
		}
		var ref, rev int
		_, _ = fmt.Sscanf(body, "%d.%d", &ref, &rev)
		if rev != next[ref] {
			t.Errorf("referral %d: revision %d came when %d was due", ref, rev, next[ref])
		}
		next[ref]++
	}
	lost = referrals*revisions - len(times)
	if lost != 0 {
		t.Errorf("%d messages never came", lost)
	}
	if problems, err := s.Check(context.Background()); err != nil || len(problems) > 0 {
		t.Errorf("check: %q %v", problems, err)
	}
	return lost, doubled
}

// backoffKept: between two tries of a message at least 2 s, 4 s, 8 s ... at most 10 min, and not much more.
func backoffKept(t testing.TB, d *department) {
	t.Helper()
	for body, at := range d.tries {
		want := 2 * time.Second
		for i := 1; i < len(at); i++ {
			gap := at[i].Sub(at[i-1])
			if gap < want || gap > want+31*time.Second {
				t.Errorf("%s: try %d came %s after the one before, want %s", body, i+1, gap, want)
			}
			want = min(2*want, 10*time.Minute)
		}
	}
}

// A receiver that takes a message and is cut off before its receipt gets it again, under the same id.
func TestRadiologyTakesWithoutReceipt(t *testing.T) {
	clk := newClock()
	d := &department{clock: clk, tries: map[string][]time.Time{}}
	ids := map[string]string{}
	cut := 0
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id := r.Header.Get("X-Request-Id")
		body, _ := io.ReadAll(r.Body)
		if old, seen := ids[string(body)]; seen && old != id {
			t.Errorf("%s came under two ids", body)
		}
		ids[string(body)] = id
		d.got = append(d.got, string(body))
		if cut++; cut%2 == 1 {
			d.taken(w, r)
		}
	}))
	defer srv.Close()
	store := openStore(t, t.TempDir())
	queue(t, store, clk)
	svc := relay(store, clk, srv.URL)
	rounds := 0
	for ; len(waiting(t, store)) > 0 && rounds < 1000; rounds++ {
		round(t, svc)
		clk.forward(10 * time.Second)
	}
	lost, doubled := account(t, d, store)
	if doubled == 0 {
		t.Error("the fault did not show")
	}
	figure(line{"radiology takes, gives no receipt", rounds, lost, doubled, "-", "copies carry the same id"})
}

// Nothing listens: the connection is refused.
func TestRadiologyDown(t *testing.T) {
	clk := newClock()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := ln.Addr().String()
	_ = ln.Close()
	store := openStore(t, t.TempDir())
	queue(t, store, clk)
	svc := relay(store, clk, "http://"+addr)
	rounds := 0
	for begin := clk.now(); clk.now().Sub(begin) < 12*time.Hour; rounds++ {
		round(t, svc)
		clk.forward(time.Minute)
	}
	if n := len(waiting(t, store)); n != referrals*revisions {
		t.Fatalf("%d of %d still wait", n, referrals*revisions)
	}
	if ln, err = net.Listen("tcp", addr); err != nil {
		t.Skip("the port was taken by somebody else meanwhile")
	}
	d := &department{clock: clk, tries: map[string][]time.Time{}}
	srv := &httptest.Server{Listener: ln, Config: &http.Server{Handler: d}}
	srv.Start()
	defer srv.Close()
	ended := clk.now()
	for len(waiting(t, store)) > 0 && clk.now().Sub(ended) < time.Hour {
		round(t, svc)
		clk.forward(10 * time.Second)
	}
	lost, doubled := account(t, d, store)
	figure(line{"radiology down for 12h0m0s", rounds, lost, doubled, clk.now().Sub(ended).String(), ""})
}
