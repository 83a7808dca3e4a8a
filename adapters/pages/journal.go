package pages

import (
	"context"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

// Journal lets package access keep accounts and audit in the store.
type Journal struct{ Store pipeline.Store }

var _ access.Journal = Journal{}

// Add appends lines in one transaction.
func (j Journal) Add(ctx context.Context, lines ...access.Line) error {
	return j.Store.Update(ctx, func(tx pipeline.Tx) error {
		for _, l := range lines {
			if _, err := tx.Append(ctx, pipeline.Entry{Kind: l.Kind, Key: l.Key, Body: l.Body, At: l.At}); err != nil {
				return err
			}
		}
		return nil
	})
}

// AddAfter appends lines if none of their kind and key came after seq. Updates of the store never run at the same time,
// so nobody can come between.
func (j Journal) AddAfter(ctx context.Context, seq int64, lines ...access.Line) (last int64, err error) {
	err = j.Store.Update(ctx, func(tx pipeline.Tx) error {
		later, err := tx.Entries(ctx, lines[0].Kind, lines[0].Key, seq, 1)
		if err != nil {
			return err
		}
		if len(later) > 0 {
			return access.ErrMoved
		}
		for _, l := range lines {
			if last, err = tx.Append(ctx, pipeline.Entry{Kind: l.Kind, Key: l.Key, Body: l.Body, At: l.At}); err != nil {
				return err
			}
		}
		return nil
	})
	return last, err
}

// Newest gives the newest line of each key of a kind.
func (j Journal) Newest(ctx context.Context, kind string) (out []access.Line, err error) {
	err = j.Store.View(ctx, func(r pipeline.Reader) error {
		es, err := r.Newest(ctx, kind)
		out = linesOf(es)
		return err
	})
	return out, err
}

// After gives lines of a kind after a sequence number.
func (j Journal) After(ctx context.Context, kind string, after int64, limit int) (out []access.Line, err error) {
	err = j.Store.View(ctx, func(r pipeline.Reader) error {
		es, err := r.Entries(ctx, kind, "", after, limit)
		out = linesOf(es)
		return err
	})
	return out, err
}

func linesOf(es []pipeline.Entry) (out []access.Line) {
	for _, e := range es {
		out = append(out, access.Line{Seq: e.Seq, Kind: e.Kind, Key: e.Key, Body: e.Body, At: e.At})
	}
	return out
}
