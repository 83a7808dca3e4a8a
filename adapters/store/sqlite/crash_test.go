package sqlite

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"gaussline/adapters/pipeline"
)

const crashEnv = "GAUSSLINE_TEST_CRASH_DIR"

// TestCrashChild is the process that TestKilled kills: it says each number after its update has returned.
func TestCrashChild(t *testing.T) {
	dir := os.Getenv(crashEnv)
	if dir == "" {
		t.Skip("run by TestKilled")
	}
	s := open(t, dir, Options{})
	for {
		n := 0
		err := s.Update(t.Context(), func(tx pipeline.Tx) error {
			if err := increment(t.Context())(tx); err != nil {
				return err
			}
			rec, err := tx.Record(t.Context(), "p")
			if err != nil {
				return err
			}
			n = rec.Statements
			return tx.Queue(t.Context(), pipeline.Outgoing{ID: strconv.Itoa(n), Body: make([]byte, 20_000)})
		})
		if err != nil {
			t.Fatal(err)
		}
		fmt.Println("committed", n)
	}
}

// A process that is killed in the middle of writing loses nothing that it had said was kept, and keeps nothing by
// halves: the record and the outbox have the same number, and the check is clean. (What a power cut loses is up to
// synchronous=FULL, which TestPragmasOnEveryConnection reads back.)
func TestKilled(t *testing.T) {
	dir := t.TempDir()
	last := 0
	for round := range 5 {
		c := exec.Command(os.Args[0], "-test.run=^TestCrashChild$", "-test.v")
		c.Env = append(os.Environ(), crashEnv+"="+dir)
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for said := 0; said < 10+round && lines.Scan(); {
			if n, _ := fmt.Sscanf(lines.Text(), "committed %d", &last); n == 1 {
				said++
			}
		}
		if err := c.Process.Kill(); err != nil { // SIGKILL, at whatever it is doing
			t.Fatal(err)
		}
		for lines.Scan() { // what it had said before it died
			_, _ = fmt.Sscanf(lines.Text(), "committed %d", &last)
		}
		_ = c.Wait() // killed
		last = afterCrash(t, dir, last)
	}
}

// afterCrash opens the store and gives the number that it kept, at least the last one said.
func afterCrash(t *testing.T, dir string, said int) (kept int) {
	t.Helper()
	s := open(t, dir, Options{})
	err := s.View(t.Context(), func(r pipeline.Reader) error {
		rec, err := r.Record(t.Context(), "p")
		if err != nil {
			return err
		}
		kept = rec.Statements
		list, err := r.Outbox(t.Context(), "")
		if kept < said || len(list) != kept {
			t.Errorf("said %d, the record has %d, the outbox %d", said, kept, len(list))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if found, err := s.Check(t.Context()); err != nil || len(found) > 0 {
		t.Errorf("check: %v, %v", found, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return kept
}
