package postgres

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/store"
)

var _ store.Target = (*db)(nil)

// ErrNotEmpty: there is something in the tables already.
var ErrNotEmpty = errors.New("the database is not empty")

// FillTables runs f in one transaction that no other writer interleaves with. The server's time limits do not hold in
// it: a whole table is one statement.
func (s *db) FillTables(ctx context.Context, f func(store.TableWriter) error) error {
	return s.runPatiently(ctx, pgx.TxOptions{IsoLevel: pgx.ReadCommitted}, func(ses *session) error {
		_, err := ses.tx.Exec(ctx, `set local statement_timeout = 0; set local idle_in_transaction_session_timeout = 0`)
		if err == nil {
			_, err = ses.tx.Exec(ctx, lockSQL, int64(updateLock))
		}
		if err != nil {
			return mapped(err)
		}
		w := tables{ses.tx}
		for _, t := range store.Tables() {
			var has bool
			if err := ses.tx.QueryRow(ctx, "select exists (select 1 from "+t.Name+")").Scan(&has); err != nil {
				return mapped(err)
			}
			if has {
				return fmt.Errorf("%w: %s", ErrNotEmpty, t.Name)
			}
		}
		return f(w)
	})
}

// tables reads and writes whole tables in one transaction.
type tables struct{ tx pgx.Tx }

// Fill copies rows into a table and lets the server's numbering go on after them.
func (w tables) Fill(ctx context.Context, t store.Table, rows iter.Seq2[[]any, error]) error {
	next, stop := iter.Pull2(rows)
	defer stop()
	_, err := w.tx.CopyFrom(ctx, pgx.Identifier{t.Name}, t.Columns, pgx.CopyFromFunc(func() ([]any, error) {
		row, err, ok := next()
		if !ok {
			return nil, nil
		}
		return row, err
	}))
	if err != nil {
		return mapped(err)
	}
	if t.Serial != "" {
		_, err = w.tx.Exec(ctx, fmt.Sprintf(`select setval(pg_get_serial_sequence('%s', '%s'), (select coalesce(max(%s), 0) + 1 from %s), false)`,
			t.Name, t.Serial, t.Serial, t.Name))
	}
	if err == nil {
		_, err = w.tx.Exec(ctx, "analyze "+t.Name)
	}
	return mapped(err)
}

func (w tables) Rows(ctx context.Context, t store.Table) iter.Seq2[[]any, error] {
	return func(yield func([]any, error) bool) {
		rows, err := w.tx.Query(ctx, "select "+strings.Join(t.Columns, ", ")+" from "+t.Name+" order by "+t.Order)
		if err != nil {
			yield(nil, mapped(err))
			return
		}
		defer rows.Close()
		for rows.Next() {
			row, err := rows.Values()
			if !yield(slices.Clip(row), err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(nil, mapped(err))
		}
	}
}
