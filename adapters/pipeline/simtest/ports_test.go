package simtest

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
)

// crash is what a port panics with when the process that called it ends there.
type crash struct{ where string }

// Errors that the ports give when a seed says so.
var (
	errBusy  = errors.Join(pipeline.ErrBusy, errors.New("simulated"))
	errDown  = errors.Join(pipeline.ErrUnavailable, errors.New("simulated"))
	errAway  = errors.Join(pipeline.ErrRefused, errors.New("simulated"))
	errStuck = errors.New("simulated: this statement cannot be stored")
	errDone  = errors.New("simulated: the step is over")
)

// ackWait is how long a message that was handed out and not settled stays away.
const ackWait = 30 * time.Second

// store is the record on disk. Update is a transaction: all of it or nothing.
type store struct {
	*world
	disk  *model.Model
	later []pipeline.Outgoing // of the variant that queues after the commit
}

func (s *store) Update(ctx context.Context, f func(pipeline.Tx) error) error {
	s.interleave()
	if s.fault(s.busy) {
		s.say("store busy")
		return errBusy
	}
	s.later = nil
	work := s.disk.Clone()
	if s.broken.partialCommits {
		work = s.disk
	}
	crashAt := 0
	if s.fault(s.crashes) {
		crashAt = 1 + s.rng.IntN(12)
	}
	if err := f(&tx{Model: work, s: s, crashAt: &crashAt}); err != nil {
		return err
	}
	if crashAt > 0 { // the transaction was shorter: before or after the commit
		if s.rng.IntN(2) == 0 {
			s.crash("before the commit")
		}
		s.disk = work
		s.crash("after the commit")
	}
	s.disk = work
	later := s.later
	s.later = nil
	if len(later) > 0 && s.fault(s.crashes) {
		s.crash("after the commit, before the outbox")
	}
	for _, o := range later {
		_ = s.disk.Queue(ctx, o)
	}
	return nil
}

func (s *store) View(_ context.Context, f func(pipeline.Reader) error) error {
	return f(&view{Model: s.disk.Clone(), s: s})
}

// view is a consistent state, read only.
type view struct {
	*model.Model
	s *store
}

func (v *view) Waiting(ctx context.Context, now time.Time, limit int) (out []pipeline.Outgoing, err error) {
	out, err = v.Model.Waiting(ctx, now, limit)
	if v.s.broken.noOrder {
		out, err = v.Model.Outbox(ctx, pipeline.OutWaiting)
		out = slices.DeleteFunc(out, func(o pipeline.Outgoing) bool { return o.NextTry.After(now) })
	}
	if v.s.broken.sentBeforeDelivered {
		for _, o := range out {
			o.State = pipeline.OutSent
			_ = v.s.disk.Settle(ctx, o)
		}
	}
	return out, err
}

func (s *store) Check(context.Context) ([]string, error) { return nil, nil }
func (s *store) Close() error                            { return nil }

// tx is a transaction whose process may end at one of its writes.
type tx struct {
	*model.Model
	s       *store
	crashAt *int
}

func (t *tx) step() {
	if *t.crashAt > 0 {
		if *t.crashAt--; *t.crashAt == 0 {
			t.s.crash("within a transaction")
		}
	}
}

func (t *tx) SaveMessages(ctx context.Context, list []pipeline.Message) ([]bool, error) {
	for range list {
		t.step()
	}
	return t.Model.SaveMessages(ctx, list)
}

func (t *tx) SaveStatement(ctx context.Context, st pipeline.StoredStatement) error {
	t.step()
	if st.Referral != nil && st.Key == t.s.stuck {
		return errStuck
	}
	return t.Model.SaveStatement(ctx, st)
}

func (t *tx) SaveVerdict(ctx context.Context, v pipeline.StoredVerdict) error {
	t.step()
	return t.Model.SaveVerdict(ctx, v)
}

func (t *tx) Queue(ctx context.Context, o pipeline.Outgoing) error {
	t.step()
	switch {
	case t.s.broken.outboxOutsideTransaction:
		_ = t.s.disk.Queue(ctx, o)
	case t.s.broken.outboxAfterCommit:
		t.s.later = append(t.s.later, o)
		return nil
	}
	return t.Model.Queue(ctx, o)
}

// inbox is the stream. An entry stays until it is acknowledged.
type inbox struct {
	*world
	entries []*entry
	once    bool // the next Fetch gives a batch, the one after ends the step
	size    int  // of the batch
}

