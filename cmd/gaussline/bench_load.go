package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"gaussline/adapters/pipeline"
)

// loadOptions say what "bench --only load" loads, and where.
type loadOptions struct {
	messages int
	store    string // sqlite or postgres
	urlFile  string // of an empty database
	nodes    int
}

const (
	loadRound  = 10_000 // messages that wait in the broker at once: disk stays bounded
	loadSample = 2_000  // messages by which each stage is measured alone
	loadFirst  = 6_000_000
)

func (o loadOptions) check() error {
	switch {
	case o.store != "sqlite" && o.store != "postgres":
		return usageError{fmt.Sprintf("--store %q is neither sqlite nor postgres", o.store)}
	case (o.store == "postgres") != (o.urlFile != ""):
		return usageError{"--url-file names the file with the URL of an empty database, with --store postgres and only there"}
	case o.messages < 1 || o.nodes < 1:
		return usageError{"--messages and --nodes must be 1 or more"}
	case o.nodes > 1 && o.store != "postgres":
		return usageError{"--nodes: only PostgreSQL is shared by several"}
	}
	return nil
}

// mixed makes n messages of history with numbers from first: three referrals, then a Bundle of an implantation.
func mixed(first, n int) [][]byte {
	out := make([][]byte, n)
	for i := range out {
		if (first+i)%4 == 3 {
			out[i] = bundle(first + i)
		} else {
			out[i] = referrals(first+i, 1)[0]
		}
	}
	return out
}

// load brings history in, round by round: first every message of a round is received and synced, then the nodes work it
// off. The stages are measured alone beforehand, in the same process and on the same store; the ratio is to the slowest of
// them. The nodes are in this process: they share its broker and its cores, and have their own connections.
func (b *measure) load(ctx context.Context, opt loadOptions) (err error) {
	first, done, err := b.openWith(ctx, func(c *config) { c.Store.URLFile = opt.urlFile })
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, done()) }()
	if n, err := first.count(ctx, "messages"); err != nil || n != 0 {
		return errors.Join(err, hinted{fmt.Errorf("%d messages are in the store", n), "the load needs an empty database of its own"})
	}
	nodes, closeNodes, err := moreNodes(ctx, first, opt.nodes)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeNodes()) }()
	sample := min(loadSample, opt.messages)
	decode, _ := b.decodeOnly(first, mixed(loadFirst, sample))
	commit, err := commitOnly(ctx, first, mixed(loadFirst, sample))
	if err != nil {
		return err
	}
	l := loading{first: first, nodes: nodes}
	for sent := sample; sent < opt.messages; sent += loadRound {
		if err := l.round(ctx, mixed(loadFirst+sent, min(loadRound, opt.messages-sent))); err != nil {
			return err
		}
	}
	kept, err := first.count(ctx, "messages")
	if err != nil || kept != int64(opt.messages) {
		return errors.Join(err, fmt.Errorf("%d of %d messages kept", kept, opt.messages))
	}
	b.printLoad(opt, &l, decode, commit)
	return nil
}

func (b *measure) printLoad(opt loadOptions, l *loading, decode, commit float64) {
	out := b.p.out
	fmt.Fprintf(out, "load of %d mixed messages (three orders of 1.6 kB to one Bundle of 10 kB) into %s, %d node(s):\n", opt.messages, opt.store, opt.nodes)
	if l.messages == 0 {
		fmt.Fprintf(out, "  nothing beyond the sample of %d\n", loadSample)
		return
	}
	sync := float64(l.messages) / l.receiving.Seconds()
	work := float64(l.messages) / l.working.Seconds()
	slowest := min(decode, sync, commit)
	fmt.Fprintf(out, "  each stage alone: decode %.0f msg/s on %d cores, receive and sync %.0f, commit %.0f\n", decode, b.decoders, sync, commit)
	fmt.Fprintf(out, "  from the broker to committed records: %.0f msg/s, %.2f of the slowest stage alone (aim: at least 0.75); first round %.0f, last %.0f\n",
		work, work/slowest, l.firstRate, l.lastRate)
	fmt.Fprintf(out, "  receiving included: %.0f msg/s; processor time %.3f ms a message; %.0f MB resident after, %.0f MB at most\n",
		float64(l.messages)/(l.receiving+l.working).Seconds(), ms(l.cpu)/float64(l.messages), residentMB(), peakMB())
}

// loading counts what the rounds took.
type loading struct {
	first               *app
	nodes               []*app
	messages            int
	receiving, working  time.Duration
	cpu                 time.Duration // while working
	firstRate, lastRate float64
}

func (l *loading) round(ctx context.Context, bodies [][]byte) error {
	rate, err := put(ctx, l.first, 64, bodies)
	if err != nil {
		return err
	}
	n := float64(len(bodies))
	l.receiving += time.Duration(n / rate * float64(time.Second))
	work, stop := context.WithCancel(ctx)
	defer stop()
	var wg sync.WaitGroup
	errs := make([]error, len(l.nodes))
	start, startCPU := time.Now(), cpuTime()
	for i, node := range l.nodes {
		wg.Go(func() { errs[i] = node.service.Run(work) })
	}
	err = l.first.untilEmpty(ctx)
	took := time.Since(start)
	l.cpu += cpuTime() - startCPU
	stop()
	wg.Wait()
	l.messages += len(bodies)
	l.working += took
	l.lastRate = n / took.Seconds()
	if l.firstRate == 0 {
		l.firstRate = l.lastRate
	}
	return errors.Join(append(errs, err)...)
}

// moreNodes opens n-1 further nodes on the store and broker of the first.
func moreNodes(ctx context.Context, first *app, n int) (nodes []*app, done func() error, err error) {
	nodes = []*app{first}
	done = func() error {
		var errs []error
		for _, a := range nodes[1:] {
			errs = append(errs, a.store.Close())
		}
		return errors.Join(errs...)
	}
	for range n - 1 {
		a, err := openApp(ctx, first.cfg, first.log, first.now, false)
		if err != nil {
			return nil, nil, errors.Join(err, done())
		}
		a.broker = first.broker
		nodes = append(nodes, a)
		if err := a.plug(); err != nil {
			return nil, nil, errors.Join(err, done())
		}
	}
	return nodes, done, nil
}

// commitOnly is the bare cost of keeping: messages that have been read already are committed by one writer, in
// transactions as large as the worker's.
func commitOnly(ctx context.Context, a *app, bodies [][]byte) (rate float64, err error) {
	read := make([]pipeline.Reading, len(bodies))
	for i, body := range bodies {
		m := pipeline.Message{ID: pipeline.MessageID("hillside", body), Sender: "hillside", Body: body, ReceivedAt: a.now()}
		read[i] = a.service.Reader.Read(m)
	}
	runtime.GC() // what reading left behind is not of the commit
	start := time.Now()
	for batch := a.cfg.Limits.Batch; len(read) > 0; read = read[min(batch, len(read)):] {
		if err := a.service.Commit(ctx, read[:min(batch, len(read))]); err != nil {
			return 0, err
		}
	}
	return float64(len(bodies)) / time.Since(start).Seconds(), nil
}
