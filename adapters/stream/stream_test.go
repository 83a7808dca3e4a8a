package stream

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/adapters/pipeline"
)

func open(t *testing.T, cfg Config, log *zap.Logger) *Broker {
	t.Helper()
	if cfg.Dir == "" {
		cfg.Dir = t.TempDir()
	}
	cfg.MaxBytes = 64 << 20
	b, err := Open(t.Context(), cfg, log, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close(context.Background()) })
	return b
}

func jobs(ctx context.Context, n int) []*putting {
	list := make([]*putting, n)
	for i := range list {
		msg := nats.NewMsg(servicePrefix + "clinic-a")
		msg.Data = fmt.Appendf(nil, "body %d", i)
		list[i] = &putting{ctx: ctx, msg: msg, size: msg.Size(), done: make(chan error, 1)}
	}
	return list
}

func backlog(t *testing.T, b *Broker, want int64) {
	t.Helper()
	n, err := b.Inbox().Backlog(t.Context())
	if err != nil || n != want {
		t.Fatalf("backlog %d (%v), want %d", n, err, want)
	}
}

// Trap 1: the embedded server syncs before it acknowledges, under the streams as they are.
func TestTrap1EmbeddedSyncs(t *testing.T) {
	b := open(t, Config{}, nil)
	if !b.own.srv.JetStreamConfig().SyncAlways || !b.Synced() {
		t.Fatal("the embedded server acknowledges before it syncs")
	}
	if b.Addr() != "" || b.own.srv.Addr() != nil {
		t.Fatal("the embedded server listens though nobody asked")
	}
}

// Trap 5: a batch is one acknowledgement for all, and one that is refused stores nothing.
func TestTrap5Batch(t *testing.T) {
	b := open(t, Config{}, nil)
	if err := b.put.batch(jobs(t.Context(), maxBatch)); err != nil {
		t.Fatal(err)
	}
	backlog(t, b, maxBatch)

	bad := jobs(t.Context(), 30)
	bad[7].msg.Header.Set(jetstream.ExpectedStreamHeader, "ANOTHER")
	var api *jetstream.APIError
	if err := b.put.batch(bad); !errors.As(err, &api) {
		t.Fatalf("a batch with one wrong message: %v, want a refusal by the broker", err)
	}
	backlog(t, b, maxBatch)
}

// One message that the broker will not have fails alone; the others of its batch are kept singly.
func TestRefusedBatchFallsBackToSingles(t *testing.T) {
	b := open(t, Config{}, nil)
	lot := jobs(t.Context(), 30)
	lot[7].msg.Header.Set("Nats-Expected-Last-Sequence", "999")
	b.put.publish(lot)
	for i, job := range lot {
		if err := <-job.done; (err != nil) != (i == 7) {
			t.Errorf("message %d: %v", i, err)
		}
	}
	backlog(t, b, 29)
}

// A Put whose sender has left before its turn is not published.
func TestLeftBeforeItsTurn(t *testing.T) {
	b := open(t, Config{}, nil)
	lot := jobs(t.Context(), 3)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	left := lot[1]
	left.ctx = gone
	b.put.publish(lot)
	if err := <-left.done; !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	backlog(t, b, 2)
}

// A server that knows no batches: everything goes singly.
func TestServerWithoutBatches(t *testing.T) {
	b := open(t, Config{}, nil)
	b.batches = false
	lot := jobs(t.Context(), 40)
	b.put.publish(lot)
	for _, job := range lot {
		if err := <-job.done; err != nil {
			t.Fatal(err)
		}
		if job.msg.Header.Get(headerBatch) != "" {
			t.Fatal("a batch header on a single message")
		}
	}
	backlog(t, b, 40)
}

func TestBatchOutcome(t *testing.T) {
	for _, c := range []struct {
		answer string
		ok     bool
	}{
		{`{"stream":"GAUSSLINE-IN","seq":3,"batch":"x","count":3}`, true},
		{`{"stream":"GAUSSLINE-IN","seq":3}`, false}, // the last message alone
		{`{"stream":"GAUSSLINE-IN","seq":3,"batch":"x","count":2}`, false},
		{`{"stream":"GAUSSLINE-IN","seq":3,"batch":"y","count":3}`, false},
		{`{"error":{"code":400,"err_code":10201,"description":"duplicate"}}`, false},
		{``, false},
		{`nonsense`, false},
	} {
		if _, err := batchOutcome([]byte(c.answer), "x", 3); (err == nil) != c.ok {
			t.Errorf("%s: %v", c.answer, err)
		}
	}
}

// A lot never exceeds its limits, and what does not fit is first in the next.
func TestGatherLimits(t *testing.T) {
	p := &batcher{queue: make(chan *putting, maxWaiting)}
	for range maxBatch + 5 {
		p.queue <- &putting{size: 10}
	}
	lot, rest := p.gather(<-p.queue, 1, 0)
	if len(lot) != maxBatch || rest != nil {
		t.Fatalf("took %d", len(lot))
	}
	lot, rest = p.gather(&putting{size: maxBatchBytes - 25}, 1, 0)
	if len(lot) != 3 || rest == nil {
		t.Fatalf("took %d, rest %v: want the bytes limit to hold", len(lot), rest)
	}
}

