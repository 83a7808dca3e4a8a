package simtest

import (
	"context"
	"fmt"
	"time"

	"gaussline/adapters/pipeline"
)

// steps of the stormy part of a run, at most.
const maxSteps = 120

// run plays one seed: a storm of faults, then a calm in which everything must come to rest, then a look at all of it.
// It gives the first invariant that does not hold.
func run(seed uint64, b broken, k pipeline.Knowledge, trace func(string)) (w *world, failed error) {
	w = newWorld(seed, b, k)
	if trace != nil {
		w.trace = trace
	}
	ms := messages(w.rng)
	if w.rng.IntN(4) == 0 {
		w.stuck = sender + "|ServiceRequest/o0"
	}
	acked := map[string]bool{}
	for range 40 + w.rng.IntN(maxSteps-40) {
		w.storm(ms, acked, k)
		if err := w.always(acked); err != nil {
			return w, err
		}
	}
	if err := w.calm(ms, acked); err != nil {
		return w, err
	}
	if err := w.always(acked); err != nil {
		return w, err
	}
	return w, w.finally(ms, k)
}

// storm is one step with faults.
func (w *world) storm(ms []message, acked map[string]bool, k pipeline.Knowledge) {
	switch w.rng.IntN(8) {
	case 0, 1:
		m := ms[w.rng.IntN(len(ms))] // one that was acknowledged may come again
		if w.put(m) {
			acked[pipeline.MessageID(sender, m.body)] = true
		}
	case 2:
		d := time.Duration(w.rng.IntN(90)) * time.Second
		switch w.rng.IntN(10) {
		case 0:
			d = -time.Duration(w.rng.IntN(3600)) * time.Second
		case 1:
			d *= 60
		}
		w.forward(d)
		w.say("the clock moves by %s", d)
	case 3:
		if w.rng.IntN(6) == 0 {
			w.nodes[w.rng.IntN(len(w.nodes))] = w.node(k)
		}
		w.survive(func() {
			if w.rng.IntN(6) == 0 {
				_ = w.nodes[0].Redecide(context.Background())
			}
		})
	default:
		w.work()
	}
}

// calm ends all faults, lets senders send what is not acknowledged, mends what kept a message from being stored, and
// works until nothing is left to do.
func (w *world) calm(ms []message, acked map[string]bool) error {
	w.say("calm")
	w.paused, w.broken.ackBeforeCommit = true, false
	w.clock = start.Add(30 * 24 * time.Hour)
	for _, m := range ms {
		if id := pipeline.MessageID(sender, m.body); !acked[id] {
			acked[id] = w.put(m)
		}
	}
	n := w.nodes[0]
	settle := func() error {
		for range 400 {
			w.forward(15 * time.Minute)
			w.inbox.once, w.inbox.size = true, 10
			_ = n.Drain(context.Background(), func(int) {})
			_, _ = n.RelayOnce(context.Background())
			left, _ := w.inbox.Backlog(context.Background())
			if waiting, _ := w.store.disk.Outbox(context.Background(), pipeline.OutWaiting); left == 0 && len(waiting) == 0 {
				return nil
			}
		}
		return fmt.Errorf("does not come to rest: a message or a delivery is tried for ever")
	}
	if err := settle(); err != nil {
		return err
	}
	w.stuck = ""
	unreadable := map[string]bool{}
	for _, m := range ms {
		unreadable[pipeline.MessageID(sender, m.body)] = m.broken
	}
	open, _ := w.store.disk.Rejects(context.Background(), pipeline.RejectOpen)
	for _, r := range open {
		if unreadable[r.MessageID] {
			continue
		}
		w.say("replay of %s", w.name(r.MessageID))
		if still, err := n.Replay(context.Background(), r.ID); err != nil || still {
			return fmt.Errorf("replay of %s: still open %v, %v", w.name(r.MessageID), still, err)
		}
	}
	if err := n.Redecide(context.Background()); err != nil {
		return err
	}
	return settle()
}
