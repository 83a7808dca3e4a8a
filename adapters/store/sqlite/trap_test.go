package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	modernc "modernc.org/sqlite"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/storetest"
	"gaussline/mapping/implant"
)

func open(t *testing.T, dir string, opt Options) *db {
	t.Helper()
	s, err := Open(t.Context(), dir, opt, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s.(*db)
}

// A PRAGMA run once reaches one connection of a pool. Wanted values: sqlite.org/pragma.html.
func TestPragmasOnEveryConnection(t *testing.T) {
	s := open(t, t.TempDir(), Options{Readers: 5, BusyTimeout: 1234 * time.Millisecond})
	want := map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "busy_timeout": "1234"}
	for _, p := range []struct {
		name      string
		pool      *pool
		n         int
		queryOnly string
	}{{"write", s.write, 1, "0"}, {"read", s.read, 5, "1"}} {
		if got := p.pool.db.Stats().OpenConnections; got != p.n {
			t.Errorf("%s: %d connections open at start, want %d", p.name, got, p.n)
		}
		var held []*sql.Conn // all at once, so that each is another one
		for i := range p.n {
			c, err := p.pool.db.Conn(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			held = append(held, c)
			want["query_only"] = p.queryOnly
			for name, value := range want {
				var got string
				if err := c.QueryRowContext(t.Context(), "pragma "+name).Scan(&got); err != nil || got != value {
					t.Errorf("%s connection %d: %s is %s, %v, want %s", p.name, i, name, got, err, value)
				}
			}
		}
		for _, c := range held {
			_ = c.Close()
		}
	}
	if !modernc.OFDLockingEnabled() {
		t.Error("open file description locks are not in use")
	}
}

// The driver ignores settings that it does not know: what cannot be read back as asked must stop the start.
func TestRefusesOtherSettings(t *testing.T) {
	var opt Options
	if err := opt.complete(); err != nil {
		t.Fatal(err)
	}
	good := pragmas(opt, false)
	pool := openPool(filepath.Join(t.TempDir(), "a.db"), opt, false, 1)
	defer pool.Close()
	c, err := pool.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	err = c.Raw(func(driverConn any) error {
		dc := driverConn.(modernc.ExecQuerierContext)
		if err := verify(dc, good); err != nil {
			t.Errorf("as set: %v", err)
		}
		for _, name := range []string{"journal_mode", "synchronous", "foreign_keys", "busy_timeout", "query_only"} {
			bad := append([]pragma{}, good...)
			for i := range bad {
				if bad[i].name == name {
					bad[i].want = "something else"
				}
			}
			if err := verify(dc, bad); err == nil || !strings.Contains(err.Error(), name) {
				t.Errorf("%s: %v", name, err)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// A database in memory cannot be in WAL mode: the whole way through the hook.
	if _, err := openPool(":memory:", opt, false, 1).Conn(t.Context()); err == nil || !strings.Contains(err.Error(), "journal_mode") {
		t.Errorf("in memory: %v", err)
	}
}

func TestOptionsRefused(t *testing.T) {
	for _, opt := range []Options{{Readers: -1}, {Readers: maxReaders + 1}, {BusyTimeout: time.Hour}, {BusyTimeout: 1}} {
		if s, err := Open(t.Context(), t.TempDir(), opt, nil); err == nil {
			_ = s.Close()
			t.Errorf("%+v was taken", opt)
		}
	}
}

// time.Time is stored in three layouts by the driver itself; ours are text of one length, in UTC.
func TestTimeLayout(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	zone := time.FixedZone("", 3*3600)
	for i, at := range []time.Time{time.Date(2026, 1, 2, 3, 4, 5, 6789, zone), time.Date(999, 12, 31, 0, 0, 0, 0, zone), {}} {
		err := s.Update(t.Context(), func(tx pipeline.Tx) error {
			_, err := tx.SaveMessages(t.Context(), []pipeline.Message{{ID: fmt.Sprint(i), ReceivedAt: at}})
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	want := []string{"2026-01-02T00:04:05.000006Z", "0999-12-30T21:00:00.000000Z", ""}
	for i, w := range want {
		var got, typ string
		row := s.read.db.QueryRow("select received_at, typeof(received_at) from messages where id = ?", fmt.Sprint(i))
		if err := row.Scan(&got, &typ); err != nil || got != w || typ != "text" {
			t.Errorf("%d: %q %s %v, want %q", i, got, typ, err, w)
		}
	}
}

// Written behind the store's back, a row that points nowhere is refused; and the readers cannot write at all.
func TestForeignKeysAndReadOnly(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	_, err := s.write.db.Exec("insert into record_aliases (alias, patient) values ('a', 'nobody')")
	var e *modernc.Error
	if !errors.As(err, &e) || e.Code() != 787 { // SQLITE_CONSTRAINT_FOREIGNKEY, sqlite.org/rescode.html
		t.Errorf("alias of no record: %v", err)
	}
	_, err = s.read.db.Exec("insert into records (patient, body) values ('a', x'00')")
	if !errors.As(err, &e) || e.Code()&0xff != 8 { // SQLITE_READONLY
		t.Errorf("write by a reader: %v", err)
	}
}

// The journal is append-only even for somebody with a shell on the database.
func TestJournalAppendOnly(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	err := s.Update(t.Context(), func(tx pipeline.Tx) error {
		_, err := tx.Append(t.Context(), pipeline.Entry{Kind: "ack", Key: "a"})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{"update journal set key = 'b'", "delete from journal"} {
		if _, err := s.write.db.Exec(q); err == nil {
			t.Errorf("%s was taken", q)
		}
	}
}

// A transaction that reads and then writes fails at once with BUSY_SNAPSHOT (517) when another wrote in between,
// whatever the timeout, unless it takes the write lock first. Two stores on one folder show it.
func TestTwoStoresOneFolder(t *testing.T) {
	dir := t.TempDir()
	stores := []*db{open(t, dir, Options{}), open(t, dir, Options{})}
	const workers, steps = 4, 25
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for range steps {
				if err := stores[w%2].Update(t.Context(), increment(t.Context())); err != nil {
					t.Errorf("worker %d: %v", w, err)
				}
			}
		})
	}
	wg.Wait()
	wantCount(t, stores[0], workers*steps)
}

// increment reads first and writes later.
func increment(ctx context.Context) func(pipeline.Tx) error {
	return func(tx pipeline.Tx) error {
		rec, err := tx.Record(ctx, "p")
		if err != nil && !errors.Is(err, pipeline.ErrNotFound) {
			return err
		}
		rec.Patient = "p"
		rec.Statements++
		return tx.SaveRecord(ctx, rec)
	}
}

func wantCount(t *testing.T, s *db, want int) {
	t.Helper()
	err := s.View(t.Context(), func(r pipeline.Reader) error {
		rec, err := r.Record(t.Context(), "p")
		if rec.Statements != want {
			t.Errorf("counted %d, want %d", rec.Statements, want)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	if found, err := s.Check(t.Context()); err != nil || len(found) > 0 {
		t.Errorf("check: %v, %v", found, err)
	}
}

const childEnv = "GAUSSLINE_TEST_STORE_DIR"

// TestChild is the other process of TestTwoProcesses.
func TestChild(t *testing.T) {
	dir := os.Getenv(childEnv)
	if dir == "" {
		t.Skip("run by TestTwoProcesses")
	}
	s := open(t, dir, Options{})
	for range 50 {
		if err := s.Update(t.Context(), increment(t.Context())); err != nil {
			t.Fatal(err)
		}
	}
}

// Two processes on one folder take turns. This one also opens and closes the file as a careless backup would,
// which drops the locks of a process that does not use open file description locks.
func TestTwoProcesses(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	var kids []*exec.Cmd
	for range 2 {
		c := exec.Command(os.Args[0], "-test.run=^TestChild$")
		c.Env = append(os.Environ(), childEnv+"="+dir)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		kids = append(kids, c)
	}
	for range 50 {
		f, err := os.Open(filepath.Join(dir, FileName))
		if err != nil {
			t.Fatal(err)
		}
		_ = f.Close()
		if err := s.Update(t.Context(), increment(t.Context())); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range kids {
		if err := c.Wait(); err != nil {
			t.Errorf("child: %v", err)
		}
	}
	wantCount(t, s, 150)
}

// A writer that another process keeps waiting is told to try again, and nothing of it is kept.
func TestBusy(t *testing.T) {
	dir := t.TempDir()
	first, second := open(t, dir, Options{}), open(t, dir, Options{BusyTimeout: 20 * time.Millisecond})
	err := first.Update(t.Context(), func(pipeline.Tx) error {
		err := second.Update(t.Context(), func(pipeline.Tx) error { t.Error("it ran"); return nil })
		if !errors.Is(err, pipeline.ErrBusy) {
			t.Errorf("%v, want ErrBusy", err)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// modernc.org/sqlite works with the exact modernc.org/libc it was made with (its go.mod says which).
func TestLibcPin(t *testing.T) {
	libc := regexp.MustCompile(`(?m)^\s*modernc\.org/libc (v\S+)`)
	pin := func(path string) string {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		m := libc.FindSubmatch(b)
		if m == nil {
			t.Fatalf("%s does not name modernc.org/libc", path)
		}
		return string(m[1])
	}
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "modernc.org/sqlite").Output()
	if err != nil {
		t.Fatal(err)
	}
	theirs := pin(filepath.Join(strings.TrimSpace(string(out)), "go.mod"))
	if ours := pin("../../../go.mod"); ours != theirs {
		t.Errorf("go.mod pins modernc.org/libc %s; modernc.org/sqlite needs %s", ours, theirs)
	}
}

// A damaged page must be reported, and what is damaged must not be returned as if it were whole.
func TestCheckFindsDamage(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	body := strings.Repeat("body ", 4000)
	m := pipeline.Message{ID: "5a1b" + strings.Repeat("0", 60), Sender: "a", Body: []byte(body)} // not the hash of this body
	err := s.Update(t.Context(), func(tx pipeline.Tx) error {
		if _, err := tx.SaveMessages(t.Context(), []pipeline.Message{m}); err != nil {
			return err
		}
		return tx.SaveRecord(t.Context(), implant.Record{Patient: "p"})
	})
	if err != nil {
		t.Fatal(err)
	}
	wantProblem(t, s, "bytes are not those that were received")
	for sql, want := range map[string]string{
		`pragma foreign_keys = 0`:                                              "",
		`update records set body = cast('{"patient":"q"}' as blob)`:            "key and body disagree",
		`insert into record_aliases (alias, patient) values ('x', 'nobody')`:   "point nowhere",
		`insert into patient_edges (a, b, statement_row) values ('x', 'y', 1)`: "goes both ways",
		`insert into outbox (id, ord, sink, dest, body, state, attempts, next_try, last_err, queued)
			values ('o', '', '', '', x'', 'lost', 0, '', '', '')`: "waiting, sent or dead",
	} {
		for _, q := range []string{"pragma foreign_keys = 0", sql} { // off, which only a test may do
			if _, err := s.write.db.Exec(q); err != nil {
				t.Fatalf("%s: %v", q, err)
			}
		}
		wantProblem(t, s, want)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// Damage on disk: pages in the middle of the file are overwritten while nobody has it open.
	path := filepath.Join(dir, FileName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := strings.Index(string(b), "body body")
	copy(b[at-at%4096:], strings.Repeat("\xff", 2*4096))
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	wantProblem(t, open(t, dir, Options{}), "")
}

// One changed byte of a body that nothing else can be compared with is seen, by SQL and in the file.
func TestCheckFindsAFlippedByte(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	storetest.Damage(t, s, func(q string) error { _, err := s.write.db.Exec(q); return err },
		func(i int) string {
			return fmt.Sprintf("cast(substr(body, 1, %d) || '!' || substr(body, %d) as blob)", i, i+2)
		},
		"")

	dir := t.TempDir()
	s = open(t, dir, Options{})
	err := s.Update(t.Context(), func(tx pipeline.Tx) error {
		_, err := tx.SaveMessages(t.Context(), []pipeline.Message{{ID: "m", Body: []byte("-")}})
		return errors.Join(err, tx.Queue(t.Context(), pipeline.Outgoing{ID: "o", Body: []byte(`{"note":"banner in place"}`)}),
			tx.SaveStatement(t.Context(), pipeline.StoredStatement{MessageID: "m", Statement: implant.Statement{Key: "k", Type: "Device", Mentions: []string{"statement in place"}}}),
			tx.SaveRecord(t.Context(), implant.Record{Patient: "p", Person: implant.Person{Family: "record in place"}}),
			tx.SaveVerdict(t.Context(), pipeline.StoredVerdict{Referral: "r", Body: []byte(`{"note":"verdict in place"}`)}))
	})
	if err = errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, FileName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{"banner in place": "not what was queued", "verdict in place": "not what was decided",
		"statement in place": "not what was read", "record in place": "not what was folded"} {
		at := bytes.Index(b, []byte(text))
		if at < 0 {
			t.Fatalf("%q is not in the file", text)
		}
		bent := bytes.Clone(b)
		bent[at] ^= 1
		if err := os.WriteFile(path, bent, 0o600); err != nil {
			t.Fatal(err)
		}
		s := open(t, dir, Options{})
		wantProblem(t, s, want)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func wantProblem(t *testing.T, s *db, want string) {
	t.Helper()
	found, err := s.Check(t.Context())
	if err != nil || len(found) == 0 || !strings.Contains(strings.Join(found, "\n"), want) {
		t.Errorf("check found %q, %v, want %q", found, err, want)
	}
}