// Trap 15: the server is gone, the client says it is connected; a Put ends by its own deadline, not by its sender's.
func TestTrap15ServerGone(t *testing.T) {
	b := open(t, Config{PublishWait: 300 * time.Millisecond}, nil)
	b.own.srv.Shutdown()
	b.own.srv.WaitForShutdown()
	start := time.Now()
	var wait sync.WaitGroup
	for range 64 { // singles and batches
		wait.Add(1)
		go func() {
			defer wait.Done()
			err := b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: []byte("{}")})
			if !errors.Is(err, pipeline.ErrUnavailable) {
				t.Errorf("put: %v", err)
			}
		}()
	}
	wait.Wait()
	if err := b.Sender().Send(t.Context(), SubjectMR+"north", "1", nil); !errors.Is(err, pipeline.ErrUnavailable) {
		t.Errorf("send: %v", err)
	}
	if err := b.Ready(t.Context()); !errors.Is(err, pipeline.ErrUnavailable) {
		t.Errorf("ready: %v", err)
	}
	if passed := time.Since(start); passed > 20*time.Second {
		t.Errorf("took %v", passed)
	}
}

// Trap 14: Close lets the Puts under way end; each that was answered nil is there afterwards.
func TestTrap14CloseFinishesWhatIsUnderWay(t *testing.T) {
	cfg := Config{Dir: t.TempDir()}
	b := open(t, cfg, nil)
	const n = 100
	answers := make(chan error, n)
	for i := range n {
		go func() {
			answers <- b.Inbox().Put(context.Background(), pipeline.Message{Sender: "clinic-a", Body: fmt.Appendf(nil, "%d", i)})
		}()
	}
	first := <-answers // some are under way
	if first != nil {
		t.Fatal(first)
	}
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	kept := int64(1)
	for range n - 1 {
		if err := <-answers; err == nil {
			kept++
		} else if !errors.Is(err, pipeline.ErrUnavailable) {
			t.Errorf("put: %v", err)
		}
	}
	again := open(t, cfg, nil)
	got, err := again.Inbox().Backlog(t.Context())
	if err != nil || got < kept {
		t.Fatalf("%d kept (%v), %d were answered nil", got, err, kept)
	}
}

// Trap 3, of the check itself.
func TestDurable(t *testing.T) {
	good := Config{}.withDefaults().inConfig()
	if err := durable(good); err != nil {
		t.Fatal(err)
	}
	async, memory := good, good
	async.PersistMode = jetstream.AsyncPersistMode
	memory.Storage = jetstream.MemoryStorage
	if durable(async) == nil || durable(memory) == nil {
		t.Fatal("a stream that does not sync was taken")
	}
}

// Trap 22: the server's lines go to zap, its traces, which hold bodies, nowhere; and no body is in any line.
func TestTrap22ServerLog(t *testing.T) {
	core, lines := observer.New(zapcore.DebugLevel)
	b := open(t, Config{}, zap.New(core))
	if lines.Len() == 0 {
		t.Fatal("the server logged nothing")
	}
	secret := "Family-Name-Of-A-Patient"
	if err := b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: []byte(secret)}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Inbox().Fetch(t.Context(), 1, time.Second); err != nil {
		t.Fatal(err)
	}
	serverLog{zap.New(core).Sugar()}.Tracef("<<- %s", secret)
	for _, l := range lines.All() {
		if strings.Contains(fmt.Sprint(l.Message, l.ContextMap()), secret) {
			t.Errorf("a body is in the log: %s", l.Message)
		}
	}
}

func TestConfigIsRefused(t *testing.T) {
	for _, c := range []struct {
		cfg   Config
		words string
	}{
		{Config{}, "Dir"},
		{Config{URL: "nats://x", Listen: "127.0.0.1:0"}, "Listen"},
		{Config{Dir: "x", Replicas: 3}, "Replicas"},
		{Config{URL: "nats://x", Replicas: 2}, "Replicas"},
		{Config{Dir: "x", MaxMessageBytes: -1}, "MaxMessageBytes"},
		{Config{Dir: "x", MaxMessageBytes: 64 << 20}, "MaxMessageBytes"},
		{Config{Dir: "x", MaxBytes: 1 << 20}, "MaxBytes"},
		{Config{Dir: "x", AckWait: -1}, "AckWait"},
		{Config{URL: "nats://x", Cert: "c"}, "Cert"},
		{Config{URL: "nats://x", Token: "t", NKeySeed: "n"}, "at most one"},
		{Config{URL: "nats://x", User: "u"}, "Password"},
		{Config{Dir: "x", Listen: "127.0.0.1:0"}, "Users"},
		{Config{Dir: "x", Listen: "nowhere", Users: "u"}, "Listen"},
		{Config{Dir: "x", Listen: "0.0.0.0:4222", Users: "u"}, "ListenCert"},
		{Config{Dir: "x", Listen: ":4222", Users: "u"}, "ListenCert"},
		{Config{Dir: "x", Listen: "127.0.0.1:0", Users: "u", ListenKey: "k"}, "ListenKey"},
	} {
		_, err := Open(t.Context(), c.cfg, nil, time.Now)
		if err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%+v: %v, want an error that names %s", c.cfg, err, c.words)
		}
	}
}

// The hash in hex is from coreutils: printf 'clinic-a\0{}' | sha256sum.
func TestMessageID(t *testing.T) {
	const want = "9626616cf83d7f60a66cfb4a7f260e0dd5b46c7dae08b1c819397aeac2fb45e6"
	if got := MessageID("clinic-a", []byte("{}")); got != want {
		t.Fatalf("got %s, want %s", got, want)
	}
}
