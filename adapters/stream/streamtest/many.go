package streamtest

import (
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
)

// ackMany acknowledges whole batches, but for some messages that are handed back or left, while more are put, canaries
// come between them and the broker is opened anew. A message is gone only when it was acknowledged.
func ackMany(t *testing.T, cfg stream.Config) {
	const total, most = 900, 150
	cfg.AckWait = 2 * time.Second // what is left comes back
	rng := rand.New(rand.NewPCG(1, 2))
	b := Open(t, cfg)
	put, acked := 0, map[string]bool{}
	more := func(n int) {
		var wait sync.WaitGroup
		for ; n > 0 && put < total; n, put = n-1, put+1 {
			m := message(put)
			wait.Go(func() {
				if err := b.Inbox().Put(t.Context(), m); err != nil {
					t.Error(err)
				}
			})
		}
		wait.Wait()
	}
	more(3 * most)
	handedOut := time.Now()
	left := func() int64 { // also what the closing broker did not take the acknowledgement of: it comes as a copy
		n, err := b.Inbox().Backlog(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	for step := 0; len(acked) < total || left() > 0; step++ {
		list, err := b.Inbox().Fetch(t.Context(), most, 100*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) > 0 {
			handedOut = time.Now()
		} else if time.Since(handedOut) > patience && put == total {
			t.Fatalf("%d of %d messages came out, %d are left", len(acked), total, left())
		}
		settle(t, b, rng, list, acked)
		more(rng.IntN(2 * most))
		switch step {
		case 2:
			if err := b.Ready(t.Context()); err != nil { // a number between the others that no message has
				t.Fatal(err)
			}
		case 4:
			shut(t, b)
			b = Open(t, cfg)
		}
	}
	nothing(t, b)
}

// settle acknowledges all but a few of a batch: these are handed back, or left to come back by themselves.
func settle(t *testing.T, b *stream.Broker, rng *rand.Rand, list []pipeline.Delivery, acked map[string]bool) {
	t.Helper()
	var done []pipeline.Delivery
	for _, d := range list {
		switch rng.IntN(150) {
		case 0:
			if err := d.Retry(t.Context(), 50*time.Millisecond); err != nil {
				t.Fatal(err)
			}
		case 1: // left
		default:
			done = append(done, d)
		}
	}
	rng.Shuffle(len(done), func(i, j int) { done[i], done[j] = done[j], done[i] })
	if err := b.Inbox().(pipeline.ManyAcker).AckAll(t.Context(), done); err != nil {
		t.Fatal(err)
	}
	for _, d := range done {
		acked[d.Message().ID] = true
	}
}
