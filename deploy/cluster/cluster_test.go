package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/postgres"
)

// TestMain lets the test binary be a broker, so that one can be killed.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == brokerArg {
		main()
		return
	}
	os.Exit(m.Run())
}

var rounds = flag.Int("rounds", 1, "rounds of the fault test; each kills a node, the leading broker and PostgreSQL")

const (
	senders   = 6
	quietTime = 1500 * time.Millisecond // between a recovery and the next kill
)

// department takes what radiology is sent and notes under which ids.
type department struct {
	mu   sync.Mutex
	seen map[string]map[string]int // order -> message id -> copies
}

func (d *department) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	var b struct {
		Entry []struct {
			Resource struct{ ResourceType, ID string }
		}
	}
	if err != nil || json.Unmarshal(body, &b) != nil {
		http.Error(w, "unreadable", http.StatusBadRequest)
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range b.Entry {
		if e.Resource.ResourceType == "ServiceRequest" {
			if d.seen[e.Resource.ID] == nil {
				d.seen[e.Resource.ID] = map[string]int{}
			}
			d.seen[e.Resource.ID][r.Header.Get("X-Request-Id")]++
		}
	}
}

func (d *department) missing(acked []string) (out []string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, id := range acked {
		if len(d.seen[id]) == 0 {
			out = append(out, id)
		}
	}
	return out
}

func order(i, patients int) (id string, body []byte) {
	id = fmt.Sprintf("order-%06d", i)
	return id, fmt.Appendf(nil, `{"resourceType":"ServiceRequest","id":%q,"meta":{"versionId":"1","lastUpdated":"2026-05-20T09:00:00Z"},"status":"active","intent":"order","code":{"coding":[{"system":"http://loinc.org","code":"30679-5"}],"text":"MR lumbar spine"},"subject":{"reference":"Patient/%d"},"performer":[{"display":"North Imaging"}]}`, id, i%patients)
}

// load posts orders to all nodes until it is stopped, and keeps what was acknowledged.
type load struct {
	c        *Cluster
	patients int           // few, so that nodes meet on them
	every    time.Duration // pause of each sender between two orders

	mu    sync.Mutex
	next  int
	acked []string
}

func (l *load) run(ctx context.Context) {
	var wg sync.WaitGroup
	client := &http.Client{Timeout: 10 * time.Second}
	for s := range senders {
		wg.Go(func() {
			for ctx.Err() == nil {
				l.mu.Lock()
				i := l.next
				l.next++
				l.mu.Unlock()
				id, body := order(i, l.patients)
				req, err := http.NewRequest(http.MethodPost, l.c.URLs()[(i+s)%size]+"/fhir", bytes.NewReader(body))
				if err != nil {
					panic(err)
				}
				req.Header.Set("Authorization", "Bearer "+l.c.Token)
				req.Header.Set("Content-Type", "application/fhir+json")
				res, err := client.Do(req)
				if err != nil {
					_ = pause(ctx, pollEvery) // a node that is away refuses at once
					continue
				}
				_ = res.Body.Close()
				if res.StatusCode == http.StatusAccepted {
					l.mu.Lock()
					l.acked = append(l.acked, id)
					l.mu.Unlock()
				}
				if l.every > 0 {
					_ = pause(ctx, l.every) // ctx is looked at above
				}
			}
		})
	}
	wg.Wait()
}

// keepNodes starts nodes that have ended, as a supervisor would: a node ends when its broker's connection is lost for
// good.
func keepNodes(ctx context.Context, c *Cluster) (restarts *int, wait func()) {
	n := 0
	var wg sync.WaitGroup
	for _, p := range c.nodes {
		wg.Go(func() {
			for {
				select {
				case <-ctx.Done():
					return
				case <-p.ended():
				}
				select {
				case <-ctx.Done():
					return
				case <-time.After(500 * time.Millisecond):
				}
				if p.start() == nil {
					n++
				}
			}
		})
	}
	return &n, wg.Wait
}

// TestFaults kills a node, the leading broker and PostgreSQL with SIGKILL while orders of few patients stream in on three
// nodes. Afterwards every acknowledged order has had its effect exactly once: one statement, one verdict in its first
// revision, delivered at least once and always under one id. Nothing of what is checked comes from the service itself.
func TestFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("the cluster test takes about a minute")
	}
	ctx, c, dept := newCluster(t)
	if err := c.Start(ctx); err != nil {
		t.Fatal(err)
	}
	loading, stopLoading := context.WithCancel(ctx)
	l := &load{c: c, patients: 5}
	done := make(chan struct{})
	go func() { l.run(loading); close(done) }()
	supervising, stopSupervising := context.WithCancel(ctx)
	_, supervised := keepNodes(supervising, c)
	defer func() { stopSupervising(); supervised() }()
	r := rand.New(rand.NewPCG(20261125, 3))
	back := map[string]time.Duration{} // the longest time that a fault took to be over
	for range *rounds {
		for _, f := range faults(ctx, c, r) {
			pause(ctx, quietTime)
			began := time.Now()
			if err := f.hit(); err != nil {
				t.Fatalf("%s: %v", f.name, err)
			}
			for i := range size {
				if err := c.NodeBack(ctx, i); err != nil {
					t.Fatalf("after %s: %v", f.name, err)
				}
			}
			back[f.name] = max(back[f.name], time.Since(began))
		}
	}
	pause(ctx, quietTime)
	stopLoading()
	<-done
	drain(ctx, t, c, dept, l)
	lost, doubled := checkEffects(ctx, t, c, dept, l.acked)
	fmt.Printf("%-50s %7s %5s %8s %13s\n", "fault", "rounds", "lost", "doubled", "recovered in") // as adapters/faults does
	for _, f := range faults(ctx, c, r) {
		fmt.Printf("%-50s %7d %5d %8d %13s  all nodes ready again; lost and doubled of the %d orders acknowledged in all rounds\n", f.name, *rounds, lost, doubled,
			back[f.name].Round(10*time.Millisecond), len(l.acked))
	}
}

