package storetest

import (
	"errors"
	"fmt"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/adapters/store"
	"gaussline/mapping/implant"
)

// found gives the key of the record that a patient key belongs to, "" for none.
func (b *bench) found(patient string) string {
	b.Helper()
	var out string
	b.view(func(r pipeline.Reader) error {
		rec, err := r.Record(b.ctx, patient)
		if errors.Is(err, pipeline.ErrNotFound) {
			return nil
		}
		out = rec.Patient
		return err
	})
	return out
}

func (b *bench) finds(want map[string]string) {
	b.Helper()
	for alias, patient := range want {
		if got := b.found(alias); got != patient {
			b.Errorf("record of %q: %q, want %q", alias, got, patient)
		}
	}
}

func part(id string) implant.Part {
	return implant.Part{ID: id, State: implant.Connected, Component: implant.Component{Kind: implant.Lead, Serial: "S-" + id}}
}

func testAliases(b *bench) {
	rec := func(patient string, parts int, aliases ...string) implant.Record {
		r := implant.Record{Patient: patient, Aliases: aliases}
		for i := range parts {
			r.Parts = append(r.Parts, part(fmt.Sprint("part", i)))
		}
		return r
	}
	b.saves(b.record(rec("a", 1, "a", "x")), b.record(rec("b", 2, "b")), b.record(rec("c", 3)))
	b.finds(map[string]string{"a": "a", "x": "a", "b": "b", "c": "c"})

	// b turns out to be a: the record under b goes, with its parts.
	b.saves(b.record(rec("a", 1, "a", "b", "x")))
	b.finds(map[string]string{"a": "a", "x": "a", "b": "a", "c": "c"})
	b.same("records", b.count()["records"], int64(2))
	b.same("parts", b.count()["parts"], int64(4))

	// They are taken apart again: an alias moves to its new record and the old record stays until it is saved.
	b.saves(b.record(rec("b", 1, "b", "x")))
	b.finds(map[string]string{"a": "a", "b": "b", "x": "b"})
	b.saves(b.record(rec("a", 0, "a")))
	b.finds(map[string]string{"a": "a", "b": "b", "x": "b", "c": "c"})

	// Saved again with less: nothing of the old stays.
	b.saves(b.record(rec("b", 0, "b")))
	b.finds(map[string]string{"b": "b", "x": ""})
	b.same("parts left", b.count()["parts"], int64(3))
}

func testDropRecord(b *bench) {
	b.saves(b.record(implant.Record{Patient: "a", Aliases: []string{"a", "x"}, Parts: []implant.Part{part("1")}}))
	drop := func(key string) {
		b.saves(func(tx pipeline.Tx) error { return tx.DropRecord(b.ctx, key) })
	}
	drop("x") // an alias is not a record's key
	b.finds(map[string]string{"a": "a", "x": "a"})
	drop("a")
	b.finds(map[string]string{"a": "", "x": ""})
	b.same("count", b.count(), model.NoCount())
}

func testRecordPages(b *bench) {
	const n = store.PageRows*2 + 3
	key := func(i int) string { return fmt.Sprintf("p%05d", i) }
	b.update(func(tx pipeline.Tx) error {
		for i := range n {
			if err := tx.SaveRecord(b.ctx, implant.Record{Patient: key(i), Statements: i}); err != nil {
				return err
			}
		}
		return nil
	})
	b.update(func(tx pipeline.Tx) error {
		i := 0
		err := tx.Records(b.ctx, "", func(rec implant.Record) error {
			if rec.Patient != key(i) || rec.Statements != i {
				b.Errorf("record %d is %s", i, rec.Patient)
			}
			i++
			// Reading and writing inside the walk is allowed.
			if _, err := tx.Record(b.ctx, rec.Patient); err != nil {
				return err
			}
			rec.Statements++
			return tx.SaveRecord(b.ctx, rec)
		})
		b.same("walked", i, n)
		return err
	})
	stop := errors.New("enough")
	b.view(func(r pipeline.Reader) error {
		var got []string
		err := r.Records(b.ctx, key(n-3), func(rec implant.Record) error {
			got = append(got, fmt.Sprint(rec.Patient, " ", rec.Statements))
			return nil
		})
		b.same("after a key", got, []string{fmt.Sprint(key(n-2), " ", n-1), fmt.Sprint(key(n-1), " ", n)})
		if err := r.Records(b.ctx, "", func(implant.Record) error { return stop }); !errors.Is(err, stop) {
			b.Errorf("stopped walk: %v", err)
		}
		return err
	})
}

func testVerdictLists(b *bench) {
	v := func(referral, site, state string) pipeline.StoredVerdict {
		return pipeline.StoredVerdict{Referral: referral, Site: site, State: state, Decided: start}
	}
	b.saves(func(tx pipeline.Tx) error {
		return errors.Join(tx.SaveVerdict(b.ctx, v("r3", "east", "in-force")), tx.SaveVerdict(b.ctx, v("r1", "east", "withdrawn")),
			tx.SaveVerdict(b.ctx, v("r2", "west", "in-force")))
	})
	for _, c := range []struct {
		site, state string
		want        []string
	}{
		{"", "", []string{"r1", "r2", "r3"}}, {"east", "", []string{"r1", "r3"}}, {"", "in-force", []string{"r2", "r3"}},
		{"east", "in-force", []string{"r3"}}, {"north", "", nil},
	} {
		b.keys("site "+c.site+" state "+c.state, func(r pipeline.Reader) (got []string, err error) {
			list, err := r.Verdicts(b.ctx, c.site, c.state)
			for _, v := range list {
				got = append(got, v.Referral)
			}
			return got, err
		}, c.want...)
	}
}

