package pipeline_test

import (
	"context"
	"database/sql"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	_ "modernc.org/sqlite" // as the sqlite3 program would, beside the running service

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/pgtest"
	"gaussline/adapters/store/postgres"
	"gaussline/adapters/store/sqlite"
)

// on gives a workbench on a store of the test's own.
func on(t *testing.T, s pipeline.Store) workbench {
	t.Helper()
	w := newWorkbench(t)
	_ = w.Store.Close()
	w.Store = s
	t.Cleanup(func() { _ = s.Close() })
	return w
}

func embedded(t *testing.T, dir string) pipeline.Store {
	t.Helper()
	s, err := sqlite.Open(context.Background(), dir, sqlite.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// restored checks what a restore must give: the state at the time of the back-up, and, when the messages since then are
// sent again among all the others, the state without the accident.
func restored(t *testing.T, copied pipeline.Store, atBackup, atEnd string, ms []pipeline.Message) {
	t.Helper()
	w := on(t, copied)
	if found, err := copied.Check(t.Context()); err != nil || len(found) > 0 {
		t.Errorf("check: %v %v", found, err)
	}
	if d := cmp.Diff(atBackup, w.inForce(t)); d != "" {
		t.Errorf("restored (-at back-up +restored):\n%s", d)
	}
	w.tell(t, ms...)
	if d := cmp.Diff(atEnd, w.inForce(t)); d != "" {
		t.Errorf("messages sent again (-without accident +after):\n%s", d)
	}
}

// The back-ups of deploy/README.md, taken while the service runs, give back what it held.
func TestBackupAndRestore(t *testing.T) {
	ms := allMessages(t)
	half := len(ms) / 2
	t.Run("SQLite", func(t *testing.T) {
		dir, copyDir := t.TempDir(), t.TempDir()
		w := on(t, embedded(t, dir))
		w.tell(t, ms[:half]...)
		atBackup := w.inForce(t)
		db, err := sql.Open("sqlite", filepath.Join(dir, sqlite.FileName))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.Exec("vacuum into ?", filepath.Join(copyDir, sqlite.FileName)); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		w.tell(t, ms[half:]...)
		restored(t, embedded(t, copyDir), atBackup, w.inForce(t), ms)
	})
	t.Run("PostgreSQL", func(t *testing.T) {
		server := pgtest.Start(t)
		dump, err := pgProgram("pg_dump")
		if err != nil {
			t.Skip(err)
		}
		restore, err := pgProgram("pg_restore")
		if err != nil {
			t.Skip(err)
		}
		open := func(url string) pipeline.Store {
			s, err := postgres.Open(t.Context(), url, postgres.Options{}, nil)
			if err != nil {
				t.Fatal(err)
			}
			return s
		}
		from, to, file := pgtest.Database(t, server), pgtest.Database(t, server), filepath.Join(t.TempDir(), "dump")
		w := on(t, open(from))
		w.tell(t, ms[:half]...)
		atBackup := w.inForce(t)
		if out, err := exec.Command(dump, "--format=custom", "--file="+file, from).CombinedOutput(); err != nil {
			t.Fatalf("pg_dump: %v\n%s", err, out)
		}
		w.tell(t, ms[half:]...)
		if out, err := exec.Command(restore, "--exit-on-error", "--no-owner", "--dbname="+to, file).CombinedOutput(); err != nil {
			t.Fatalf("pg_restore: %v\n%s", err, out)
		}
		restored(t, open(to), atBackup, w.inForce(t), ms)
	})
}

func pgProgram(name string) (string, error) {
	if found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name); len(found) > 0 {
		return found[len(found)-1], nil
	}
	return exec.LookPath(name)
}

// The kept messages alone give the whole record: read anew into an empty store they lead to the same state.
func TestReplayOfKeptMessages(t *testing.T) {
	ms := allMessages(t)
	w := newWorkbench(t)
	w.tell(t, ms...)
	var kept []pipeline.Message
	err := w.Store.View(t.Context(), func(r pipeline.Reader) error {
		for _, m := range ms {
			k, err := r.Message(t.Context(), m.ID)
			if err != nil {
				return err
			}
			kept = append(kept, k)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	again := newWorkbench(t)
	again.tell(t, kept...)
	if d := cmp.Diff(w.inForce(t), again.inForce(t)); d != "" {
		t.Errorf("replayed (-first +replayed):\n%s", d)
	}
}
