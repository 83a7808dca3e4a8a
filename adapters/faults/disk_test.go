package faults

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/implant"
)

var at = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

// put stores message number n with all that usually comes with one.
func put(s pipeline.Store, n, size int) error {
	ctx := context.Background()
	body := append(fmt.Appendf(nil, `{"n":%d,"text":"`, n), bytes.Repeat([]byte{'a' + byte(n%26)}, size)...)
	m := pipeline.Message{ID: pipeline.MessageID("hillside", body), Sender: "hillside", Body: body, ReceivedAt: at}
	key := fmt.Sprintf("hillside|Procedure/%d", n)
	patient := fmt.Sprintf("hillside|Patient/%d", n%7)
	return s.Update(ctx, func(tx pipeline.Tx) error {
		if _, err := tx.SaveMessages(ctx, []pipeline.Message{m}); err != nil {
			return err
		}
		st := pipeline.StoredStatement{Statement: implant.Statement{Key: key, Type: "Procedure", Patient: patient, Version: implant.Version{Hash: m.ID}},
			MessageID: m.ID, Length: len(body), ReceivedAt: at}
		if err := tx.SaveStatement(ctx, st); err != nil {
			return err
		}
		if err := tx.SaveRecord(ctx, implant.Record{Patient: patient, Statements: n}); err != nil {
			return err
		}
		return tx.Queue(ctx, pipeline.Outgoing{ID: m.ID, Order: key, Sink: pipeline.SinkNATS, To: "x", Body: body, Queued: at, NextTry: at, State: pipeline.OutWaiting})
	})
}

// contents is everything that readers can ask for, by what it is, or the error that reading it gives. "received" is
// the evidence; all else can be made from it again.
func contents(s pipeline.Store, n, size int) (map[string]string, error) {
	ctx := context.Background()
	out := map[string][]any{}
	err := s.View(ctx, func(r pipeline.Reader) error {
		for i := range n {
			body := append(fmt.Appendf(nil, `{"n":%d,"text":"`, i), bytes.Repeat([]byte{'a' + byte(i%26)}, size)...)
			m, err := r.Message(ctx, pipeline.MessageID("hillside", body))
			if err != nil {
				return err
			}
			out["received"] = append(out["received"], m.ID, m.Sender, m.Body)
			out["message"] = append(out["message"], m)
			sts, err := r.ByKey(ctx, []string{fmt.Sprintf("hillside|Procedure/%d", i)})
			if err != nil {
				return err
			}
			out["statement"] = append(out["statement"], sts)
		}
		for i := range 7 {
			patient := fmt.Sprintf("hillside|Patient/%d", i)
			rec, err := r.Record(ctx, patient)
			if err != nil {
				return err
			}
			sts, err := r.OfPatients(ctx, []string{patient})
			if err != nil {
				return err
			}
			out["record"] = append(out["record"], rec)
			out["statement"] = append(out["statement"], sts)
		}
		waiting, err := r.Outbox(ctx, "")
		for _, o := range waiting {
			out["times of the outbox"] = append(out["times of the outbox"], o.Queued, o.NextTry)
			o.Queued, o.NextTry = time.Time{}, time.Time{}
			out["outbox"] = append(out["outbox"], o)
		}
		return err
	})
	texts := map[string]string{}
	for what, list := range out {
		b, _ := json.Marshal(list)
		texts[what] = string(b)
	}
	return texts, err
}

var pages = flag.Int("pages", 100, "rounds of the test with corrupted pages")

// Bytes that change on disk are noticed: opening fails, or the check reports them, or they lie where nothing is kept
// and every answer is the old one. Nothing may be another beside a clean check, but for one thing: when an outgoing
// message was queued and is tried next has no checksum, since each try changes it. One that becomes another moment delays
// a message or hurries it, and its age is seen; the table says how often.
func TestCorruptedPages(t *testing.T) {
	const messages, size = 60, 700
	rounds := *pages
	dir := t.TempDir()
	s := openStore(t, dir)
	for i := range messages {
		if err := put(s, i, size); err != nil {
			t.Fatal(err)
		}
	}
	want, err := contents(s, messages, size)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, sqlite.FileName))
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(11, 3))
	seen := map[string]int{}
	for round := range rounds {
		bad := bytes.Clone(whole)
		what := damage(rng, bad, round)
		copied := t.TempDir()
		if err := os.WriteFile(filepath.Join(copied, sqlite.FileName), bad, 0o600); err != nil {
			t.Fatal(err)
		}
		how := judge(copied, want, messages, size)
		seen[how]++
		switch how {
		case "refused", "reported", "harmless":
		case "times of the outbox":
			t.Logf("round %d: %s: the check is clean and a time of the outbox is another", round, what)
		default:
			t.Errorf("round %d: %s: the check is clean and the %s is another", round, what, how)
		}
	}
	found, times := seen["refused"]+seen["reported"], seen["times of the outbox"]
	if found < rounds/3 || times > rounds/300 {
		t.Errorf("only %d of %d were found, %d times became others", found, rounds, times)
	}
	figure(line{"corrupted SQLite page", rounds, rounds - found - times - seen["harmless"], 0, "-", fmt.Sprintf(
		"%d found, %d without effect, %d gave an outgoing message another time, unseen", found, seen["harmless"], times)})
}

