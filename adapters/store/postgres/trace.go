package postgres

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

// foldSQL is trace.Fold of a column in SQL. The indexes of the table of parts are made of the same words.
func foldSQL(column string) string {
	for _, c := range []string{" ", "-", ".", "/", "_", "#"} {
		column = fmt.Sprintf("replace(%s, '%s', '')", column, c)
	}
	return "ltrim(upper(" + column + "), '0')"
}

// inList writes the conditions of store.PartsSQL.
func inList(column string, n int) string {
	switch {
	case n < 0:
		return "$5"
	case n == 0:
		return "(patient, id) > ($3, $4)"
	}
	return fmt.Sprintf("%s = any($%d)", foldSQL(column), n)
}

func (r reader) Parts(ctx context.Context, q pipeline.PartsQuery, f func(pipeline.TracedPart)) (more bool, err error) {
	text, lists := store.PartsSQL(q, inList)
	// Every parameter must occur for its type to be known.
	text = "with arg as (select $1::text[], $2::text[], $3::text, $4::text, $5::int) " + text
	return store.PagedParts(q, func(after [2]string, limit int, f func(pipeline.TracedPart)) error {
		return r.query(ctx, "parts", text, func(rows pgx.Rows) error {
			p, err := store.ScanPart(rows.Scan)
			if err == nil {
				f(p)
			}
			return err
		}, lists[0], lists[1], after[0], after[1], limit)
	}, f)
}