func out(id, order string, next time.Time) pipeline.Outgoing {
	return pipeline.Outgoing{ID: id, Order: order, Sink: "nats", To: "radiology." + id, Body: []byte(id), Queued: start,
		NextTry: next, State: "waiting"}
}

func (b *bench) ids(f func(pipeline.Reader) ([]pipeline.Outgoing, error)) (ids []string) {
	b.Helper()
	b.view(func(r pipeline.Reader) error {
		list, err := f(r)
		last := int64(0)
		for _, o := range list {
			if o.Seq <= last {
				b.Errorf("sequence %d after %d", o.Seq, last)
			}
			last = o.Seq
			ids = append(ids, o.ID)
		}
		return err
	})
	return ids
}

func (b *bench) waiting(seconds, limit int) []string {
	b.Helper()
	return b.ids(func(r pipeline.Reader) ([]pipeline.Outgoing, error) { return r.Waiting(b.ctx, at(seconds), limit) })
}

func (b *bench) settle(id, state string, next time.Time) {
	b.Helper()
	b.saves(func(tx pipeline.Tx) error {
		return tx.Settle(b.ctx, pipeline.Outgoing{ID: id, State: state, Attempts: 1, NextTry: next, LastErr: "refused"})
	})
}

func testQueue(b *bench) {
	b.saves(b.queue(out("1", "r", start)), b.queue(out("2", "r", start)))
	changed := out("1", "other", at(9))
	b.saves(b.queue(changed), b.queue(out("3", "s", start)))
	b.settle("2", "sent", at(5))
	b.saves(b.queue(out("2", "r", start))) // already sent: it must not wait again
	b.view(func(r pipeline.Reader) error {
		got, err := r.Outbox(b.ctx, "")
		for i := range got {
			got[i].Seq = 0 // compared by order only
		}
		two := out("2", "r", at(5))
		two.State, two.Attempts, two.LastErr = "sent", 1, "refused"
		b.same("outbox", got, []pipeline.Outgoing{out("1", "r", start), two, out("3", "s", start)})
		return err
	})
	b.same("sent", b.ids(func(r pipeline.Reader) ([]pipeline.Outgoing, error) { return r.Outbox(b.ctx, "sent") }), []string{"2"})
}

func testWaiting(b *bench) {
	b.saves(b.queue(out("a1", "a", at(10))), b.queue(out("b1", "b", time.Time{})), b.queue(out("a2", "a", time.Time{})),
		b.queue(out("c1", "c", at(5))), b.queue(out("b2", "b", at(0))), b.queue(out("d1", "d", at(0))))
	b.same("due at 0: a2 waits behind a1", b.waiting(0, 10), []string{"b1", "d1"})
	b.same("due at 5", b.waiting(5, 10), []string{"b1", "c1", "d1"})
	b.same("due at 10", b.waiting(10, 10), []string{"a1", "b1", "c1", "d1"})
	b.same("limit", b.waiting(10, 2), []string{"a1", "b1"})
	b.same("limit 0", b.waiting(10, 0), []string(nil))

	b.settle("b1", "sent", time.Time{})
	b.same("the next of an order", b.waiting(0, 10), []string{"b2", "d1"})
	b.settle("b2", "waiting", at(7))
	b.same("tried again later", b.waiting(6, 10), []string{"c1", "d1"})
	b.same("and then", b.waiting(7, 10), []string{"c1", "b2", "d1"})
	b.settle("a1", "dead", time.Time{})
	b.same("a dead one holds up nobody", b.waiting(0, 10), []string{"a2", "d1"})
	b.settle("a1", "waiting", time.Time{}) // a person has it tried again: it goes first
	b.same("revived", b.waiting(0, 10), []string{"a1", "d1"})
}

func testSettle(b *bench) {
	o := out("1", "r", start)
	b.saves(b.queue(o))
	o.State, o.Attempts, o.NextTry, o.LastErr = "dead", 12, at(60).Add(time.Microsecond), "timeout"
	other := o
	other.Order, other.Sink, other.To, other.Body, other.Queued = "x", "x", "x", []byte("x"), at(1) // not written
	b.saves(func(tx pipeline.Tx) error { return tx.Settle(b.ctx, other) })
	b.view(func(r pipeline.Reader) error {
		got, err := r.Outbox(b.ctx, "dead")
		for i := range got {
			got[i].Seq = 0
		}
		b.same("settled", got, []pipeline.Outgoing{o})
		return err
	})
}

func testCount(b *bench) {
	b.same("empty", b.count(), model.NoCount())
	b.saves(b.message(msg("m")), b.message(msg("m2")), b.statement(stmt("k", "p", "d")),
		b.record(implant.Record{Patient: "p", Parts: []implant.Part{part("1"), part("2")}}),
		b.queue(out("1", "r", start)), b.queue(out("2", "r", start)), b.queue(out("3", "r", start)),
		func(tx pipeline.Tx) error {
			return errors.Join(
				tx.SaveRejected(b.ctx, pipeline.Rejected{ID: "1", State: "open"}),
				tx.SaveRejected(b.ctx, pipeline.Rejected{ID: "2", State: "closed"}),
				tx.SaveVerdict(b.ctx, pipeline.StoredVerdict{Referral: "1", State: "in-force"}),
				tx.SaveVerdict(b.ctx, pipeline.StoredVerdict{Referral: "2", State: "withdrawn"}))
		})
	b.settle("2", "dead", start)
	b.settle("3", "sent", start)
	b.same("count", b.count(), map[string]int64{"messages": 2, "statements": 1, "records": 1, "parts": 2, "rejected-open": 1,
		"outbox-waiting": 1, "outbox-dead": 1, "verdicts-in-force": 1})
}