type entry struct {
	m        pipeline.Message
	attempts int
	from     time.Time // not handed out before
	acked    bool
}

func (b *inbox) Put(_ context.Context, m pipeline.Message) error {
	switch {
	case b.fault(b.busy):
		b.say("inbox refuses %s", b.name(m.ID))
		return errDown
	case b.fault(b.crashes / 2):
		b.crash("before keeping " + b.name(m.ID))
	}
	b.entries = append(b.entries, &entry{m: m})
	if b.fault(b.crashes / 2) {
		b.crash("after keeping " + b.name(m.ID) + ", before the answer")
	}
	if b.broken.forgetfulInbox && b.rng.IntN(20) == 0 { // acknowledged before it is synced, then the power goes
		b.entries = b.entries[:len(b.entries)-1]
	}
	return nil
}

// Fetch hands out some of what is due in any order, now and then something that is in hand already.
func (b *inbox) Fetch(_ context.Context, limit int, _ time.Duration) ([]pipeline.Delivery, error) {
	if !b.once {
		return nil, errDone
	}
	b.once = false
	var due []*entry
	for _, e := range b.entries {
		if !e.acked && (!e.from.After(b.now()) || b.fault(b.copies)) {
			due = append(due, e)
		}
	}
	b.rng.Shuffle(len(due), func(i, j int) { due[i], due[j] = due[j], due[i] })
	due = due[:min(len(due), limit, b.size)]
	var out []pipeline.Delivery
	for _, e := range due {
		e.attempts++
		e.from = b.now().Add(ackWait)
		out = append(out, &delivery{b: b, e: e, attempt: e.attempts})
		if b.broken.ackBeforeCommit {
			e.acked = true
		}
		if b.fault(b.copies / 4) {
			out = append(out, &delivery{b: b, e: e, attempt: e.attempts})
		}
	}
	if len(out) > 0 {
		b.say("fetched %d", len(out))
	}
	return out, nil
}

func (b *inbox) Backlog(context.Context) (n int64, err error) {
	for _, e := range b.entries {
		if !e.acked {
			n++
		}
	}
	return n, nil
}

type delivery struct {
	b       *inbox
	e       *entry
	attempt int
}

func (d *delivery) Message() pipeline.Message { return d.e.m }
func (d *delivery) Attempt() int              { return d.attempt }
func (d *delivery) Traceparent() string       { return "" }

func (d *delivery) Ack(context.Context) error {
	b := d.b
	switch {
	case b.fault(b.crashes):
		b.crash("before acknowledging " + b.name(d.e.m.ID))
	case b.fault(b.busy):
		b.say("acknowledgement of %s refused", b.name(d.e.m.ID))
		return errDown
	case b.fault(b.busy):
		b.say("acknowledgement of %s lost", b.name(d.e.m.ID))
		return nil
	}
	d.e.acked = true
	b.say("acknowledged %s", b.name(d.e.m.ID))
	return nil
}

func (d *delivery) Retry(_ context.Context, delay time.Duration) error {
	if d.b.fault(d.b.busy) {
		return errDown
	}
	d.e.from = d.b.now().Add(delay)
	d.b.say("%s handed back, attempt %d", d.b.name(d.e.m.ID), d.attempt)
	return nil
}

func (d *delivery) Working(context.Context) error { return nil }

// sink is radiology. It writes down what reached it, whether or not it gave a receipt.
type sink struct {
	*world
	got []pipeline.Outgoing
}

func (k *sink) Deliver(_ context.Context, o pipeline.Outgoing) error {
	k.interleave()
	if k.fault(k.slow) {
		k.forward(20 * time.Second)
	}
	switch {
	case k.fault(k.down):
		k.say("delivery of %d fails", o.Seq)
		return errDown
	case k.refuses && strings.HasPrefix(o.To, pipeline.SubjectReferral):
		return errAway
	case k.fault(k.crashes):
		k.crash("before a delivery")
	}
	k.got = append(k.got, o)
	k.say("delivered %d of %s", o.Seq, o.Order)
	switch {
	case k.fault(k.down):
		k.say("without a receipt")
		return errDown
	case k.fault(k.crashes):
		k.crash("after a delivery, before it is settled")
	}
	return nil
}

func (k *sink) has(id string) bool {
	return slices.ContainsFunc(k.got, func(o pipeline.Outgoing) bool { return o.ID == id })
}
