package storetest

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/adapters/store"
	"gaussline/mapping/implant"
)

func testMessage(b *bench) {
	full := filled[pipeline.Message]()
	large := msg("large")
	large.Body = bytes.Repeat([]byte{0, 1, 0xff, '\n'}, 1<<18) // 1 MB
	fine := msg("nanoseconds")
	fine.ReceivedAt = start.Add(999 * time.Nanosecond)
	zoned := msg("zoned")
	zoned.ReceivedAt = start.In(time.FixedZone("", 2*3600))
	empty := pipeline.Message{ID: "empty", Body: []byte{}}

	for _, m := range []pipeline.Message{full, large, fine, zoned, empty} {
		b.saves(b.message(m))
	}
	fine.ReceivedAt, zoned.ReceivedAt = start, start // cut to microseconds, brought to UTC
	empty.Body = nil                                 // an empty body comes back as nil
	for _, want := range []pipeline.Message{full, large, fine, zoned, empty} {
		b.view(func(r pipeline.Reader) error {
			got, err := r.Message(b.ctx, want.ID)
			if !bytes.Equal(got.Body, want.Body) || (got.Body == nil) != (want.Body == nil) {
				b.Errorf("message: body of %d bytes, want %d", len(got.Body), len(want.Body))
			}
			got.Body, want.Body = nil, nil
			b.same("message", got, want)
			return err
		})
	}
	other := full
	other.Body = []byte("other")
	b.update(func(tx pipeline.Tx) error {
		fresh, err := tx.SaveMessages(b.ctx, []pipeline.Message{other, msg("new"), msg("newer"), msg("new")})
		if err != nil || !slices.Equal(fresh, []bool{false, true, true, false}) {
			b.Errorf("SaveMessages: fresh %v, %v", fresh, err)
		}
		if fresh, err = tx.SaveMessages(b.ctx, nil); err != nil || len(fresh) > 0 {
			b.Errorf("SaveMessages of none: fresh %v, %v", fresh, err)
		}
		got, err := tx.Message(b.ctx, full.ID)
		b.same("message kept first", got, full)
		return err
	})
}

func testStatement(b *bench) {
	full := filled[pipeline.StoredStatement]()
	full.Offset, full.Length = 3, 7
	m, early, late := msg(full.MessageID), msg("early"), msg("late")
	m.ReceivedAt, early.ReceivedAt = full.ReceivedAt, time.Time{}
	empties := stmt("empties", "")
	empties.Facts, empties.Findings = []implant.Fact{}, []implant.Finding{}
	empties.Person = &implant.Person{Links: []implant.PatientLink{}}
	empties.MessageID, empties.ReceivedAt = early.ID, early.ReceivedAt
	fine := stmt("fine", "p")
	fine.MessageID = late.ID
	fine.Version.LastUpdated = start.Add(999 * time.Nanosecond).In(time.FixedZone("", -5*3600))
	b.saves(b.message(m), b.message(early), b.message(late), b.statement(full), b.statement(empties), b.statement(fine))

	fine.Version.LastUpdated = start
	b.view(func(r pipeline.Reader) error {
		for _, want := range []pipeline.StoredStatement{full, empties, fine} {
			want.Statement = throughJSON(b.T, want.Statement)
			got, err := r.ByKey(b.ctx, []string{want.Key})
			b.same("statement", got, []pipeline.StoredStatement{want})
			if err != nil {
				return err
			}
		}
		// Found by its patient, by its own key as it is a Patient, and once when asked by both.
		for _, keys := range [][]string{{full.Patient}, {full.Key}, {full.Key, full.Patient, full.Key}} {
			got, err := r.OfPatients(b.ctx, keys)
			if err != nil || len(got) != 1 || got[0].Key != full.Key {
				b.Errorf("OfPatients(%q): %d statements, %v", keys, len(got), err)
			}
		}
		return nil
	})
}

