package simtest

import (
	"flag"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
)

var (
	seedFlag  = flag.Uint64("sim.seed", 0, "run this seed alone, with its trace under -v")
	seedsFlag = flag.Uint64("sim.seeds", 1000, "how many seeds the check runs")
)

func TestSimulation(t *testing.T) {
	k := knowledge(t)
	if *seedFlag != 0 {
		if _, err := run(*seedFlag, broken{}, k, func(line string) { t.Log(line) }); err != nil {
			t.Fatal(err)
		}
		return
	}
	begun := time.Now()
	var sum tally
	var mu sync.Mutex
	var wg sync.WaitGroup
	var next atomic.Uint64
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for seed := next.Add(1); seed <= *seedsFlag && !t.Failed(); seed = next.Add(1) {
				w, err := run(seed, broken{}, k, nil)
				mu.Lock()
				if err != nil {
					t.Errorf("seed %d: %v\nrun it again with -sim.seed=%d -v", seed, err, seed)
				}
				sum.add(w)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	t.Logf("%d seeds in %s: %+v; lost 0, doubled 0 unless said above", *seedsFlag, time.Since(begun).Round(time.Millisecond), sum)
	if *seedsFlag >= 200 && (sum.crashes < sum.messages/100 || sum.deliveries <= sum.queued || sum.rejects == 0 || sum.dead == 0) {
		t.Error("the seeds do not disturb enough to show anything")
	}
}

// tally sums up what happened in the runs.
type tally struct{ messages, handedOut, crashes, queued, deliveries, rejects, dead int }

func (s *tally) add(w *world) {
	s.messages += len(w.names)
	s.crashes += w.died
	s.queued += len(w.store.disk.Queued)
	s.deliveries += len(w.sink.got)
	s.rejects += len(w.store.disk.Refused)
	for _, e := range w.inbox.entries {
		s.handedOut += e.attempts
	}
	for _, o := range w.store.disk.Queued {
		if o.State == pipeline.OutDead {
			s.dead++
		}
	}
}

// The same seed plays the same run, line by line.
func TestSeedIsReplayable(t *testing.T) {
	k := knowledge(t)
	for seed := uint64(1); seed <= 20; seed++ {
		var a, b string
		_, _ = run(seed, broken{}, k, func(l string) { a += l + "\n" })
		_, _ = run(seed, broken{}, k, func(l string) { b += l + "\n" })
		if a != b || len(a) < 200 {
			t.Fatalf("seed %d plays differently, or not at all", seed)
		}
	}
}

// Every protocol that is built wrong is caught within a few hundred seeds, by the invariant that names what it does.
func TestBrokenProtocolsAreCaught(t *testing.T) {
	k := knowledge(t)
	for name, c := range map[string]struct {
		b    broken
		want string
	}{
		"acknowledged before the commit":        {broken{ackBeforeCommit: true}, "I2"},
		"answered before the sync":              {broken{forgetfulInbox: true}, "I1"},
		"outbox outside the transaction":        {broken{outboxOutsideTransaction: true}, "I4"},
		"outbox after the commit":               {broken{outboxAfterCommit: true}, "I4"},
		"marked as sent before it is delivered": {broken{sentBeforeDelivered: true}, "I5"},
		"no order within a referral":            {broken{noOrder: true}, "I8"},
		"transactions kept by halves":           {broken{partialCommits: true}, "I"},
	} {
		caught := func() string {
			for seed := uint64(1); seed <= 500; seed++ {
				if _, err := run(seed, c.b, k, nil); err != nil {
					return fmt.Sprintf("seed %d: %.100s", seed, err)
				}
			}
			return ""
		}()
		t.Logf("%s: %s", name, caught)
		if caught == "" || !strings.Contains(caught, ": "+c.want) {
			t.Errorf("%s: caught %q, want %s", name, caught, c.want)
		}
	}
}

var _ pipeline.Store = (*store)(nil)
