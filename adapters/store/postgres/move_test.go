package postgres

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
	"gaussline/adapters/store/pgtest"
	"gaussline/adapters/store/sqlite"
	"gaussline/adapters/store/storetest"
	"gaussline/mapping/implant"
)

// everything reads what a store says of the messages of a load.
func everything(t *testing.T, s pipeline.Store) (out []any) {
	t.Helper()
	ctx := t.Context()
	err := s.View(ctx, func(r pipeline.Reader) error {
		n, err := r.Count(ctx)
		if err != nil {
			return err
		}
		out = append(out, n)
		var keys []string
		err = r.Records(ctx, "", func(rec implant.Record) error { out = append(out, rec); keys = append(keys, rec.Patient); return nil })
		if err != nil {
			return err
		}
		st, err := r.OfPatients(ctx, keys)
		if err != nil {
			return err
		}
		out = append(out, st)
		m, err := r.Message(ctx, st[0].MessageID)
		if err != nil {
			return err
		}
		v, err1 := r.Verdicts(ctx, "", "")
		o, err2 := r.Outbox(ctx, "")
		j, err3 := r.Entries(ctx, "audit", "", 0, 100)
		x, err4 := r.Rejects(ctx, "")
		keys, crowded, err5 := r.Cluster(ctx, keys)
		out = append(out, m, v, o, j, x, keys, crowded)
		return errors.Join(err1, err2, err3, err4, err5)
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func loaded(t *testing.T) pipeline.Store {
	t.Helper()
	from, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = from.Close() })
	storetest.Load{Patients: 20}.Commit(t, from, 0, 100)
	err = from.Update(t.Context(), func(tx pipeline.Tx) error {
		at := time.Date(2026, 3, 4, 5, 6, 7, 8000, time.UTC)
		_, err := tx.Append(t.Context(), pipeline.Entry{Kind: "audit", Key: "main", Body: []byte("{\x00\xff}"), At: at})
		return errors.Join(err, tx.SaveRejected(t.Context(), pipeline.Rejected{ID: "r", MessageID: "m", Outcome: []byte("{}"), State: "open", RejectedAt: at}))
	})
	if err == nil {
		err = from.(pipeline.Sessions).SaveSession(t.Context(), pipeline.Session{ID: "s", Data: []byte("{}"), Ends: time.Date(2026, 3, 4, 5, 6, 7, 8000, time.UTC)}, time.Time{})
	}
	if err != nil {
		t.Fatal(err)
	}
	return from
}

// Everything that the embedded store says, PostgreSQL says after the move, and goes on from there.
func TestMove(t *testing.T) {
	from := loaded(t)
	to := open(t, pgtest.Database(t, pgtest.Start(t)), Options{})
	rows := map[string]int64{}
	if err := store.Move(t.Context(), from, to, func(m store.Moved) { rows[m.Table] = m.Rows }); err != nil {
		t.Fatal(err)
	}
	for _, tab := range store.Tables() {
		if rows[tab.Name] == 0 {
			t.Errorf("nothing of %s was moved: the test says nothing of it", tab.Name)
		}
	}
	if a, b := everything(t, from), everything(t, to); !reflect.DeepEqual(a, b) {
		t.Error("the stores differ")
	}
	if found, err := to.Check(t.Context()); err != nil || len(found) > 0 {
		t.Errorf("check: %v %v", found, err)
	}
	storetest.Load{Patients: 20}.Commit(t, to, 100, 20) // numbers go on after those that were copied
	if err := store.Move(t.Context(), from, to, func(store.Moved) {}); !errors.Is(err, ErrNotEmpty) {
		t.Errorf("into a database with rows: %v", err)
	}
}

// bent is a source that gives another value when it is read the second time.
type bent struct {
	pipeline.Store
	table string
}

type bentReader struct {
	store.RowReader
	table string
	asked map[string]int
}

func (b bent) ReadTables(ctx context.Context, f func(store.RowReader) error) error {
	return b.Store.(store.Source).ReadTables(ctx, func(r store.RowReader) error {
		return f(bentReader{r, b.table, map[string]int{}})
	})
}

func (r bentReader) Rows(ctx context.Context, t store.Table) iter.Seq2[[]any, error] {
	r.asked[t.Name]++
	if t.Name != r.table || r.asked[t.Name] != 1 {
		return r.RowReader.Rows(ctx, t)
	}
	return func(yield func([]any, error) bool) {
		n := 0
		for row, err := range r.RowReader.Rows(ctx, t) {
			if n++; n == 3 {
				row[slices.Index(t.Columns, "body")] = []byte("bent")
			}
			if !yield(row, err) {
				return
			}
		}
	}
}

// A copy with one bent value is found, and nothing of it is kept.
func TestMoveFindsADifference(t *testing.T) {
	to := open(t, pgtest.Database(t, pgtest.Start(t)), Options{})
	err := store.Move(t.Context(), bent{loaded(t), "records"}, to, func(store.Moved) {})
	if !errors.Is(err, store.ErrMove) || !strings.Contains(err.Error(), "records") {
		t.Errorf("move: %v", err)
	}
	err = to.View(t.Context(), func(r pipeline.Reader) error {
		n, err := r.Count(t.Context())
		if n["messages"]+n["statements"]+n["records"] > 0 {
			t.Errorf("kept: %v", n)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// The list of tables and columns is the schema: one that a migration adds must be moved, too.
func TestTablesAreAllTables(t *testing.T) {
	s := open(t, pgtest.Database(t, pgtest.Start(t)), Options{})
	rows, err := s.pool.Query(t.Context(), `select table_name || '.' || column_name from information_schema.columns
		where table_schema = 'public' and table_name not like 'goose%' order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	want, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, tab := range store.Tables() {
		for _, c := range tab.Columns {
			got = append(got, fmt.Sprint(tab.Name, ".", c))
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("moved %q, the schema has %q", got, want)
	}
}
