package postgres

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

const (
	appendSQL    = `insert into journal (kind, key, body, at) values ($1, $2, $3, $4) returning seq`
	entriesSQL   = `select seq, kind, key, body, at from journal where kind = $1 and seq > $2 order by seq limit $3`
	entriesOfSQL = `select seq, kind, key, body, at from journal where kind = $1 and key = $4 and seq > $2 order by seq limit $3`
	newestSQL    = `select seq, kind, key, body, at from journal where seq in (
		select max(seq) from journal where kind = $1 group by key) order by key limit $2`
)

func (t *tx) Append(ctx context.Context, e pipeline.Entry) (int64, error) {
	at, err := store.EntryTime(e)
	if err != nil {
		return 0, t.fail(err)
	}
	var seq int64
	err = t.one(ctx, "append to the journal", appendSQL, []any{e.Kind, e.Key, store.NoNil(e.Body), at}, &seq)
	return seq, t.fail(err)
}

func (r reader) Entries(ctx context.Context, kind, key string, after int64, limit int) ([]pipeline.Entry, error) {
	limit = min(max(limit, 0), store.MaxRows)
	if key == "" {
		return r.entries(ctx, entriesSQL, kind, after, limit)
	}
	return r.entries(ctx, entriesOfSQL, kind, after, limit, key)
}

func (r reader) Newest(ctx context.Context, kind string) ([]pipeline.Entry, error) {
	return r.entries(ctx, newestSQL, kind, store.MaxRows+1)
}

func (r reader) entries(ctx context.Context, q string, args ...any) ([]pipeline.Entry, error) {
	var out []pipeline.Entry
	err := r.query(ctx, "journal", q, func(rows pgx.Rows) error {
		var e pipeline.Entry
		var at string
		err := rows.Scan(&e.Seq, &e.Kind, &e.Key, &e.Body, &at)
		if err == nil {
			e.At, err = store.ParseTime(at)
		}
		if err != nil {
			return fmt.Errorf("entry %d: %w", e.Seq, err)
		}
		e.Body = store.NilIfEmpty(e.Body)
		out = append(out, e)
		return nil
	}, args...)
	return out, err
}
