package sqlite

import (
	"context"
	"database/sql"

	"gaussline/adapters/store"
	"gaussline/mapping/registry"
)

// A page of lives comes as one value, each column ended by a zero byte: a row of its own for every life costs the driver
// more than reading it (measured). The rows are joined in the order in which they are read; store.Lives checks that.
var livesSQL = `select cast(coalesce(group_concat(concat_ws(char(0), patient, id, kind, maker, model, implanted, life), char(0)) || char(0), '') as blob)
	from (` + store.LivesSQL("?1", "?2", "?3") + `)`

// Lives reads the next page while f is given the last: f must not ask this reader.
func (r reader) Lives(ctx context.Context, f func(patient string, life registry.Life, derived bool) error) error {
	pages, enough := make(chan []byte, 1), make(chan struct{})
	var failed error
	go func() {
		defer close(pages)
		failed = r.lifePages(ctx, pages, enough)
	}()
	defer func() {
		for range pages { // nobody reads on when this function has ended
		}
	}()
	defer close(enough)
	var l store.Lives
	for page := range pages {
		if err := l.Page(page, f); err != nil {
			return err
		}
	}
	return failed
}

// lifePages sends page after page until there is none, or enough is closed.
func (r reader) lifePages(ctx context.Context, pages chan<- []byte, enough <-chan struct{}) error {
	patient, id := "", ""
	for {
		var page []byte
		err := r.query(ctx, "lives", livesSQL, func(rows *sql.Rows) error { return rows.Scan(&page) }, patient, id, store.LivesPage)
		if err != nil || len(page) == 0 {
			return err
		}
		patient, id = store.LastLife(page)
		select {
		case pages <- page:
		case <-enough:
			return nil
		}
	}
}
