package storetest

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/mapping/implant"
)

// everything writes one of each kind.
func (b *bench) everything(tx pipeline.Tx) error {
	return each(tx, []func(pipeline.Tx) error{
		b.message(msg("m")), b.statement(stmt("k", "p", "d")), b.statement(person("pat", []implant.Identifier{ident("s", "1")})),
		b.record(implant.Record{Patient: "p", Aliases: []string{"q"}, Parts: []implant.Part{part("1")}}),
		b.queue(out("1", "r", start)),
		func(tx pipeline.Tx) error { return tx.SaveRejected(b.ctx, pipeline.Rejected{ID: "1", State: "open"}) },
		func(tx pipeline.Tx) error {
			return tx.SaveVerdict(b.ctx, pipeline.StoredVerdict{Referral: "1", State: "in-force"})
		},
	})
}

func testRollback(b *bench) {
	no := errors.New("no")
	b.fails(no, func(tx pipeline.Tx) error {
		if err := b.everything(tx); err != nil {
			return err
		}
		return no
	})
	b.same("count", b.count(), model.NoCount())
	b.update(b.everything) // and nothing of it stands in the way
	b.fails(no, func(tx pipeline.Tx) error {
		return errors.Join(tx.DropStatements(b.ctx, "m", ""), tx.DropRecord(b.ctx, "p"), no)
	})
	b.same("statements", b.count()["statements"], int64(2))
	b.finds(map[string]string{"p": "p", "q": "p"})
}

// testFailedWrite: a write that failed must not be committed around, even by a caller that ignores the error.
func testFailedWrite(b *bench) {
	b.fails(nil, func(tx pipeline.Tx) error {
		_ = tx.SaveStatement(b.ctx, stmt("k", "p")) // its message was never saved
		_ = b.everything(tx)
		return nil
	})
	b.same("count", b.count(), model.NoCount())
}

func testPanic(b *bench) {
	func() {
		defer func() {
			if recover() == nil {
				b.Error("the panic was swallowed")
			}
		}()
		_ = b.store.Update(b.ctx, func(tx pipeline.Tx) error {
			if err := b.everything(tx); err != nil {
				b.Error(err)
			}
			panic("in f")
		})
	}()
	b.same("count", b.count(), model.NoCount())
	b.update(b.everything)
}

func testCancelled(b *bench) {
	ctx, cancel := context.WithCancel(b.ctx)
	err := b.store.Update(ctx, func(tx pipeline.Tx) error {
		if err := b.everything(tx); err != nil {
			return err
		}
		cancel()
		return nil
	})
	if !errors.Is(err, context.Canceled) {
		b.Errorf("cancelled before the commit: %v", err)
	}
	err = b.store.Update(ctx, func(pipeline.Tx) error { b.Error("f was called"); return nil })
	if !errors.Is(err, context.Canceled) {
		b.Errorf("cancelled before the start: %v", err)
	}
	b.same("count", b.count(), model.NoCount())
}

func testOwnWrites(b *bench) {
	b.update(func(tx pipeline.Tx) error {
		if err := b.everything(tx); err != nil {
			return err
		}
		n, err := tx.Count(b.ctx)
		want := map[string]int64{"messages": 1, "statements": 2, "records": 1, "parts": 1, "rejected-open": 1,
			"outbox-waiting": 1, "outbox-dead": 0, "verdicts-in-force": 1}
		b.same("count inside", n, want)
		b.same("count outside", b.count(), model.NoCount()) // a reader does not wait for the writer
		w, err2 := tx.Waiting(b.ctx, start, 5)
		if len(w) != 1 {
			b.Errorf("waiting inside: %v", w)
		}
		return errors.Join(err, err2)
	})
}

// testOnePatient has 8 workers read a record, look at what hangs together with it, and write it back one
// higher: every step counts once only if no two updates of the patient interleave.
func testOnePatient(b *bench) {
	const workers, steps, patients = 8, 20, 2
	b.saves(b.message(msg("m")), b.statement(person("p0", nil, "q0")), b.statement(person("p1", nil, "q1")))
	step := func(p string) func(pipeline.Tx) error {
		return func(tx pipeline.Tx) error {
			if _, _, err := tx.Cluster(b.ctx, []string{p}); err != nil {
				return err
			}
			rec, err := tx.Record(b.ctx, p)
			if err != nil && !errors.Is(err, pipeline.ErrNotFound) {
				return err
			}
			rec.Patient, rec.Statements = p, rec.Statements+1
			if err := tx.SaveRecord(b.ctx, rec); err != nil {
				return err
			}
			return tx.Queue(b.ctx, out(fmt.Sprintf("%s revision %d", p, rec.Statements), p, start))
		}
	}
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for i := range steps {
				p := fmt.Sprint("p", (w+i)%patients)
				err := pipeline.ErrBusy
				for errors.Is(err, pipeline.ErrBusy) && b.ctx.Err() == nil {
					err = b.store.Update(b.ctx, step(p))
				}
				if err != nil {
					b.Errorf("worker %d: %v", w, err)
				}
			}
		})
	}
	wg.Wait()
	const each = workers * steps / patients
	b.view(func(r pipeline.Reader) error {
		for i := range patients {
			p := fmt.Sprint("p", i)
			rec, err := r.Record(b.ctx, p)
			if err != nil || rec.Statements != each {
				b.Errorf("%s was written %d times, want %d, %v", p, rec.Statements, each, err)
			}
		}
		// The outbox has every revision of a patient in the order in which they were made.
		list, err := r.Outbox(b.ctx, "")
		next := map[string]int{}
		for _, o := range list {
			next[o.Order]++
			if want := fmt.Sprintf("%s revision %d", o.Order, next[o.Order]); o.ID != want {
				b.Errorf("%q stands where %q should", o.ID, want)
			}
		}
		b.same("outbox", len(list), workers*steps)
		return err
	})
}

// testSnapshot: what is committed during a view is not seen in it.
func testSnapshot(b *bench) {
	b.saves(b.message(msg("m")))
	b.view(func(r pipeline.Reader) error {
		before, err := r.Count(b.ctx)
		if err != nil {
			return err
		}
		b.update(b.everything)
		after, err := r.Count(b.ctx)
		b.same("count in the view", after, before)
		if list, err := r.ByKey(b.ctx, []string{"k"}); err != nil || len(list) > 0 {
			b.Errorf("the view sees a later statement: %d, %v", len(list), err)
		}
		return err
	})
	b.same("afterwards", b.count()["statements"], int64(2))
}

func testReopen(b *bench) {
	b.update(b.everything)
	u := universe{messages: []string{"m"}, patients: []string{"p", "q", "pat", "id:s|1"}, keys: []string{"k", "d", "pat"},
		referrals: []string{"1"}}
	before := b.dump(u)
	b.reopen(b.open)
	b.same("after reopening", b.dump(u), before)
	b.clean()
	b.saves(b.queue(out("2", "r", start)))
	b.same("sequence goes on", b.ids(func(r pipeline.Reader) ([]pipeline.Outgoing, error) { return r.Outbox(b.ctx, "") }),
		[]string{"1", "2"})
}
