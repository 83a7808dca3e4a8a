package simtest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/mapping/mri"
	"gaussline/testdata/scenario"
)

// broken are ways of building the protocol that lose or double something. Each must be caught.
type broken struct {
	ackBeforeCommit          bool // the broker forgets what it hands out
	forgetfulInbox           bool // the sender is answered before its message is synced
	outboxOutsideTransaction bool // what must be sent is queued though the transaction fails
	outboxAfterCommit        bool // what must be sent is queued after the transaction
	sentBeforeDelivered      bool // the outbox is marked before the sink has it
	noOrder                  bool // messages of one referral overtake each other
	partialCommits           bool // a transaction that fails leaves its first writes behind
}

// world is one run: the dice, the clock, the ports, and the nodes that share them.
type world struct {
	rng   *rand.Rand
	clock time.Time
	trace func(string)

	busy, crashes, copies, down, slow int // of 1000
	refuses                           bool
	stuck                             string // key of a referral that cannot be stored
	broken                            broken

	inbox  *inbox
	store  *store
	sink   *sink
	nodes  []*pipeline.Service
	names  map[string]string // of messages, by id
	depth  int               // of steps within steps
	paused bool              // no faults
	died   int
}

var start = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

func newWorld(seed uint64, b broken, k pipeline.Knowledge) *world {
	w := &world{rng: rand.New(rand.NewPCG(seed, 7)), clock: start, broken: b, names: map[string]string{}, trace: func(string) {}}
	w.busy, w.crashes, w.copies = w.rng.IntN(120), w.rng.IntN(120), w.rng.IntN(200)
	w.down, w.slow = w.rng.IntN(400), w.rng.IntN(200)
	w.refuses = w.rng.IntN(8) == 0
	w.inbox, w.store, w.sink = &inbox{world: w}, &store{world: w, disk: model.New()}, &sink{world: w}
	for range 1 + w.rng.IntN(2) {
		w.nodes = append(w.nodes, w.node(k))
	}
	return w
}

// node is a process, freshly started.
func (w *world) node(k pipeline.Knowledge) *pipeline.Service {
	return pipeline.New(pipeline.Service{
		Inbox: w.inbox, Store: w.store, Sinks: map[string]pipeline.Sink{pipeline.SinkNATS: w.sink, pipeline.SinkFHIR: w.sink},
		Reader: pipeline.MessageReader{Limits: fhirjson.DefaultLimits(), Now: w.now},
		Sites:  []pipeline.Site{{Name: "north", Match: []string{"north"}, FHIR: true}, {Name: "harbour", Match: []string{"harbour"}}},
		Log:    zap.NewNop(), Now: w.now, Knowledge: func() pipeline.Knowledge { return k },
		Limits: pipeline.WorkLimits{Decoders: 1, MaxAttempts: 5, RetryDelay: 2 * time.Second},
	})
}

func (w *world) now() time.Time          { return w.clock }
func (w *world) forward(d time.Duration) { w.clock = w.clock.Add(d) }
func (w *world) fault(of1000 int) bool   { return !w.paused && w.rng.IntN(1000) < of1000 }
func (w *world) name(id string) string   { return w.names[id] }

func (w *world) say(format string, args ...any) {
	w.trace(w.clock.Format("02 15:04:05 ") + fmt.Sprintf(format, args...))
}

func (w *world) crash(where string) {
	w.say("CRASH %s", where)
	w.died++
	panic(crash{where})
}

// interleave lets another node do a step in the middle of this one's.
func (w *world) interleave() {
	if w.paused || w.depth > 0 || len(w.nodes) < 2 || w.rng.IntN(6) > 0 {
		return
	}
	w.depth++
	defer func() { w.depth-- }()
	w.say("(meanwhile, elsewhere")
	w.work()
	w.say(")")
}

// survive runs a step of a process that may end in it.
func (w *world) survive(f func()) {
	depth := w.depth
	defer func() {
		if p := recover(); p != nil {
			if _, ours := p.(crash); !ours {
				panic(p)
			}
			w.depth = depth
		}
	}()
	f()
}

// work is one step of one node: a batch of the inbox, or a round of the outbox.
func (w *world) work() {
	n := w.nodes[w.rng.IntN(len(w.nodes))]
	w.survive(func() {
		if w.rng.IntN(2) == 0 {
			w.inbox.once, w.inbox.size = true, 1+w.rng.IntN(6)
			if err := n.Drain(context.Background(), func(int) {}); err != nil && !errors.Is(err, errDone) {
				w.say("worker: %v", err)
			}
			return
		}
		if _, err := n.RelayOnce(context.Background()); err != nil {
			w.say("relay: %v", err)
		}
	})
}

// put sends a message to the inbox and says whether it was acknowledged.
func (w *world) put(m message) (acknowledged bool) {
	w.survive(func() {
		r := pipeline.Receiver{Inbox: w.inbox, Limits: fhirjson.DefaultLimits(), Now: w.now}
		w.names[pipeline.MessageID(sender, m.body)] = m.name
		_, _, err := r.Receive(context.Background(), sender, "", m.body)
		acknowledged = err == nil
		if acknowledged {
			w.say("sender: %s is kept", m.name)
		}
	})
	return acknowledged
}

func knowledge(t testing.TB) pipeline.Knowledge {
	t.Helper()
	label, err := mri.ParseLabelling(scenario.Labelling)
	if err != nil {
		t.Fatal(err)
	}
	scanners, err := mri.ParseScanners(scenario.Scanners)
	if err != nil {
		t.Fatal(err)
	}
	return pipeline.Knowledge{Labels: []mri.Labelling{label}, Scanners: scanners}
}
