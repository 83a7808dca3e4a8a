package storetest

import (
	"errors"
	"fmt"

	"gaussline/adapters/pipeline"
)

func testJournal(b *bench) {
	full := filled[pipeline.Entry]()
	list := []pipeline.Entry{full, {Kind: "ack", Key: "b"}, {Kind: "ack", Key: "a", Body: []byte("1"), At: at(9)},
		{Kind: "audit"}, {Kind: "ack", Key: "a", Body: []byte("2"), At: at(1)}, {Kind: "ack"}}
	var last int64
	for i := range list {
		b.update(func(tx pipeline.Tx) error {
			seq, err := tx.Append(b.ctx, list[i])
			if seq <= last {
				b.Errorf("sequence %d after %d", seq, last)
			}
			last, list[i].Seq = seq, seq
			return err
		})
	}
	b.fails(nil, func(tx pipeline.Tx) error { // rolled back: nothing of it is seen
		_, err := tx.Append(b.ctx, pipeline.Entry{Kind: "ack", Key: "a"})
		return errors.Join(err, errors.New("no"))
	})
	b.fails(nil, func(tx pipeline.Tx) error { _, err := tx.Append(b.ctx, pipeline.Entry{}); return err })
	of := func(places ...int) (out []pipeline.Entry) {
		for _, i := range places {
			out = append(out, list[i])
		}
		return out
	}
	b.view(func(r pipeline.Reader) error {
		for _, c := range []struct {
			kind, key string
			after     int64
			limit     int
			want      []pipeline.Entry
		}{
			{full.Kind, full.Key, 0, 9, of(0)}, {full.Kind, "", 0, 9, of(0)},
			{"ack", "", 0, 9, of(1, 2, 4, 5)}, {"ack", "a", 0, 9, of(2, 4)}, {"ack", "a", list[2].Seq, 9, of(4)},
			{"ack", "", list[1].Seq, 2, of(2, 4)}, {"ack", "", 0, 0, nil}, {"ack", "", last, 9, nil}, {"none", "", 0, 9, nil},
		} {
			got, err := r.Entries(b.ctx, c.kind, c.key, c.after, c.limit)
			if err != nil {
				return err
			}
			b.same(fmt.Sprintf("entries %q %q after %d", c.kind, c.key, c.after), got, c.want)
		}
		// The newest by sequence, not by the time that the entry gives; sorted by key.
		got, err := r.Newest(b.ctx, "ack")
		b.same("newest", got, of(5, 4, 1))
		return err
	})
}

// testClosedOnce: of several transactions that close one month, some at one time, one is kept, and the others learn it.
func testClosedOnce(b *bench) {
	closes := func(key string) error {
		return b.store.Update(b.ctx, func(tx pipeline.Tx) error {
			_, err := tx.Append(b.ctx, pipeline.Entry{Kind: pipeline.KindMonthClosed, Key: key, Body: []byte("{}")})
			return err
		})
	}
	const nodes = 8
	answers := make(chan error, nodes)
	for range nodes {
		go func() { answers <- closes("north/2026-01") }()
	}
	kept := 0
	for range nodes {
		switch err := <-answers; {
		case err == nil:
			kept++
		case !errors.Is(err, pipeline.ErrExists):
			b.Errorf("closed twice: %v", err)
		}
	}
	if err := closes("north/2026-02"); err != nil {
		b.Errorf("the next month: %v", err)
	}
	b.view(func(r pipeline.Reader) error {
		got, err := r.Newest(b.ctx, pipeline.KindMonthClosed)
		if len(got) != 2 || kept != 1 {
			b.Errorf("%d of %d were kept, %d entries", kept, nodes, len(got))
		}
		return err
	})
}
