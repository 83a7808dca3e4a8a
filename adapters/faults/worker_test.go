package faults

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/radiology"
)

// line of messages waiting to be read, on an injected clock.
type stream struct {
	clock   *clock
	entries []*waitingMessage
	left    int // fetches in this step
}

type waitingMessage struct {
	s        *stream
	m        pipeline.Message
	attempts int
	from     time.Time
	done     bool
}

var errStep = errors.New("the step is over")

func (s *stream) Put(_ context.Context, m pipeline.Message) error {
	s.entries = append(s.entries, &waitingMessage{s: s, m: m})
	return nil
}

func (s *stream) Fetch(_ context.Context, limit int, _ time.Duration) (out []pipeline.Delivery, err error) {
	if s.left--; s.left < 0 {
		return nil, errStep
	}
	for _, e := range s.entries {
		if !e.done && !e.from.After(s.clock.now()) && len(out) < limit {
			e.attempts++
			out = append(out, e)
		}
	}
	return out, nil
}

func (s *stream) Backlog(context.Context) (n int64, err error) {
	for _, e := range s.entries {
		if !e.done {
			n++
		}
	}
	return n, nil
}

func (e *waitingMessage) Message() pipeline.Message     { return e.m }
func (e *waitingMessage) Attempt() int                  { return e.attempts }
func (e *waitingMessage) Traceparent() string           { return "" }
func (e *waitingMessage) Ack(context.Context) error     { e.done = true; return nil }
func (e *waitingMessage) Working(context.Context) error { return nil }
func (e *waitingMessage) Retry(_ context.Context, d time.Duration) error {
	e.from = e.s.clock.now().Add(d)
	return nil
}

// faulty is a store that can be told to fail.
type faulty struct {
	pipeline.Store
	down   bool
	poison string // key of a statement that cannot be stored
}

func (f *faulty) Update(ctx context.Context, do func(pipeline.Tx) error) error {
	if f.down {
		return fmt.Errorf("disk full: %w", pipeline.ErrUnavailable)
	}
	return f.Store.Update(ctx, func(tx pipeline.Tx) error { return do(&poisoned{tx, f.poison}) })
}

type poisoned struct {
	pipeline.Tx
	key string
}

func (p *poisoned) SaveStatement(ctx context.Context, st pipeline.StoredStatement) error {
	if st.Key == p.key && st.Person != nil {
		return errors.New("a fault that will not pass")
	}
	return p.Tx.SaveStatement(ctx, st)
}

// bench is a worker on the SQLite store with n patients waiting to be read.
func bench(t testing.TB, n int) (*pipeline.Service, *stream, *faulty, *clock) {
	t.Helper()
	clk := newClock()
	in := &stream{clock: clk}
	f := &faulty{Store: openStore(t, t.TempDir())}
	svc := pipeline.New(pipeline.Service{Inbox: in, Store: f, Log: zap.NewNop(), Now: clk.now, Knowledge: func() pipeline.Knowledge { return pipeline.Knowledge{} },
		Reader: pipeline.MessageReader{Limits: fhirjson.DefaultLimits(), Now: clk.now}, Limits: pipeline.WorkLimits{Batch: 50}})
	for i := range n {
		r := pipeline.Receiver{Inbox: in, Limits: fhirjson.DefaultLimits(), Now: clk.now}
		body := fmt.Appendf(nil, `{"resourceType":"Patient","id":"p%d","identifier":[{"system":"http://hillside.invalid/mrn","value":"N-%d"}]}`, i, i)
		if _, _, err := r.Receive(context.Background(), "hillside", "", body); err != nil {
			t.Fatal(err)
		}
	}
	return svc, in, f, clk
}

// step lets the worker fetch a few times.
func step(svc *pipeline.Service, in *stream) {
	in.left = 6
	_ = svc.Drain(context.Background(), func(int) {})
}

