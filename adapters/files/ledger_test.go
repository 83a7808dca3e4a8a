package files

import (
	"crypto/ed25519"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/pgtest"
	"gaussline/adapters/store/postgres"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/implant"
)

// node is an exporter over a store that others have open too.
func node(t *testing.T, s pipeline.Store, closed string) *Exporter {
	t.Helper()
	e := newExporter(t, closed)
	e.Store, e.Ledger = s, &Ledger{Store: s, Now: func() time.Time { return time.Date(2026, 5, 20, 12, 0, 0, 0, time.UTC) }}
	return e
}

// saved keeps records in a store.
func saved(t *testing.T, s pipeline.Store, records ...implant.Record) {
	t.Helper()
	err := s.Update(t.Context(), func(tx pipeline.Tx) error {
		for _, r := range records {
			if err := tx.SaveRecord(t.Context(), r); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Of several nodes that close one month at one time one does; the others say that it is closed and leave nothing behind.
// All go on with the next month as one would.
func TestOneNodeClosesAMonth(t *testing.T) {
	stores := map[string]func(t *testing.T) func() pipeline.Store{
		"sqlite": func(t *testing.T) func() pipeline.Store {
			s, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{}, zap.NewNop())
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = s.Close() })
			return func() pipeline.Store { return s }
		},
		"postgres": func(t *testing.T) func() pipeline.Store {
			url := pgtest.Database(t, pgtest.Start(t))
			return func() pipeline.Store { // a pool of its own for each node
				s, err := postgres.Open(t.Context(), url, postgres.Options{}, zap.NewNop())
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { _ = s.Close() })
				return s
			}
		},
	}
	for name, open := range stores {
		t.Run(name, func(t *testing.T) {
			closed, store := filepath.Join(t.TempDir(), "closed"), open(t)
			nodes := []*Exporter{node(t, store(), closed), node(t, store(), closed), node(t, store(), closed)}
			saved(t, nodes[0].Ledger.Store.(pipeline.Store), implanted("1", 3, "2026-01-03"), implanted("2", 2, "2026-02-03"))
			for _, period := range []string{"2026-01", "2026-02"} {
				answers := make(chan error, len(nodes))
				for _, n := range nodes {
					go func() { _, err := n.Close(t.Context(), period, signer); answers <- err }()
				}
				won := 0
				for range nodes {
					if err := <-answers; err == nil {
						won++
					} else if !strings.Contains(err.Error(), period+" ") || !strings.Contains(err.Error(), "closed") {
						t.Errorf("%s: %v", period, err)
					}
				}
				if won != 1 {
					t.Errorf("%s was closed %d times", period, won)
				}
			}
			v, err := Verify(closed, signer.Public().(ed25519.PublicKey), "")
			if err != nil || len(v.Faults) > 0 || len(v.Months) != 2 || v.Months[0].Counts.New != 3 || v.Months[1].Counts.New != 2 {
				t.Errorf("%v %+v", err, v)
			}
			if left, _ := filepath.Glob(filepath.Join(closed, ".*")); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

// A node that has another folder, or lost one, or has another month in its place, writes nothing: it would report as new
// what the registry has. A folder that a node left without a name gets it from the next that looks.
func TestMonthsThatTheStoreKnowsAndTheFolderDoesNot(t *testing.T) {
	s, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{}, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	saved(t, s, implanted("1", 3, "2026-01-03"))
	dir := t.TempDir()
	closed := filepath.Join(dir, "closed")
	e := node(t, s, closed)
	if _, err := e.Close(t.Context(), "2026-01", signer); err != nil {
		t.Fatal(err)
	}
	refuses := func(e *Exporter, words string) {
		t.Helper()
		_, err1 := e.Export(t.Context(), "2026-02", filepath.Join(dir, "open"))
		_, err2 := e.Close(t.Context(), "2026-02", signer)
		_, err3 := e.CloseDue(t.Context(), time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC), 10, signer, func(string) error { return errors.New("noted") })
		_, err4 := e.Bulk(t.Context(), BulkQuery{}, filepath.Join(dir, "bulk"))
		_, err5 := e.RekeyMaps(t.Context(), filepath.Join(dir, "maps"))
		for i, err := range []error{err1, err2, err3, err4, err5} {
			if err == nil || !strings.Contains(err.Error(), words) {
				t.Errorf("%d: %v, want %q", i+1, err, words)
			}
		}
		p := &Pull{Exporter: e, Dir: filepath.Join(dir, "pulled"), Now: func() time.Time { return time.Date(2026, 2, 20, 0, 0, 0, 0, time.UTC) }}
		for _, path := range []string{"/registry/months", "/registry/months/2026-02/rows.csv", "/registry/months/2026-01/rows.csv"} {
			if r := get(t, p, path); r.status != http.StatusInternalServerError {
				t.Errorf("%s: %d %s", path, r.status, r.body)
			}
		}
	}
	refuses(node(t, s, filepath.Join(dir, "another")), "registry.closed_dir")
	final, left := filepath.Join(closed, "2026-01"), filepath.Join(closed, ".2026-01-left")
	if err := os.Rename(final, left); err != nil {
		t.Fatal(err)
	}
	// A try that was never kept has other bytes, here another registry's.
	other := newExporter(t, filepath.Join(dir, "other"), implanted("9", 1, "2026-01-03"))
	if _, err := other.Close(t.Context(), "2026-01", signer); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, "other", "2026-01"), filepath.Join(closed, ".2026-01-abandoned")); err != nil {
		t.Fatal(err)
	}
	if r, err := e.Export(t.Context(), "2026-02", filepath.Join(dir, "open")); err != nil || r.Manifest.Registry.Counts.Rows != 0 {
		t.Errorf("%v, %+v: the month before was closed", err, r.Manifest.Registry.Counts)
	}
	if _, err := os.Stat(final); err != nil {
		t.Errorf("the folder that was left has no name: %v", err)
	}
	if err := os.RemoveAll(final); err != nil {
		t.Fatal(err)
	}
	refuses(e, "its folder is not in")
	if err := os.Rename(filepath.Join(closed, ".2026-01-abandoned"), final); err != nil {
		t.Fatal(err)
	}
	refuses(e, "is not the folder of the month that was closed")
}

// Months closed before the store knew of any stay what they are.
func TestFoldersThatTheStoreDoesNotKnow(t *testing.T) {
	s, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{}, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	saved(t, s, implanted("1", 3, "2026-01-03"), implanted("2", 1, "2026-02-03"))
	e := node(t, s, filepath.Join(t.TempDir(), "closed"))
	ledger := e.Ledger
	e.Ledger = nil
	if _, err := e.Close(t.Context(), "2026-01", signer); err != nil {
		t.Fatal(err)
	}
	e.Ledger = ledger
	if r, err := e.Close(t.Context(), "2026-02", signer); err != nil || r.Manifest.Registry.Counts.New != 1 {
		t.Errorf("%v %+v", err, r.Manifest.Registry.Counts)
	}
}

// A month that cannot be asked for says why.
func TestMonthsThatAreRefused(t *testing.T) {
	e := newExporter(t, filepath.Join(t.TempDir(), "closed"), implanted("1", 3, "2026-03-03"), implanted("2", 3, "2026-04-03"))
	for period, words := range map[string]string{"1800-01": "no month before 1900-01", "1899-12": "no month before 1900-01",
		"1900-01": "the first row is of 2026-03", "2026-02": "the first row is of 2026-03", "2026-13": "YYYY-MM"} {
		_, err1 := e.Export(t.Context(), period, t.TempDir())
		_, err2 := e.Close(t.Context(), period, signer)
		for _, err := range []error{err1, err2} {
			if err == nil || !strings.Contains(err.Error(), words) {
				t.Errorf("%s: %v, want %q", period, err, words)
			}
		}
	}
	if list, err := os.ReadDir(e.ClosedDir); err == nil && len(list) > 0 {
		t.Errorf("written: %v", list)
	}
	p := &Pull{Exporter: e, Dir: filepath.Join(t.TempDir(), "open"), Now: func() time.Time { return time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC) }}
	if _, err := e.Close(t.Context(), "2026-03", signer); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]struct {
		status int
		words  string
	}{
		"/registry/months/2026-06":                  {http.StatusNotFound, "2026-06 has not begun: the month now is 2026-05"},
		"/registry/months/2099-01/datapackage.json": {http.StatusNotFound, "2099-01 has not begun: the month now is 2026-05"},
		"/registry/months/2026-01":                  {http.StatusNotFound, "2026-01 was not closed, and 2026-03 is"},
		"/registry/months/1800-01":                  {http.StatusBadRequest, "no month before 1900-01"},
		"/registry/months/May":                      {http.StatusBadRequest, "YYYY-MM"},
		"/registry/months/2026-03":                  {http.StatusOK, `"status": "closed"`},
		"/registry/months/2026-05":                  {http.StatusOK, `"status": "open"`},
	} {
		if r := get(t, p, path); r.status != want.status || !strings.Contains(string(r.body), want.words) {
			t.Errorf("%s: %d %s", path, r.status, r.body)
		}
	}
	early := &Pull{Exporter: newExporter(t, "", implanted("1", 3, "2026-03-03")), Dir: filepath.Join(t.TempDir(), "open"), Now: p.Now}
	if r := get(t, early, "/registry/months/2026-02"); r.status != http.StatusNotFound || !strings.Contains(string(r.body), "the first row is of 2026-03") {
		t.Errorf("before anything: %d %s", r.status, r.body)
	}
	// On the set day the month before is closed also when nothing had happened by its end.
	e.ClosedDir = filepath.Join(t.TempDir(), "closed")
	got, err := e.CloseDue(t.Context(), time.Date(2026, 3, 15, 0, 0, 0, 0, time.UTC), 10, signer, func(string) error { return nil })
	if err != nil || len(got) != 1 || got[0].Manifest.Registry.Period != "2026-02" {
		t.Errorf("%+v, %v", got, err)
	}
}
