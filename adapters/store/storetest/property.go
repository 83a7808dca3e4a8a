package storetest

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/mapping/implant"
	_ "gaussline/testdata/seed"
)

// universe lists the keys that a test uses, so that everything about them can be asked.
type universe struct{ messages, patients, keys, referrals []string }

// dumped is all that a reader can say about a universe.
type dumped struct {
	Messages   map[string]pipeline.Message
	Statements []pipeline.StoredStatement
	Of         map[string][]pipeline.StoredStatement
	Clusters   map[string][]string
	Mentioning map[string][]string
	RecordOf   map[string]implant.Record
	Records    []implant.Record
	Verdict    map[string]pipeline.StoredVerdict
	Verdicts   []pipeline.StoredVerdict
	Rejects    []pipeline.Rejected
	Outbox     []pipeline.Outgoing
	Waiting    []pipeline.Outgoing
	Journal    []pipeline.Entry
	Newest     []pipeline.Entry
	Count      map[string]int64
}

func (b *bench) dump(u universe) (d dumped) {
	b.Helper()
	b.view(func(r pipeline.Reader) (err error) {
		d, err = dump(b.ctx, r, u)
		return err
	})
	return d
}

func dump(ctx context.Context, r pipeline.Reader, u universe) (dumped, error) {
	d := dumped{Messages: map[string]pipeline.Message{}, Of: map[string][]pipeline.StoredStatement{},
		Clusters: map[string][]string{}, Mentioning: map[string][]string{}, RecordOf: map[string]implant.Record{},
		Verdict: map[string]pipeline.StoredVerdict{}}
	var errs []error
	note := func(err error) bool {
		if err != nil && !errors.Is(err, pipeline.ErrNotFound) {
			errs = append(errs, err)
		}
		return err == nil
	}
	for _, id := range u.messages {
		if m, err := r.Message(ctx, id); note(err) {
			d.Messages[id] = m
		}
	}
	for _, p := range u.patients {
		var err error
		d.Of[p], err = r.OfPatients(ctx, []string{p})
		note(err)
		d.Clusters[p], _, err = r.Cluster(ctx, []string{p})
		note(err)
		if rec, err := r.Record(ctx, p); note(err) {
			d.RecordOf[p] = rec
		}
	}
	for _, k := range u.keys {
		got, err := r.Concerned(ctx, []string{k})
		note(err)
		d.Mentioning[k] = append([]string{}, got...)
	}
	for _, k := range u.referrals {
		if v, err := r.Verdict(ctx, k); note(err) {
			d.Verdict[k] = v
		}
	}
	var e [8]error
	d.Statements, e[0] = r.ByKey(ctx, u.keys)
	d.Verdicts, e[1] = r.Verdicts(ctx, "", "")
	d.Rejects, e[2] = r.Rejects(ctx, "")
	d.Outbox, e[3] = r.Outbox(ctx, "")
	d.Waiting, e[4] = r.Waiting(ctx, at(5), 3)
	d.Count, e[5] = r.Count(ctx)
	d.Journal, e[6] = r.Entries(ctx, "ack", "", 0, 100)
	d.Newest, e[7] = r.Newest(ctx, "ack")
	for _, list := range [][]pipeline.Entry{d.Journal, d.Newest} {
		for i := range list {
			list[i].Seq = 0
		}
	}
	for _, list := range [][]pipeline.Outgoing{d.Outbox, d.Waiting} {
		for i := range list {
			list[i].Seq = 0 // the store's own number; the order stands
		}
	}
	err := r.Records(ctx, "", func(rec implant.Record) error { d.Records = append(d.Records, rec); return nil })
	return d, errors.Join(append(append(errs, err), e[:]...)...)
}

var small = universe{
	messages:  []string{"m0", "m1", "m2"},
	patients:  []string{"p0", "p1", "p2", "p3", "id:s|1", "id:s|2"},
	keys:      []string{"k0", "k1", "k2", "p0", "p1"},
	referrals: []string{"r0", "r1"},
}

// op is one write, drawn once and done to the store and to the model.
type op func(context.Context, pipeline.Tx) error

func drawTime(t *rapid.T, name string) time.Time {
	n := rapid.IntRange(0, 9).Draw(t, name)
	if n == 0 {
		return time.Time{}
	}
	return at(n)
}

func drawStatement(t *rapid.T) pipeline.StoredStatement {
	pick := func(name string, from ...string) string { return rapid.SampledFrom(from).Draw(t, name) }
	s := pipeline.StoredStatement{MessageID: pick("message", small.messages...), Offset: 1, Length: 2, ReceivedAt: start}
	s.Key = pick("key", small.keys...)
	s.Patient = pick("patient", append([]string{""}, small.patients...)...)
	s.Version = implant.Version{ID: pick("version", "", "1", "2"), Hash: pick("hash", "h", "i"),
		LastUpdated: drawTime(t, "last updated"), MessageTime: drawTime(t, "message time")}
	s.Mentions = rapid.SliceOfN(rapid.SampledFrom(small.keys), 0, 3).Draw(t, "mentions")
	if rapid.Bool().Draw(t, "person") {
		s.Person = &implant.Person{}
		for _, v := range rapid.SliceOfN(rapid.SampledFrom([]string{"0", "1", "2", "000"}), 0, 2).Draw(t, "identifiers") {
			s.Person.Identifiers = append(s.Person.Identifiers, ident("s", v))
		}
		for _, l := range rapid.SliceOfN(rapid.SampledFrom(small.patients), 0, 1).Draw(t, "links") {
			s.Person.Links = append(s.Person.Links, implant.PatientLink{Other: l})
		}
	}
	return s
}

