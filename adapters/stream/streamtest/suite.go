// Package streamtest is the suite that every kind of broker passes: embedded, outside server, cluster. Nothing in it
// knows which it is testing.
//
// What does not live here: tests of one kind only (the lock, users, start-up checks), which lie beside the code.
package streamtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
)

// Sender and Secret name the outside sender that a Setup with users must let in. SenderSite may read one site.
const (
	Sender = "clinic-a"
	Secret = "for-tests-only"
)

const (
	patience = 20 * time.Second       // for what must come
	silence  = 150 * time.Millisecond // in which nothing must come
)

var clock = time.Date(2026, 3, 1, 8, 30, 0, 123456000, time.UTC)

// Setup makes a fresh place and gives the configuration that reaches it. Opening it again after Close must find
// what was kept. b.Addr() of the opened broker must accept Sender with Secret.
type Setup func(t *testing.T) stream.Config

// Run tests the place that setup makes.
func Run(t *testing.T, setup Setup) {
	for _, c := range []struct {
		name string
		test func(*testing.T, stream.Config)
	}{
		{"put, fetch, ack", putFetchAck},
		{"not acknowledged comes back (trap 7)", missedAck},
		{"working keeps the message (trap 7)", working},
		{"retry waits and never gives up (traps 11, 12)", retry},
		{"many acknowledged at once", ackMany},
		{"oldest first", order},
		{"copies are kept, with one ID (trap 10)", copies},
		{"biggest message, and one byte more (trap 21)", biggest},
		{"restart keeps what was acknowledged (trap 1)", restart},
		{"64 senders, each message once", manySenders},
		{"closed broker answers at once (trap 15)", closed},
		{"full inbox refuses, then takes again (traps 17, 18)", full},
		{"a batch with one that does not fit", fullBatch},
		{"cancelled context", cancelled},
		{"bad arguments", badArguments},
		{"send once per id", send},
		{"outside sender", outside},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, setup(t)) })
	}
}

// Open opens cfg and closes it when the test ends.
func Open(t testing.TB, cfg stream.Config) *stream.Broker {
	t.Helper()
	b, err := stream.Open(t.Context(), cfg, zaptest.NewLogger(t, zaptest.Level(zap.ErrorLevel)), func() time.Time { return clock })
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	t.Cleanup(func() { shut(t, b) })
	return b
}

func shut(t testing.TB, b *stream.Broker) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := b.Close(ctx); err != nil {
		t.Errorf("close: %v", err)
	}
}

func message(n int) pipeline.Message {
	return pipeline.Message{Sender: Sender, ContentType: "application/fhir+json", ReceivedAt: clock,
		Body: []byte(fmt.Sprintf(`{"resourceType":"Patient","id":"p%05d"}`, n))}
}

func mustPut(t testing.TB, b *stream.Broker, m pipeline.Message) {
	t.Helper()
	if err := b.Inbox().Put(t.Context(), m); err != nil {
		t.Fatalf("put: %v", err)
	}
}

// fetch collects exactly n messages.
func fetch(t testing.TB, b *stream.Broker, n int) []pipeline.Delivery {
	t.Helper()
	var list []pipeline.Delivery
	end := time.Now().Add(patience)
	for len(list) < n && time.Now().Before(end) {
		got, err := b.Inbox().Fetch(t.Context(), n-len(list), time.Second)
		if err != nil {
			t.Fatalf("fetch: %v", err)
		}
		list = append(list, got...)
	}
	if len(list) != n {
		t.Fatalf("fetched %d messages, want %d", len(list), n)
	}
	return list
}

func ackAll(t testing.TB, list []pipeline.Delivery) {
	t.Helper()
	for _, d := range list {
		if err := d.Ack(t.Context()); err != nil {
			t.Fatalf("ack: %v", err)
		}
	}
}

func nothing(t testing.TB, b *stream.Broker) {
	t.Helper()
	got, err := b.Inbox().Fetch(t.Context(), 10, silence)
	if err != nil {
		t.Fatalf("fetch: %v", err)
	}
	if got != nil {
		t.Fatalf("fetched %d messages, want none; first %s attempt %d", len(got), got[0].Message().Body, got[0].Attempt())
	}
}

