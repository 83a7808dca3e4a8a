package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/store"
	"gaussline/mapping/registry"
)

var livesSQL = store.LivesSQL("$1", "$2", "$3")

func (r reader) Lives(ctx context.Context, f func(patient string, life registry.Life, derived bool) error) error {
	var l store.Lives
	for {
		l.Rows = 0
		err := r.query(ctx, "lives", livesSQL, func(rows pgx.Rows) error {
			return l.Row([store.LivesCols][]byte(rows.RawValues()), f) // text comes as its bytes
		}, l.Patient, l.ID, store.LivesPage)
		if err != nil || l.Rows < store.LivesPage {
			return err
		}
	}
}