func count(t testing.TB, s pipeline.Store, what string) (n int64) {
	t.Helper()
	err := s.View(context.Background(), func(r pipeline.Reader) error {
		c, err := r.Count(context.Background())
		n = c[what]
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// One message that can never be stored is kept as a reject after its tries; the others do not wait for it.
func TestPoisonMessage(t *testing.T) {
	const n = 200
	svc, in, f, clk := bench(t, n)
	f.poison = "hillside|Patient/p77"
	step(svc, in)
	if got := count(t, f, "messages"); got != n-1 {
		t.Errorf("%d of %d other messages are kept after the first step", got, n-1)
	}
	begin, rounds := clk.now(), 1
	for ; rounds < 50; rounds++ {
		if left, _ := in.Backlog(context.Background()); left == 0 {
			break
		}
		clk.forward(2 * time.Second)
		step(svc, in)
	}
	if kept, open := count(t, f, "messages"), count(t, f, "rejected-open"); kept != n || open != 1 {
		t.Errorf("%d messages, %d rejects", kept, open)
	}
	figure(line{"poison message among 200", rounds, n - int(count(t, f, "messages")), 0, "-",
		fmt.Sprintf("others kept in the first step, poison rejected after %s", clk.now().Sub(begin))})
}

// While the store is away nothing is acknowledged and nothing is lost. When it is away for longer than the tries of a
// message last, the worker takes good messages for ones that end the process and keeps them as rejects: the figure says
// how many, and that a replay mends it.
func TestStoreAway(t *testing.T) {
	for _, away := range []time.Duration{20 * time.Second, 10 * time.Minute} {
		const n = 100
		svc, in, f, clk := bench(t, n)
		f.down = true
		begin, rounds := clk.now(), 0
		for ; clk.now().Sub(begin) < away; rounds++ {
			step(svc, in)
			clk.forward(2 * time.Second)
		}
		if kept := count(t, f, "messages"); kept != 0 {
			t.Errorf("%d messages are kept in a store that is away", kept)
		}
		f.down = false
		ended := clk.now()
		for left := int64(n); left > 0 && clk.now().Sub(ended) < time.Hour; left, _ = in.Backlog(context.Background()) {
			step(svc, in)
			clk.forward(2 * time.Second)
		}
		kept, open := int(count(t, f, "messages")), count(t, f, "rejected-open")
		if kept != n {
			t.Errorf("%d of %d messages are kept", kept, n)
		}
		figure(line{fmt.Sprintf("store away for %s", away), rounds, n - kept, 0, clk.now().Sub(ended).String(),
			fmt.Sprintf("%d of %d good messages ended as rejects", open, n)})
		if left := replay(t, svc, f); left != 0 || count(t, f, "records") != n {
			t.Errorf("%d rejects are still open after a replay, %d records of %d", left, count(t, f, "records"), n)
		}
	}
}

// replay reads every open reject again and gives how many stay open.
func replay(t testing.TB, svc *pipeline.Service, s pipeline.Store) int64 {
	t.Helper()
	var open []pipeline.Rejected
	err := s.View(context.Background(), func(r pipeline.Reader) (err error) {
		open, err = r.Rejects(context.Background(), pipeline.RejectOpen)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range open {
		if still, err := svc.Replay(context.Background(), r.ID); err != nil || still {
			t.Errorf("replay: still open %v, %v", still, err)
		}
	}
	return count(t, s, "rejected-open")
}

// One site that hangs delays the messages of another by its time-outs, within one round.
func TestHungSiteAndItsNeighbour(t *testing.T) {
	clk := newClock()
	store := openStore(t, t.TempDir())
	queue(t, store, clk)
	err := store.Update(context.Background(), func(tx pipeline.Tx) error {
		return tx.Queue(context.Background(), pipeline.Outgoing{ID: "n", Order: "fhir|n", Sink: pipeline.SinkFHIR, To: "harbour", Body: []byte("n"),
			Queued: clk.now(), NextTry: clk.now(), State: pipeline.OutWaiting})
	})
	if err != nil {
		t.Fatal(err)
	}
	hung := httptest.NewServer(http.HandlerFunc(hang))
	defer hung.Close()
	var arrived time.Time
	well := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { arrived = time.Now() }))
	defer well.Close()
	const timeout = 50 * time.Millisecond
	svc := pipeline.New(pipeline.Service{Store: store, Log: zap.NewNop(), Now: clk.now, Sinks: map[string]pipeline.Sink{pipeline.SinkFHIR: &radiology.Endpoints{
		BySite: map[string]radiology.Endpoint{"north": {URL: hung.URL}, "harbour": {URL: well.URL}}, Client: &http.Client{Timeout: timeout}}}})
	begin := time.Now()
	round(t, svc)
	if arrived.IsZero() {
		t.Fatal("the neighbour's message did not go out in the first round")
	}
	waited := arrived.Sub(begin)
	figure(line{"one site hangs, its neighbour is well", 1, 0, 0, "-", fmt.Sprintf("neighbour waited %.0f time-outs for %d messages of the hung site",
		float64(waited)/float64(timeout), referrals)})
}