// backlog waits for the count: a cluster applies an acknowledgement a moment later.
func backlog(t testing.TB, b *stream.Broker, want int64) {
	t.Helper()
	var got int64
	for end := time.Now().Add(patience); time.Now().Before(end); {
		var err error
		if got, err = b.Inbox().Backlog(t.Context()); err != nil {
			t.Fatalf("backlog: %v", err)
		}
		if got == want {
			return
		}
	}
	t.Fatalf("backlog %d, want %d", got, want)
}

func is(t testing.TB, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Fatalf("%s: got %v, want one that wraps %q", what, err, want)
	}
}

func putFetchAck(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	if err := b.Ready(t.Context()); err != nil {
		t.Fatalf("ready: %v", err)
	}
	want := message(1)
	if err := b.Inbox().Put(pipeline.WithTraceparent(t.Context(), traceparent), want); err != nil {
		t.Fatalf("put: %v", err)
	}
	backlog(t, b, 1)
	d := fetch(t, b, 1)[0]
	if d.Traceparent() != traceparent {
		t.Errorf("traceparent %q", d.Traceparent())
	}
	m := d.Message()
	if m.ID != stream.MessageID(want.Sender, want.Body) || m.Sender != want.Sender || !bytes.Equal(m.Body, want.Body) ||
		m.ContentType != want.ContentType || !m.ReceivedAt.Equal(clock) || m.ReceivedAt.Location() != time.UTC {
		t.Fatalf("fetched %+v, want what was put", m)
	}
	if d.Attempt() != 1 {
		t.Fatalf("attempt %d on the first delivery", d.Attempt())
	}
	ackAll(t, []pipeline.Delivery{d})
	backlog(t, b, 0)
	nothing(t, b)
}

func missedAck(t *testing.T, cfg stream.Config) {
	cfg.AckWait = 400 * time.Millisecond
	b := Open(t, cfg)
	mustPut(t, b, message(1))
	first := fetch(t, b, 1)[0]
	second := fetch(t, b, 1)[0]
	if second.Attempt() != 2 || second.Message().ID != first.Message().ID {
		t.Fatalf("attempt %d, want the same message at attempt 2", second.Attempt())
	}
	ackAll(t, []pipeline.Delivery{second})
	backlog(t, b, 0)
}

func working(t *testing.T, cfg stream.Config) {
	cfg.AckWait = 500 * time.Millisecond
	b := Open(t, cfg)
	mustPut(t, b, message(1))
	d := fetch(t, b, 1)[0]
	for end := time.Now().Add(3 * cfg.AckWait); time.Now().Before(end); {
		if err := d.Working(t.Context()); err != nil {
			t.Fatalf("working: %v", err)
		}
		nothing(t, b)
	}
	ackAll(t, []pipeline.Delivery{d})
	backlog(t, b, 0)
}

func retry(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	mustPut(t, b, message(1))
	const delay = 400 * time.Millisecond
	d := fetch(t, b, 1)[0]
	asked := time.Now()
	if err := d.Retry(t.Context(), delay); err != nil {
		t.Fatalf("retry: %v", err)
	}
	mustPut(t, b, message(2)) // is not blocked by the one that waits
	other := fetch(t, b, 1)[0]
	if !bytes.Equal(other.Message().Body, message(2).Body) {
		t.Fatalf("fetched %s while the first waits", other.Message().Body)
	}
	ackAll(t, []pipeline.Delivery{other})
	d = fetch(t, b, 1)[0]
	if passed := time.Since(asked); passed < delay {
		t.Fatalf("came back after %v, before %v", passed, delay)
	}
	for n := 2; n <= 20; n++ { // far past any usual MaxDeliver
		if d.Attempt() != n {
			t.Fatalf("attempt %d, want %d", d.Attempt(), n)
		}
		if err := d.Retry(t.Context(), 0); err != nil {
			t.Fatalf("retry: %v", err)
		}
		d = fetch(t, b, 1)[0]
	}
	ackAll(t, []pipeline.Delivery{d})
	backlog(t, b, 0)
}