// drain waits until every acknowledged order has been delivered.
func drain(ctx context.Context, t *testing.T, c *Cluster, dept *department, l *load) {
	t.Helper()
	began := time.Now()
	for missing := dept.missing(l.acked); len(missing) > 0; missing = dept.missing(l.acked) {
		if pause(ctx, pollEvery) != nil {
			t.Fatalf("%d of %d acknowledged orders were never delivered, such as %s\n%s", len(missing), len(l.acked), missing[0], c.nodes[0].tail())
		}
	}
	t.Logf("%d orders tried, %d acknowledged, drained %s after the last", l.next, len(l.acked), time.Since(began).Round(time.Millisecond))
}

type fault struct {
	name string
	hit  func() error
}

func faults(ctx context.Context, c *Cluster, r *rand.Rand) []fault {
	return []fault{
		{"SIGKILL of a node", func() error { c.nodes[r.IntN(size)].kill(); return nil }}, // its supervisor starts it again
		{"SIGKILL of the leader", func() error {
			i, err := c.Leader(ctx, "GAUSSLINE-IN")
			if err != nil {
				return err
			}
			c.brokers[i].kill()
			pause(ctx, quietTime) // the others go on alone
			if err := c.brokers[i].start(); err != nil {
				return err
			}
			return c.BrokerReady(ctx, i)
		}},
		{"SIGKILL of PostgreSQL", func() error {
			c.database.kill()
			for { // its sessions take a moment to notice; until then it refuses to start
				if err := c.database.start(); err != nil {
					return err
				}
				if err := c.DatabaseReady(ctx); err == nil || ctx.Err() != nil {
					return err
				}
			}
		}},
	}
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// newCluster builds the program for a cluster that is not started yet, and a department that takes what it delivers.
func newCluster(t *testing.T) (context.Context, *Cluster, *department) {
	t.Helper()
	if _, err := pgTool("initdb"); err != nil {
		t.Skip(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute)
	t.Cleanup(cancel)
	dept := &department{seen: map[string]map[string]int{}}
	endpoint := httptest.NewServer(dept)
	t.Cleanup(endpoint.Close)
	dir, err := os.MkdirTemp("", "gaussline-cluster") // not t.TempDir: its parents are closed to the database's user
	if err != nil {
		t.Fatal(err)
	}
	binary := filepath.Join(dir, "gaussline")
	if out, err := exec.Command("go", "build", "-o", binary, "gaussline/cmd/gaussline").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := &Cluster{Dir: dir, Binary: binary, Self: self, Endpoint: endpoint.URL}
	t.Cleanup(func() {
		c.Stop()
		_ = os.RemoveAll(dir)
	})
	return ctx, c, dept
}

func checkEffects(ctx context.Context, t *testing.T, c *Cluster, dept *department, acked []string) (lost, doubled int) {
	t.Helper()
	if len(acked) < 100 {
		t.Fatalf("%d orders acknowledged: the test tested nothing", len(acked))
	}
	s, err := postgres.Open(ctx, c.DatabaseURL(), postgres.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	if found, err := s.Check(ctx); err != nil || len(found) > 0 {
		t.Errorf("store check: %v %v", found, err)
	}
	err = s.View(ctx, func(r pipeline.Reader) error {
		for _, id := range acked {
			key := "hillside|ServiceRequest/" + id
			st, err := r.ByKey(ctx, []string{key})
			if err != nil {
				return err
			}
			v, err := r.Verdict(ctx, key)
			switch ids := len(dept.seen[id]); {
			case len(st) == 0 || err != nil || ids == 0:
				lost++
			case len(st) > 1 || v.Revision != 1 || v.State != pipeline.VerdictInForce || ids > 1:
				doubled++
				t.Logf("%s: %d statements, revision %d %s, delivered under %d ids", id, len(st), v.Revision, v.State, ids)
			}
		}
		return nil
	})
	if err != nil || lost > 0 || doubled > 0 {
		t.Errorf("%d acknowledged: %d lost, %d doubled, %v", len(acked), lost, doubled, err)
	}
	return lost, doubled
}
