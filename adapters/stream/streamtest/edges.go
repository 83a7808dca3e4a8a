package streamtest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
)

func closed(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	mustPut(t, b, message(1))
	d := fetch(t, b, 1)[0]
	shut(t, b)
	start := time.Now()
	in := b.Inbox()
	is(t, "put", in.Put(t.Context(), message(2)), pipeline.ErrUnavailable)
	_, err := in.Fetch(t.Context(), 1, time.Minute)
	is(t, "fetch", err, pipeline.ErrUnavailable)
	_, err = in.Backlog(t.Context())
	is(t, "backlog", err, pipeline.ErrUnavailable)
	is(t, "ack", d.Ack(t.Context()), pipeline.ErrUnavailable)
	is(t, "retry", d.Retry(t.Context(), 0), pipeline.ErrUnavailable)
	is(t, "working", d.Working(t.Context()), pipeline.ErrUnavailable)
	is(t, "send", b.Sender().Send(t.Context(), stream.SubjectMR+"north", "1", nil), pipeline.ErrUnavailable)
	is(t, "ready", b.Ready(t.Context()), pipeline.ErrUnavailable)
	if passed := time.Since(start); passed > 5*time.Second {
		t.Fatalf("a closed broker took %v to say so", passed)
	}
	if b.Why() != nil {
		t.Fatalf("a broker that was closed is not a dead one: %v", b.Why())
	}
}

// small is a place that holds about ten messages of 60 kB.
func small(cfg stream.Config) stream.Config {
	cfg.MaxMessageBytes = 64 << 10
	cfg.MaxBytes = 640 << 10
	return cfg
}

func bulky(n int) pipeline.Message {
	m := message(n)
	m.Body = append(m.Body, bytes.Repeat([]byte(" "), 60<<10)...)
	return m
}

func full(t *testing.T, cfg stream.Config) {
	b := Open(t, small(cfg))
	kept := 0
	var err error
	for ; kept < 50; kept++ {
		if err = b.Inbox().Put(t.Context(), bulky(kept)); err != nil {
			break
		}
	}
	if kept < 5 || kept == 50 {
		t.Fatalf("%d messages of 60 kB fit in 640 kB", kept)
	}
	is(t, "put into a full inbox", err, pipeline.ErrUnavailable)
	is(t, "ready with a full inbox", b.Ready(t.Context()), pipeline.ErrUnavailable)
	list := fetch(t, b, kept) // nothing that was acknowledged is pushed out
	ackAll(t, list)
	backlog(t, b, 0)
	mustPut(t, b, bulky(99))
	if err := b.Ready(t.Context()); err != nil {
		t.Fatalf("ready after room was made: %v", err)
	}
}

// fullBatch puts more at once than fits: every Put gets its own answer, and what was answered nil is there.
func fullBatch(t *testing.T, cfg stream.Config) {
	b := Open(t, small(cfg))
	const n = 40
	errs := make([]error, n)
	var wait sync.WaitGroup
	for i := range n {
		wait.Add(1)
		go func() {
			defer wait.Done()
			errs[i] = b.Inbox().Put(t.Context(), bulky(i))
		}()
	}
	wait.Wait()
	kept := map[string]bool{}
	for i, err := range errs {
		if err == nil {
			kept[stream.MessageID(Sender, bulky(i).Body)] = true
			continue
		}
		is(t, "put", err, pipeline.ErrUnavailable)
	}
	if len(kept) < 5 || len(kept) == n {
		t.Fatalf("%d of %d messages were taken", len(kept), n)
	}
	list := fetch(t, b, len(kept))
	for _, d := range list {
		if !kept[d.Message().ID] {
			t.Fatalf("a message that was refused is there")
		}
	}
	ackAll(t, list)
}

func cancelled(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err := b.Inbox().Put(ctx, message(1))
	is(t, "put", err, context.Canceled)
	_, err = b.Inbox().Fetch(ctx, 1, time.Minute)
	is(t, "fetch", err, context.Canceled)
	is(t, "send", b.Sender().Send(ctx, stream.SubjectMR+"north", "1", nil), context.Canceled)

	ctx, cancel = context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	start := time.Now()
	got, err := b.Inbox().Fetch(ctx, 1, time.Minute)
	if len(got) != 0 || (err != nil && !errors.Is(err, context.DeadlineExceeded)) {
		t.Fatalf("fetch: %d messages, %v", len(got), err)
	}
	if passed := time.Since(start); passed > 10*time.Second {
		t.Fatalf("fetch held its caller for %v", passed)
	}
}

