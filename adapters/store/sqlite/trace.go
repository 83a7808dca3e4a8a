package sqlite

import (
	"context"
	"database/sql"
	"fmt"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

// inList writes the conditions of store.PartsSQL.
func inList(column string, n int) string {
	switch {
	case n < 0:
		return "?5"
	case n == 0:
		return "(patient, id) > (?3, ?4)"
	}
	return fmt.Sprintf("%s_folded in (select value from json_each(?%d))", column, n)
}

func (r reader) Parts(ctx context.Context, q pipeline.PartsQuery, f func(pipeline.TracedPart)) (more bool, err error) {
	text, lists := store.PartsSQL(q, inList)
	var keys [2]string
	for i := range lists {
		if keys[i], err = keyList(lists[i]); err != nil {
			return false, err
		}
	}
	return store.PagedParts(q, func(after [2]string, limit int, f func(pipeline.TracedPart)) error {
		return r.query(ctx, "parts", text, func(rows *sql.Rows) error {
			p, err := store.ScanPart(rows.Scan)
			if err == nil {
				f(p)
			}
			return err
		}, keys[0], keys[1], after[0], after[1], limit)
	}, f)
}