// damage changes some bytes, half a page, or a page for another.
func damage(rng *rand.Rand, b []byte, round int) string {
	const page = 4096
	pages := len(b) / page
	p := rng.IntN(pages)
	switch round % 4 {
	case 0:
		i := rng.IntN(len(b))
		b[i] ^= 1 << rng.IntN(8)
		return fmt.Sprintf("one bit at %d", i)
	case 1:
		i := p*page + rng.IntN(page-16)
		for j := range 16 {
			b[i+j] = byte(rng.IntN(256))
		}
		return fmt.Sprintf("16 bytes at %d", i)
	case 2:
		clear(b[p*page+page/2 : (p+1)*page])
		return fmt.Sprintf("half of page %d zeroed", p+1)
	}
	q := rng.IntN(pages)
	copy(b[p*page:(p+1)*page], b[q*page:(q+1)*page])
	return fmt.Sprintf("page %d overwritten by page %d", p+1, q+1)
}

// judge opens a damaged copy. It gives refused, reported, harmless, unreadable, or what gives another answer though
// the check is clean.
func judge(dir string, want map[string]string, messages, size int) string {
	s, err := sqlite.Open(context.Background(), dir, sqlite.Options{Readers: 1}, zap.NewNop())
	if err != nil {
		return "refused"
	}
	defer s.Close()
	problems, err := s.Check(context.Background())
	if err != nil || len(problems) > 0 {
		return "reported"
	}
	got, err := contents(s, messages, size)
	if err != nil {
		return "unreadable"
	}
	for _, what := range []string{"received", "message", "statement", "record", "outbox", "times of the outbox"} {
		if got[what] != want[what] {
			return what
		}
	}
	return "harmless"
}

// mount makes a small file system of its own, which only root may.
func mount(t *testing.T, options string) string {
	t.Helper()
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", options, "none", dir).CombinedOutput(); err != nil {
		t.Skipf("no file system can be mounted here: %s", out)
	}
	t.Cleanup(func() { _ = exec.Command("umount", "-l", dir).Run() })
	return dir
}

// A full disk refuses with an error that says it may pass; nothing acknowledged is lost, and when there is room again,
// work goes on without a restart.
func TestDiskFull(t *testing.T) {
	dir := mount(t, "size=6m")
	s := openStore(t, dir)
	filler := filepath.Join(dir, "filler")
	if err := os.WriteFile(filler, make([]byte, 2<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	const size, rounds = 5000, 5
	kept, refusals := 0, 0
	for round := range rounds {
		var err error
		for err == nil {
			if err = put(s, kept, size); err == nil {
				kept++
			}
			if kept > 5000 {
				t.Fatal("the disk does not fill up")
			}
		}
		refusals++
		if !errors.Is(err, pipeline.ErrUnavailable) || !strings.Contains(err.Error(), "full") {
			t.Errorf("round %d: %v", round, err)
		}
		for range 5 { // again and again, as a worker would
			if err := put(s, kept, size); err == nil {
				kept++
			} else if refusals++; !errors.Is(err, pipeline.ErrUnavailable) {
				t.Errorf("round %d: %v", round, err)
			}
		}
		if err := os.Truncate(filler, int64(2<<20-(round+1)*(300<<10))); err != nil { // somebody makes room
			t.Fatal(err)
		}
		if err := put(s, kept, size); err != nil {
			t.Fatalf("round %d: with room again: %v", round, err)
		}
		kept++
	}
	lost := missing(t, s, kept, size)
	if err := s.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	lost += missing(t, openStore(t, dir), kept, size)
	figure(line{"disk full (SQLite)", rounds, lost, 0, "next commit", fmt.Sprintf("%d kept, %d refused with a cause", kept, refusals)})
}

// missing counts acknowledged messages that are not kept, and wants a clean check.
func missing(t testing.TB, s pipeline.Store, kept, size int) int {
	t.Helper()
	if _, err := contents(s, kept, size); err != nil {
		t.Errorf("%d messages were acknowledged: %v", kept, err)
		return 1
	}
	if problems, err := s.Check(context.Background()); err != nil || len(problems) > 0 {
		t.Errorf("check: %q %v", problems, err)
	}
	return 0
}

// A folder that cannot be written (Linux mounts a disk that errs read-only) is refused at the start, with the cause;
// what was acknowledged before is there when it can be written again.
func TestReadOnlyDisk(t *testing.T) {
	dir := mount(t, "size=8m")
	s := openStore(t, dir)
	const size, rounds = 500, 3
	kept, recovered := 0, 0
	for round := range rounds {
		for range 20 {
			if err := put(s, kept, size); err != nil {
				t.Fatal(err)
			}
			kept++
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		remount(t, dir, "ro")
		if _, err := sqlite.Open(context.Background(), dir, sqlite.Options{Readers: 1, BusyTimeout: time.Second}, zap.NewNop()); err == nil {
			t.Errorf("round %d: a store that cannot be written was opened", round)
		} else if !errors.Is(err, pipeline.ErrUnavailable) && !strings.Contains(err.Error(), "read") {
			t.Errorf("round %d: %v", round, err)
		}
		remount(t, dir, "rw")
		s = openStore(t, dir)
		recovered++
	}
	lost := missing(t, s, kept, size)
	figure(line{"read-only folder (SQLite)", rounds, lost, 0, "next start", fmt.Sprintf("%d kept; opening is refused with a cause", kept)})
}

func remount(t *testing.T, dir, mode string) {
	t.Helper()
	if out, err := exec.Command("mount", "-o", "remount,"+mode, dir).CombinedOutput(); err != nil {
		t.Skipf("cannot remount: %s", out)
	}
}