func badArguments(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	for _, name := range []string{"", "Clinic", "a.b", "a b", "a*", ">", string(bytes.Repeat([]byte("a"), 41))} {
		m := message(1)
		m.Sender = name
		if err := b.Inbox().Put(t.Context(), m); err == nil {
			t.Errorf("put of sender %q was taken", name)
		}
	}
	m := message(1)
	m.ID = stream.MessageID("clinic-b", m.Body)
	if err := b.Inbox().Put(t.Context(), m); err == nil {
		t.Error("a message with another's ID was taken")
	}
	for _, subject := range []string{"", "gaussline.in.x", "gaussline.out.", "gaussline.out.mr.>", "gaussline.out.mr.*", "gaussline.out.mr..x"} {
		if err := b.Sender().Send(t.Context(), subject, "1", nil); err == nil {
			t.Errorf("send on %q was taken", subject)
		}
	}
	if err := b.Sender().Send(t.Context(), stream.SubjectMR+"north", "", nil); err == nil {
		t.Error("send without an id was taken")
	}
	if _, err := b.Inbox().Fetch(t.Context(), 0, time.Second); err == nil {
		t.Error("fetch of none was taken")
	}
	backlog(t, b, 0)
}

// traceparent is the example of W3C Trace Context, section 3.2.2.
const traceparent = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"

func send(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	nc := dial(t, b)
	subject := stream.SubjectRejected + Sender
	got, err := nc.SubscribeSync(subject)
	if err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"one", "one", "two"} {
		ctx := pipeline.WithTraceparent(t.Context(), traceparent)
		if err := b.Sender().Send(ctx, subject, id, []byte(id)); err != nil {
			t.Fatalf("send: %v", err)
		}
	}
	// The broker's subscribers see each publish; the stream keeps one for each id.
	for _, want := range []string{"one", "one", "two"} {
		msg, err := got.NextMsg(patience)
		if err != nil {
			t.Fatal(err)
		}
		if id := msg.Header.Get(nats.MsgIdHdr); id != want || string(msg.Data) != want || msg.Header.Get("traceparent") != traceparent {
			t.Fatalf("got id %q body %q, want %q; header %v", id, msg.Data, want, msg.Header)
		}
	}
	if n, err := b.Outgoing(t.Context()); err != nil || n != 2 {
		t.Fatalf("outgoing stream holds %d (%v), want 2", n, err)
	}
}

// outside publishes as another program does: bytes on a subject, at most a Content-Type, and lies.
func outside(t *testing.T, cfg stream.Config) {
	b := Open(t, cfg)
	nc := dial(t, b)
	body := []byte(`{"resourceType":"Patient"}`)
	publish(t, nc, &nats.Msg{Subject: "gaussline.in." + Sender, Data: body})
	publish(t, nc, &nats.Msg{Subject: "gaussline.in." + Sender, Data: body, Header: nats.Header{
		"Content-Type":         {"application/json"},
		"Gaussline-Message-Id": {"0000"},
		"Gaussline-Sender":     {"clinic-b"},
		"Gaussline-Received":   {"1999-01-01T00:00:00.000000Z"},
		"traceparent":          {traceparent},
	}})
	before := time.Now().Add(-time.Hour)
	list := fetch(t, b, 2)
	for i, d := range list {
		m := d.Message()
		if m.Sender != Sender || m.ID != stream.MessageID(Sender, body) || !bytes.Equal(m.Body, body) {
			t.Errorf("message %d: %+v", i, m)
		}
		if m.ReceivedAt.Before(before) || m.ReceivedAt.Location() != time.UTC || m.ReceivedAt.Nanosecond()%1000 != 0 {
			t.Errorf("message %d received at %v, want the broker's time", i, m.ReceivedAt)
		}
	}
	if got := list[1].Message().ContentType; got != "application/json" {
		t.Errorf("content type %q", got)
	}
	if a, b := list[0].Traceparent(), list[1].Traceparent(); a != "" || b != traceparent {
		t.Errorf("traceparents %q and %q", a, b)
	}
	ackAll(t, list)
	if _, err := nc.Request("gaussline.in."+Sender+".deeper", body, silence); err == nil {
		t.Error("a subject that is no sender's was taken")
	}
}

func publish(t *testing.T, nc *nats.Conn, msg *nats.Msg) {
	t.Helper()
	reply, err := nc.RequestMsg(msg, patience)
	if err != nil {
		t.Fatalf("publish: %v", err)
	}
	var ack struct {
		Stream string
		Error  any
	}
	if err := json.Unmarshal(reply.Data, &ack); err != nil || ack.Error != nil || ack.Stream == "" {
		t.Fatalf("publish: %s", fmt.Sprint(string(reply.Data), " ", err))
	}
}
