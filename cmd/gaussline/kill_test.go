package main

import (
	"bufio"
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
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

var kills = flag.Int("kills", 8, "rounds of the crash test; the long form is 50 and more")

// asProgram makes the test binary behave as the program itself, so that a child can be killed.
const asProgram = "GAUSSLINE_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) == "1" {
		main()
		return
	}
	testscript.Main(m, map[string]func(){"gaussline": main})
}

// department is a radiology FHIR endpoint that notes what it is sent.
type department struct {
	mu   sync.Mutex
	seen map[string]map[string]int // order key -> message id -> copies
}

func (d *department) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	var b struct {
		Entry []struct {
			Resource struct {
				ResourceType, ID string
			}
		}
	}
	if err != nil || json.Unmarshal(body, &b) != nil {
		http.Error(w, "unreadable", http.StatusBadRequest)
		return
	}
	for _, e := range b.Entry {
		if e.Resource.ResourceType == "ServiceRequest" {
			d.mu.Lock()
			if d.seen[e.Resource.ID] == nil {
				d.seen[e.Resource.ID] = map[string]int{}
			}
			d.seen[e.Resource.ID][r.Header.Get("X-Request-Id")]++
			d.mu.Unlock()
		}
	}
	w.WriteHeader(http.StatusOK)
}

// child is a running service that can be killed.
type child struct {
	cmd *exec.Cmd
	url string
}

func startChild(t *testing.T, config string) *child {
	t.Helper()
	cmd := exec.Command(os.Args[0], "serve", "--config", config)
	cmd.Env = append(os.Environ(), asProgram+"=1")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		_ = cmd.Wait()
		t.Fatalf("the service did not start: %v\n%s", err, log.String())
	}
	return &child{cmd, "http://" + strings.TrimSpace(strings.TrimPrefix(line, "serving on ")) + "/fhir"}
}

func (c *child) kill() {
	_ = c.cmd.Process.Kill()
	_ = c.cmd.Wait()
}

// TestKill kills the service with SIGKILL at random moments while orders stream in. At the end every acknowledged
// order has had its effect exactly once, and its banner was delivered at least once, always under one id.
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("the crash test takes seconds a round")
	}
	dept := &department{seen: map[string]map[string]int{}}
	endpoint := httptest.NewServer(dept)
	defer endpoint.Close()
	dir := t.TempDir()
	token := access.NewToken()
	config := writeKillConfig(t, dir, endpoint.URL, token)
	r := rand.New(rand.NewPCG(20261125, 1))
	acked := map[string]bool{}
	next := 0
	for range *kills {
		c := startChild(t, config)
		stop := make(chan struct{})
		var wg sync.WaitGroup
		var mu sync.Mutex
		for range 4 {
			wg.Go(func() {
				for {
					mu.Lock()
					i := next
					next++
					mu.Unlock()
					select {
					case <-stop:
						return
					default:
					}
					if post(context.Background(), c.url, token, referrals(i, 1)[0]) == nil {
						mu.Lock()
						acked[orderID(i)] = true
						mu.Unlock()
					}
				}
			})
		}
		<-time.After(time.Duration(20+r.IntN(400)) * time.Millisecond)
		c.kill()
		close(stop)
		wg.Wait()
	}
	if len(acked) == 0 {
		t.Fatal("nothing was acknowledged: the test tested nothing")
	}
	began := time.Now()
	last := startChild(t, config)
	if missing := waitDelivered(t, dept, acked); len(missing) > 0 {
		last.kill()
		explainMissing(t, config, missing)
	}
	recovered := time.Since(began)
	if err := last.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := last.cmd.Wait(); err != nil {
		t.Errorf("the service did not stop gracefully: %v", err)
	}
	lost, doubled := checkEffects(t, config, acked, dept)
	fmt.Printf("%-50s %7s %5s %8s %13s\n", "fault", "rounds", "lost", "doubled", "recovered in") // as adapters/faults does
	fmt.Printf("%-50s %7d %5d %8d %13s  started anew, all %d acknowledged orders delivered\n", "SIGKILL of the service", *kills, lost, doubled,
		recovered.Round(10*time.Millisecond), len(acked))
}