func testRecord(b *bench) {
	full := filled[implant.Record]()
	bare := implant.Record{Patient: "bare", Aliases: []string{}, Parts: []implant.Part{}}
	b.saves(b.record(full), b.record(bare))
	b.view(func(r pipeline.Reader) error {
		for _, want := range []implant.Record{full, bare} {
			for _, alias := range append([]string{want.Patient}, want.Aliases...) {
				got, err := r.Record(b.ctx, alias)
				b.same("record", got, throughJSON(b.T, want))
				if err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func testVerdict(b *bench) {
	full := filled[pipeline.StoredVerdict]()
	b.saves(func(tx pipeline.Tx) error { return tx.SaveVerdict(b.ctx, full) })
	next := filled[pipeline.StoredVerdict]()
	next.Patient, next.Site, next.Revision, next.Digest, next.State, next.Kind = "p2", "s2", 77, "d2", "withdrawn", "k2"
	next.Body, next.Decided = []byte{0}, time.Time{}
	for _, want := range []pipeline.StoredVerdict{full, next} {
		b.saves(func(tx pipeline.Tx) error { return tx.SaveVerdict(b.ctx, want) })
		b.view(func(r pipeline.Reader) error {
			got, err := r.Verdict(b.ctx, full.Referral)
			b.same("verdict", got, want)
			list, _ := r.Verdicts(b.ctx, "", "")
			b.same("verdicts", list, []pipeline.StoredVerdict{want})
			return err
		})
	}
}

func testRejected(b *bench) {
	full := filled[pipeline.Rejected]()
	next := filled[pipeline.Rejected]()
	next.MessageID, next.Sender, next.Path, next.Key, next.Step = "m2", "s2", "", "k2", "read"
	next.Outcome, next.Attempts, next.RejectedAt, next.State, next.Note = nil, 99, at(1), "closed", "dealt with"
	for _, want := range []pipeline.Rejected{full, next} {
		b.saves(func(tx pipeline.Tx) error { return tx.SaveRejected(b.ctx, want) })
		b.view(func(r pipeline.Reader) error {
			got, err := r.Rejects(b.ctx, "")
			b.same("rejected", got, []pipeline.Rejected{want})
			return err
		})
	}
	first, second := next, next
	first.ID, first.RejectedAt, first.State = "zz", at(0), "open"
	second.ID, second.RejectedAt, second.State = "aa", at(2), "open"
	b.saves(func(tx pipeline.Tx) error {
		return errors.Join(tx.SaveRejected(b.ctx, second), tx.SaveRejected(b.ctx, first))
	})
	b.view(func(r pipeline.Reader) error {
		got, err := r.Rejects(b.ctx, "open")
		b.same("newest last, one state", got, []pipeline.Rejected{first, second})
		return err
	})
}

func testOutgoing(b *bench) {
	full := filled[pipeline.Outgoing]()
	full.State = "waiting"
	bare := pipeline.Outgoing{ID: "bare", Body: []byte{}}
	b.saves(b.queue(full), b.queue(bare))
	bare.State, bare.Body = "waiting", nil // the state of what is queued
	b.view(func(r pipeline.Reader) error {
		got, err := r.Outbox(b.ctx, "")
		if err != nil || len(got) != 2 {
			b.Fatalf("outbox: %d, %v", len(got), err)
		}
		if got[0].Seq < 1 || got[1].Seq <= got[0].Seq {
			b.Errorf("sequence %d, %d does not ascend", got[0].Seq, got[1].Seq)
		}
		full.Seq, bare.Seq = got[0].Seq, got[1].Seq // given by the store
		b.same("outgoing", got, []pipeline.Outgoing{full, bare})
		return nil
	})
}

func testNotFound(b *bench) {
	b.view(func(r pipeline.Reader) error {
		_, e1 := r.Message(b.ctx, "none")
		_, e2 := r.Record(b.ctx, "none")
		_, e3 := r.Verdict(b.ctx, "none")
		for i, err := range []error{e1, e2, e3} {
			if !errors.Is(err, pipeline.ErrNotFound) {
				b.Errorf("%d: %v, want ErrNotFound", i, err)
			}
		}
		l1, e1 := r.OfPatients(b.ctx, []string{"none", ""})
		l2, e2 := r.ByKey(b.ctx, nil)
		l3, e3 := r.Concerned(b.ctx, []string{"none"})
		l4, _, e4 := r.Cluster(b.ctx, nil)
		if len(l1)+len(l2)+len(l3)+len(l4) > 0 {
			b.Errorf("an empty store gave %v %v %v %v", l1, l2, l3, l4)
		}
		return errors.Join(e1, e2, e3, e4)
	})
	b.fails(pipeline.ErrNotFound, func(tx pipeline.Tx) error {
		return tx.Settle(b.ctx, pipeline.Outgoing{ID: "none", State: "sent"})
	})
	b.saves(
		func(tx pipeline.Tx) error { return tx.DropRecord(b.ctx, "none") },
		func(tx pipeline.Tx) error { return tx.DropStatements(b.ctx, "none", "") })
}

// testRefused checks that what one database could not keep is refused by both, before anything is written.
func testRefused(b *bench) {
	long := strings.Repeat("x", store.MaxKey+1)
	for name, f := range map[string]func(pipeline.Tx) error{
		"message without ID":    b.message(pipeline.Message{}),
		"sender with zero byte": b.message(pipeline.Message{ID: "a", Sender: "a\x00"}),
		"long key":              b.message(pipeline.Message{ID: long}),
		"year 10000":            b.message(pipeline.Message{ID: "a", ReceivedAt: time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)}),
		"statement without key": b.statement(stmt("", "p")),
		"broken UTF-8":          b.statement(stmt("\xff", "p")),
		"long mention":          b.statement(stmt("k", "p", long)),
		"message never saved":   b.statement(stmt("k", "p")),
		"record without key":    b.record(implant.Record{}),
		"two parts, one ID":     b.record(implant.Record{Patient: "p", Parts: []implant.Part{{ID: "a"}, {ID: "a"}}}),
		"outgoing without ID":   b.queue(pipeline.Outgoing{}),
		"unknown state":         b.queue(pipeline.Outgoing{ID: "a", State: "lost"}),
		"verdict without key":   func(tx pipeline.Tx) error { return tx.SaveVerdict(b.ctx, pipeline.StoredVerdict{}) },
		"rejected without ID":   func(tx pipeline.Tx) error { return tx.SaveRejected(b.ctx, pipeline.Rejected{}) },
	} {
		b.Run(name, func(t *testing.T) {
			if err := b.store.Update(b.ctx, f); err == nil {
				t.Error("kept")
			}
		})
	}
	b.same("count after refusals", b.count(), model.NoCount())
}
