package faults

import (
	"flag"
	"fmt"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/pgtest"
)

var networkRounds = flag.Int("network", 1, "rounds of each fault of the network")

// together is how many nodes run at a time: they mostly wait.
const together = 6

// network is a fault of one wire.
type network struct {
	name   string
	wire   func(*node) *wire
	orders int // sent while it lasts
	hit    func(*node, *wire)
	// shown says whether the fault has had its effect, so that it may end; nil: all work must be done while it lasts.
	shown func(n *node, before state) bool
	wait  patience
}

// state is what was so before a fault.
type state struct {
	last                 uint64
	acked, refused, logs int
	moment               *moment
}

var (
	patient   = patience{publish: 20 * time.Second, statement: 30 * time.Second, delivery: 30 * time.Second}
	impatient = patience{publish: 400 * time.Millisecond, statement: time.Second, delivery: 300 * time.Millisecond}
)

func toBroker(n *node) *wire   { return n.broker }
func toDatabase(n *node) *wire { return n.database }
func toEndpoint(n *node) *wire { return n.endpoint }

// What a node says when it has noticed.
const (
	brokerLost   = "broker connection lost"
	notCommitted = "batch not committed"
)

func said(what string) func(*node, state) bool {
	return func(n *node, b state) bool { return n.logged(what) > b.logs }
}

// undelivered: a delivery to the endpoint has failed.
func undelivered(n *node, _ state) bool {
	for _, o := range n.outgoing() {
		if o.Sink == pipeline.SinkFHIR && o.LastErr != "" {
			return true
		}
	}
	return false
}

func cut(_ *node, w *wire) { w.cut() }

// swallowed: connections stay open, and what is sent never arrives.
func swallowed(_ *node, w *wire) {
	w.spoil("timeout", "upstream", `{"timeout":0}`)
	w.spoil("timeout", "downstream", `{"timeout":0}`)
}

// unanswered: what the node sends arrives; the first answer ends the connection and is lost.
func unanswered(_ *node, w *wire) { w.spoil("limit_data", "downstream", `{"bytes":0}`) }

func late(_ *node, w *wire) {
	w.spoil("latency", "upstream", `{"latency":50}`)
	w.spoil("latency", "downstream", `{"latency":50}`)
}

// narrow lets 10 kB a second through.
func narrow(_ *node, w *wire) {
	w.spoil("bandwidth", "upstream", `{"rate":10}`)
	w.spoil("bandwidth", "downstream", `{"rate":10}`)
}

// keptUnsaid: the inbox has kept more than was acknowledged.
func keptUnsaid(n *node, b state) bool {
	ids, refused := n.acknowledged()
	last, _ := n.last()
	return refused > b.refused && last-b.last > uint64(len(ids)-b.acked)
}

// momentPast: the transaction in which the wire was spoilt came back with an error.
func momentPast(_ *node, b state) bool { return b.moment.failed.Load() }

func networkFaults() []network {
	return []network{
		{"broker cut", toBroker, 8, cut, said(brokerLost), patient},
		{"broker keeps, its answer is lost", toBroker, 8, unanswered, keptUnsaid, patient},
		{"broker cut after commit, before ack", toBroker, 8, nil, momentPast, patient},
		{"broker 100 ms away", toBroker, 8, late, nil, patient},
		{"broker at 10 kB/s", toBroker, 4, narrow, nil, patient},
		{"broker swallows", toBroker, 8, swallowed, said(brokerLost), impatient},
		{"PostgreSQL cut", toDatabase, 8, cut, said(notCommitted), patient},
		{"PostgreSQL commits, its answer is lost", toDatabase, 8, nil, momentPast, patient},
		{"PostgreSQL settles, its answer is lost", toDatabase, 8, nil, momentPast, patient},
		{"PostgreSQL 100 ms away", toDatabase, 8, late, nil, patient},
		{"PostgreSQL at 10 kB/s", toDatabase, 2, narrow, nil, patient},
		{"PostgreSQL swallows", toDatabase, 8, swallowed, said(notCommitted), impatient},
		{"radiology cut", toEndpoint, 8, cut, undelivered, patient},
		{"radiology takes, its answer is lost", toEndpoint, 8, unanswered, undelivered, patient},
		{"radiology 100 ms away", toEndpoint, 8, late, nil, patient},
		{"radiology at 10 kB/s", toEndpoint, 4, narrow, nil, patient},
		{"radiology swallows", toEndpoint, 8, swallowed, undelivered, impatient},
	}
}

// at lays a fault on a moment of a transaction instead of on the clock.
func (f network) at(n *node) *moment {
	switch f.name {
	case "broker cut after commit, before ack":
		m := &moment{do: n.broker.cut}
		n.store.afterCommit.Store(m)
		return m
	case "PostgreSQL commits, its answer is lost", "PostgreSQL settles, its answer is lost":
		m := &moment{settles: f.name == "PostgreSQL settles, its answer is lost", do: func() { unanswered(n, n.database) }}
		n.store.beforeCommit.Store(m)
		return m
	}
	return nil
}

// Whatever becomes of the wires between a node and its broker, its database and a radiology endpoint: each acknowledged
// order has had its effects exactly once when all is well again, was delivered at least once, always under one id, and
// the store is in order. A node finds out by itself that nobody answers on a connection that looks open.
func TestNetwork(t *testing.T) {
	databases := pgtest.Start(t)
	var all errgroup.Group
	all.SetLimit(together)
	for _, f := range networkFaults() {
		all.Go(func() error { t.Run(f.name, func(t *testing.T) { f.run(t, databases) }); return nil })
	}
	_ = all.Wait()
}

func (f network) run(t *testing.T, databases string) {
	n := openNode(t, databases, f.wait)
	n.send(2)()
	eventually(t, "the first orders went through", n.drained)
	recovered := time.Duration(0)
	for range *networkRounds {
		recovered = max(recovered, f.round(t, n))
	}
	lost, doubled, copies := n.effects()
	if lost > 0 || doubled > 0 {
		t.Errorf("%d lost, %d doubled", lost, doubled)
	}
	ids, refused := n.acknowledged()
	note := fmt.Sprintf("%d orders, %d tries not acknowledged, %d delivered again under the same id", len(ids), refused, copies)
	when := recovered.Round(10 * time.Millisecond).String()
	if f.shown == nil {
		when = "worked on"
		note += fmt.Sprintf(", all done in %s", recovered.Round(10*time.Millisecond))
	}
	figure(line{"network: " + f.name, *networkRounds, lost, doubled, when, note})
}

// round brings the fault once and gives how long after its end all was done; of one that lasts, how long all took.
func (f network) round(t *testing.T, n *node) time.Duration {
	t.Helper()
	before := state{}
	before.last, _ = n.last()
	ids, refused := n.acknowledged()
	before.acked, before.refused = len(ids), refused
	before.logs = n.logged(brokerLost)
	if f.wire(n) == n.database {
		before.logs = n.logged(notCommitted)
	}
	w := f.wire(n)
	if before.moment = f.at(n); before.moment == nil {
		f.hit(n, w)
	}
	from := time.Now()
	sent := n.send(f.orders)
	if f.shown != nil {
		eventually(t, "the fault has had its effect", func() bool { return f.shown(n, before) })
		w.heal()
		from = time.Now()
	}
	sent()
	eventually(t, "all is done", n.drained)
	took := time.Since(from)
	if f.shown == nil {
		w.heal()
	}
	return took
}