func drawRecord(t *rapid.T) implant.Record {
	rec := implant.Record{Patient: rapid.SampledFrom(small.patients).Draw(t, "record"), Statements: rapid.Int().Draw(t, "n"),
		Aliases: rapid.SliceOfNDistinct(rapid.SampledFrom(small.patients), 0, 3, rapid.ID).Draw(t, "aliases")}
	for i := range rapid.IntRange(0, 3).Draw(t, "parts") {
		rec.Parts = append(rec.Parts, part(fmt.Sprint(i)))
	}
	return rec
}

func drawOutgoing(t *rapid.T) pipeline.Outgoing {
	o := out(rapid.SampledFrom([]string{"o0", "o1", "o2", "o3", "o4"}).Draw(t, "outgoing"),
		rapid.SampledFrom(small.referrals).Draw(t, "order"), drawTime(t, "next try"))
	o.State = rapid.SampledFrom([]string{"waiting", "waiting", "sent", "dead"}).Draw(t, "state")
	return o
}

func drawOp(t *rapid.T) op {
	switch rapid.IntRange(0, 10).Draw(t, "op") {
	case 0:
		m, k := rapid.SampledFrom(small.messages).Draw(t, "message"), rapid.SampledFrom(append(small.keys, "")).Draw(t, "key")
		return func(ctx context.Context, tx pipeline.Tx) error { return tx.DropStatements(ctx, m, k) }
	case 1, 2, 3:
		s := drawStatement(t)
		return func(ctx context.Context, tx pipeline.Tx) error { return tx.SaveStatement(ctx, s) }
	case 4, 5:
		rec := drawRecord(t)
		return func(ctx context.Context, tx pipeline.Tx) error { return tx.SaveRecord(ctx, rec) }
	case 6:
		p := rapid.SampledFrom(small.patients).Draw(t, "patient")
		return func(ctx context.Context, tx pipeline.Tx) error { return tx.DropRecord(ctx, p) }
	case 7:
		v := pipeline.StoredVerdict{Referral: rapid.SampledFrom(small.referrals).Draw(t, "referral"), Decided: drawTime(t, "decided"),
			State: rapid.SampledFrom([]string{"in-force", "withdrawn"}).Draw(t, "state")}
		r := pipeline.Rejected{ID: v.Referral, RejectedAt: v.Decided, State: rapid.SampledFrom([]string{"open", "closed"}).Draw(t, "rejected")}
		return func(ctx context.Context, tx pipeline.Tx) error {
			return errors.Join(tx.SaveVerdict(ctx, v), tx.SaveRejected(ctx, r))
		}
	case 8:
		e := pipeline.Entry{Kind: rapid.SampledFrom([]string{"ack", "audit"}).Draw(t, "kind"), At: drawTime(t, "at"),
			Key: rapid.SampledFrom(append(small.keys, "")).Draw(t, "key"), Body: []byte{byte(rapid.IntRange(0, 9).Draw(t, "body"))}}
		return func(ctx context.Context, tx pipeline.Tx) error { _, err := tx.Append(ctx, e); return err }
	case 9:
		o := drawOutgoing(t)
		return func(ctx context.Context, tx pipeline.Tx) error { return tx.Queue(ctx, o) }
	}
	o := drawOutgoing(t)
	return func(ctx context.Context, tx pipeline.Tx) error { // settles what is there: queues it first
		return errors.Join(tx.Queue(ctx, o), tx.Settle(ctx, o))
	}
}

// testProperty: after any sequence of updates, some of them rolled back, the store says what the model says.
func testProperty(b *bench) {
	rapid.Check(b.T, func(t *rapid.T) {
		p := &bench{T: b.T, ctx: b.ctx, fresh: b.fresh}
		p.reopen(b.fresh(b.T))
		defer p.close()
		m := model.New()
		for _, id := range small.messages {
			p.saves(p.message(msg(id)))
			_, _ = m.SaveMessages(p.ctx, []pipeline.Message{msg(id)})
		}
		no := errors.New("rolled back")
		for range rapid.IntRange(1, 6).Draw(t, "updates") {
			ops := rapid.SliceOfN(rapid.Custom(drawOp), 1, 8).Draw(t, "ops")
			keep := rapid.IntRange(0, 4).Draw(t, "keep") > 0
			next := m.Clone()
			err := p.store.Update(p.ctx, func(tx pipeline.Tx) error {
				for _, o := range ops {
					if err := errors.Join(o(p.ctx, tx), o(p.ctx, next)); err != nil {
						return err
					}
				}
				got, err := dump(p.ctx, tx, small)
				compare(t, p.ctx, "inside", got, next)
				if err == nil && !keep {
					err = no
				}
				return err
			})
			switch {
			case err == nil:
				m = next
			case !errors.Is(err, no):
				t.Fatal(err)
			}
			compare(t, p.ctx, "after", p.dump(small), m)
		}
		if found, err := p.store.Check(p.ctx); err != nil || len(found) > 0 {
			t.Fatalf("check: %v, %v", found, err)
		}
	})
}

func compare(t *rapid.T, ctx context.Context, what string, got dumped, m *model.Model) {
	t.Helper()
	want, err := dump(ctx, m, small)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Fatalf("%s (-model +store):\n%s", what, d)
	}
}