func writeKillConfig(t *testing.T, dir, endpoint, token string) string {
	t.Helper()
	path := filepath.Join(dir, "gaussline.yaml")
	text := fmt.Sprintf("data_dir: data\nhttp: {listen: \"127.0.0.1:0\"}\nsenders: [{name: hillside, base_url: \"http://ehr.hillside.invalid/fhir\", token_sha256: %s}]\nsites: [{name: north, match: [\"North Imaging\"], fhir_endpoint: %q}]\nfallback_site: north\nlog_level: error\n",
		access.HashToken(token), endpoint)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// waitDelivered waits until every acknowledged order was delivered, and gives those that were not in a minute.
func waitDelivered(t *testing.T, d *department, acked map[string]bool) []string {
	t.Helper()
	deadline := time.NewTimer(60 * time.Second)
	defer deadline.Stop()
	poll := time.NewTicker(50 * time.Millisecond)
	defer poll.Stop()
	for {
		var missing []string
		d.mu.Lock()
		for id := range acked {
			if len(d.seen[id]) == 0 {
				missing = append(missing, id)
			}
		}
		d.mu.Unlock()
		if len(missing) == 0 {
			return nil
		}
		select {
		case <-deadline.C:
			return missing
		case <-poll.C:
		}
	}
}

// explainMissing says how far the orders that were not delivered came, and fails.
func explainMissing(t *testing.T, config string, missing []string) {
	t.Helper()
	ctx := context.Background()
	p := &program{env: func(string) string { return "" }, out: io.Discard, errOut: io.Discard}
	err := p.withStore(ctx, config, func(a *app) error {
		return a.store.View(ctx, func(r pipeline.Reader) error {
			n, err := r.Count(ctx)
			if err != nil {
				return err
			}
			t.Logf("kept: %v", n)
			waiting, err := r.Outbox(ctx, pipeline.OutWaiting)
			for i, o := range waiting {
				if i < 5 {
					t.Logf("waits: %s tries %d, queued %s, next %s, %s", o.Order, o.Attempts, o.Queued, o.NextTry, o.LastErr)
				}
			}
			for i, id := range missing {
				if i == 5 {
					break
				}
				st, err := r.ByKey(ctx, []string{"hillside|ServiceRequest/" + id})
				v, verr := r.Verdict(ctx, "hillside|ServiceRequest/"+id)
				t.Logf("%s: %d statements (%v), verdict %s revision %d (%v)", id, len(st), err, v.State, v.Revision, verr)
			}
			return err
		})
	})
	t.Fatalf("%d acknowledged orders were never delivered (%v)", len(missing), err)
}

// checkEffects reads the store: one statement an order, one verdict in its first revision, one delivery id.
func checkEffects(t *testing.T, config string, acked map[string]bool, d *department) (lost, doubled int) {
	t.Helper()
	ctx := context.Background()
	p := &program{env: func(string) string { return "" }, out: io.Discard, errOut: io.Discard}
	err := p.withStore(ctx, config, func(a *app) error {
		problems, err := a.store.Check(ctx)
		if err != nil || len(problems) > 0 {
			return fmt.Errorf("store check: %v %w", problems, err)
		}
		return a.store.View(ctx, func(r pipeline.Reader) error {
			for id := range acked {
				key := "hillside|ServiceRequest/" + id
				st, err := r.ByKey(ctx, []string{key})
				n := len(d.seen[id])
				if len(st) == 0 || n == 0 {
					lost++
				} else if len(st) > 1 || n > 1 {
					doubled++
				}
				if err != nil || len(st) != 1 {
					t.Errorf("%s: %d statements, want 1 (%v)", key, len(st), err)
				}
				v, err := r.Verdict(ctx, key)
				if err != nil || v.Revision != 1 || v.State != pipeline.VerdictInForce {
					t.Errorf("%s: verdict %d %s, want the first in force (%v)", key, v.Revision, v.State, err)
				}
				if n != 1 {
					t.Errorf("%s: delivered under %d ids, want 1", key, n)
				}
			}
			return nil
		})
	})
	if err != nil {
		t.Error(err)
	}
	return lost, doubled
}