func order(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	const n = 150 // more than one pull request
	for i := range n {
		mustPut(t, b, message(i))
	}
	list := fetch(t, b, n)
	for i, d := range list {
		if !bytes.Equal(d.Message().Body, message(i).Body) {
			t.Fatalf("message %d is %s", i, d.Message().Body)
		}
	}
	ackAll(t, list)
	backlog(t, b, 0)
}

func copies(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	mustPut(t, b, message(1))
	mustPut(t, b, message(1))
	other := message(1)
	other.Sender = "clinic-b"
	mustPut(t, b, other)
	list := fetch(t, b, 3)
	if list[0].Message().ID != list[1].Message().ID {
		t.Fatal("the same message twice has two IDs")
	}
	if list[0].Message().ID == list[2].Message().ID {
		t.Fatal("the same body of two senders has one ID")
	}
	ackAll(t, list)
}

func biggest(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	const limit = 4 << 20 // the default
	m := message(1)
	m.Body = bytes.Repeat([]byte("0123456789abcdef"), limit/16)
	mustPut(t, b, m)
	d := fetch(t, b, 1)[0]
	if !bytes.Equal(d.Message().Body, m.Body) {
		t.Fatal("the biggest message came back changed")
	}
	ackAll(t, []pipeline.Delivery{d})
	m.Body = append(m.Body, 'x')
	is(t, "put", b.Inbox().Put(t.Context(), m), pipeline.ErrTooLarge)
	is(t, "send", b.Sender().Send(t.Context(), stream.SubjectMR+"north", "1", m.Body), pipeline.ErrTooLarge)
	backlog(t, b, 0)
}

func restart(t *testing.T, cfg stream.Config) {
	cfg.AckWait = 2 * time.Second
	b := Open(t, cfg)
	for i := range 30 {
		mustPut(t, b, message(i))
	}
	list := fetch(t, b, 20)
	ackAll(t, list[:10]) // the other ten: a worker that died with them
	backlog(t, b, 20)
	shut(t, b)

	b = Open(t, cfg)
	backlog(t, b, 20)
	seen := map[string]int{}
	list = fetch(t, b, 20)
	for _, d := range list {
		seen[string(d.Message().Body)] = d.Attempt()
	}
	for i := 10; i < 30; i++ {
		if _, ok := seen[string(message(i).Body)]; !ok {
			t.Fatalf("message %d is lost", i)
		}
	}
	ackAll(t, list)
	backlog(t, b, 0)
}

func manySenders(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	const senders, each = 64, 20
	var wait sync.WaitGroup
	failed := make(chan error, senders*each)
	for s := range senders {
		wait.Add(1)
		go func() {
			defer wait.Done()
			for n := range each {
				failed <- b.Inbox().Put(t.Context(), message(s*each+n))
			}
		}()
	}
	wait.Wait()
	close(failed)
	for err := range failed {
		if err != nil {
			t.Fatalf("put: %v", err)
		}
	}
	backlog(t, b, senders*each)
	seen := map[string]bool{}
	last := map[int]int{} // of each sender, whose own messages stay in order
	list := fetch(t, b, senders*each)
	for _, d := range list {
		var n int
		if _, err := fmt.Sscanf(string(d.Message().Body), `{"resourceType":"Patient","id":"p%d"}`, &n); err != nil {
			t.Fatal(err)
		}
		if seen[d.Message().ID] {
			t.Fatalf("message %d came twice", n)
		}
		seen[d.Message().ID] = true
		if before, ok := last[n/each]; ok && before > n {
			t.Fatalf("sender %d: message %d before %d", n/each, before, n)
		}
		last[n/each] = n
	}
	ackAll(t, list)
	backlog(t, b, 0)
}

// dial connects as the outside sender.
func dial(t *testing.T, b *stream.Broker) *nats.Conn {
	t.Helper()
	nc, err := nats.Connect("nats://"+b.Addr(), nats.UserInfo(Sender, Secret), nats.CustomInboxPrefix("_INBOX."+Sender))
	if err != nil {
		t.Fatalf("connect as %s: %v", Sender, err)
	}
	t.Cleanup(nc.Close)
	return nc
}
