package sqlite

import (
	"context"
	"database/sql"
	"iter"
	"strings"

	"gaussline/adapters/store"
)

var _ store.Source = (*db)(nil)

// ReadTables runs f on one snapshot.
func (s *db) ReadTables(ctx context.Context, f func(store.RowReader) error) error {
	return s.run(ctx, s.read, true, func(t *tx) error { return f(tables{t.tx}) })
}

// tables reads whole tables in one transaction.
type tables struct{ tx *sql.Tx }

func (r tables) Rows(ctx context.Context, t store.Table) iter.Seq2[[]any, error] {
	return func(yield func([]any, error) bool) {
		rows, err := r.tx.QueryContext(ctx, "select "+strings.Join(t.Columns, ", ")+" from "+t.Name+" order by "+t.Order)
		if err != nil {
			yield(nil, mapped(err))
			return
		}
		defer rows.Close()
		row, dest := make([]any, len(t.Columns)), make([]any, len(t.Columns))
		for i := range row {
			dest[i] = &row[i]
		}
		for rows.Next() {
			err := rows.Scan(dest...)
			if !yield(row, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(nil, mapped(err))
		}
	}
}
