package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

var older = flag.String("older", "", "git revision that the upgrade starts from; default: the last one without the newest migration of PostgreSQL")

// TestUpgrade starts three nodes of an older program on a database of its own level, and replaces them one by one while
// orders of few patients stream in: the first new node changes the tables under two old ones that write. A new node must
// come up by itself, without a supervisor. With both versions at work, each node commits. Afterwards every acknowledged
// order has had its effect exactly once, as in TestFaults. It says nothing of a way back.
func TestUpgrade(t *testing.T) {
	if testing.Short() {
		t.Skip("an older program is built and a cluster started")
	}
	ctx, c, dept := newCluster(t)
	newer := c.Binary
	c.Binary = buildOlder(t, c.Dir)
	if err := c.Start(ctx); err != nil {
		t.Fatal(err)
	}
	loading, stopLoading := context.WithCancel(ctx)
	l := &load{c: c, patients: 40, every: 100 * time.Millisecond} // what three nodes on a busy machine keep up with
	done := make(chan struct{})
	go func() { l.run(loading); close(done) }()
	defer func() { stopLoading(); <-done }()
	allCommit(ctx, t, c)
	c.Binary = newer
	for i := range size {
		began := time.Now()
		c.nodes[i].stop(syscall.SIGTERM)
		stopped := time.Since(began)
		if err := c.startNode(i); err != nil {
			t.Fatal(err)
		}
		if err := c.NodeReady(ctx, i); err != nil { // also when it has ended at its start
			t.Fatal(err)
		}
		t.Logf("node %d: stopped in %s, the newer one ready %s later", i, stopped.Round(time.Millisecond), (time.Since(began) - stopped).Round(time.Millisecond))
		allCommit(ctx, t, c)
	}
	stopLoading()
	<-done
	drain(ctx, t, c, dept, l)
	checkEffects(ctx, t, c, dept, l.acked)
}

// buildOlder builds the program of an older revision.
func buildOlder(t *testing.T, dir string) string {
	t.Helper()
	const root, tables = "../..", "adapters/store/postgres/migrations"
	git := func(args ...string) (string, error) {
		cmd := exec.Command("git", args...)
		cmd.Dir = root
		out, err := cmd.Output()
		return strings.TrimSpace(string(out)), err
	}
	rev := *older
	if rev == "" {
		rev = olderRevision(t, git, tables)
	}
	name, err := git("log", "-1", "--format=%h %s", rev)
	if err != nil {
		t.Fatalf("there is no revision %s: %v", rev, err)
	}
	t.Logf("from %s", name)
	src := filepath.Join(dir, "older")
	binary := filepath.Join(dir, "gaussline-older")
	script := exec.Command("sh", "-ec", `mkdir "$2"; git archive "$1" | tar -x -C "$2"; cd "$2"; go build -o "$3" ./cmd/gaussline; rm -rf "$2"`, "sh", rev, src, binary)
	script.Dir = root
	if out, err := script.CombinedOutput(); err != nil {
		t.Fatalf("build of %s: %v\n%s", name, err, out)
	}
	return binary
}

// requireHistory makes it a failure that there is no older revision. It is for whoever knows that the clone is whole.
const requireHistory = "GAUSSLINE_REQUIRE_HISTORY"

// olderRevision gives the last revision without the newest migration, or, where the history begins later, its oldest
// one: then nodes of two versions are tried on the same tables.
func olderRevision(t *testing.T, git func(...string) (string, error), tables string) string {
	t.Helper()
	added, err := git("log", "-1", "--diff-filter=A", "--format=%H", "--", tables)
	if err == nil && added != "" {
		if before, err := git("rev-parse", "--verify", "--quiet", added+"^"); err == nil {
			return before
		}
	}
	oldest, err := git("rev-list", "--max-parents=0", "HEAD")
	head, headErr := git("rev-parse", "HEAD")
	if err == nil && headErr == nil && oldest != "" {
		first := strings.Fields(oldest)[0]
		if first != head {
			t.Log("the history begins after the newest migration: the upgrade starts from its oldest revision, and changes no table")
			return first
		}
	}
	// The terminal, not the log of a test that passes: it must be seen that this was not tried.
	fmt.Fprintln(os.Stderr, "SKIPPED: the rolling upgrade was not tried, since there is no older revision to build (a clone without history)")
	if os.Getenv(requireHistory) != "" {
		t.Fatalf("no older revision, and %s is set", requireHistory)
	}
	t.Skip("no older revision to build an older program from")
	return ""
}

// allCommit waits until every node has committed messages since the call.
func allCommit(ctx context.Context, t *testing.T, c *Cluster) {
	t.Helper()
	for i := range size {
		for before, now := -1.0, 0.0; before < 0 || now <= before; {
			var err error
			if now, err = c.committed(ctx, i); err != nil {
				t.Fatal(err)
			}
			if before < 0 {
				before = now
			}
			if pause(ctx, pollEvery) != nil {
				t.Fatalf("node %d commits nothing\n%s", i, c.nodes[i].tail())
			}
		}
	}
}

// committed gives how many messages a node has committed since it started.
func (c *Cluster) committed(ctx context.Context, i int) (float64, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.URLs()[i]+"/metrics", nil)
	if err != nil {
		return 0, err
	}
	req.Header.Set("Authorization", "Bearer "+c.Watch)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err
	}
	defer res.Body.Close()
	for lines := bufio.NewScanner(res.Body); lines.Scan(); {
		if v, ok := strings.CutPrefix(lines.Text(), "gaussline_messages_committed_total "); ok {
			return strconv.ParseFloat(v, 64)
		}
	}
	return 0, fmt.Errorf("node %d: metrics answered %s", i, res.Status)
}
