package faults

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/base64"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"net"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirapi"
	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/telemetry"
)

// served reads the times of the HTTP server from cmd/gaussline/serve.go, so that what is tested is what is served.
func served(t testing.TB) map[string]time.Duration {
	t.Helper()
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, "../../cmd/gaussline/serve.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]time.Duration{}
	ast.Inspect(f, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok || len(spec.Values) != 1 {
			return true
		}
		text := types.ExprString(spec.Values[0])
		for name, unit := range map[string]time.Duration{"time.Second": time.Second, "time.Minute": time.Minute, "time.Hour": time.Hour} {
			text = strings.ReplaceAll(text, name, fmt.Sprint(int64(unit)))
		}
		if v, err := types.Eval(fset, nil, 0, text); err == nil && v.Value != nil {
			if d, exact := constant.Int64Val(constant.ToInt(v.Value)); exact {
				out[spec.Names[0].Name] = time.Duration(d)
			}
		}
		return true
	})
	return out
}

// faster is how much shorter the times of the server are in these tests.
const faster = 20

// keeper is an inbox that counts.
type keeper struct{ kept atomic.Int64 }

func (k *keeper) Put(context.Context, pipeline.Message) error { k.kept.Add(1); return nil }
func (k *keeper) Fetch(context.Context, int, time.Duration) ([]pipeline.Delivery, error) {
	return nil, nil
}
func (k *keeper) Backlog(context.Context) (int64, error) { return 0, nil }

type ready struct{}

func (ready) Ready(context.Context) error { return nil }

// door is the machine interface on a server with the settings of cmd/gaussline, its times shortened.
type door struct {
	url, addr string
	keeper    *keeper
	logs      *observer.ObservedLogs
	metrics   *telemetry.Metrics
}

func openDoor(t testing.TB) *door {
	t.Helper()
	times := served(t)
	for _, name := range []string{"headerTime", "bodyTime", "answerTime", "idleTime"} {
		if times[name] <= 0 {
			t.Fatalf("serve.go has no %s any more: %v", name, times)
		}
	}
	hash, err := access.ParseHash(access.HashToken("token"))
	if err != nil {
		t.Fatal(err)
	}
	guard, err := access.NewGuard([]access.Token{{Caller: access.Caller{Name: "hillside", Role: access.Sender}, SHA256: hash}})
	if err != nil {
		t.Fatal(err)
	}
	core, logs := observer.New(zapcore.InfoLevel)
	d := &door{keeper: &keeper{}, logs: logs, metrics: telemetry.NewMetrics()}
	lim := fhirjson.DefaultLimits()
	api := &fhirapi.API{Receiver: pipeline.Receiver{Inbox: d.keeper, Limits: lim, Now: time.Now}, Health: ready{}, Guard: guard,
		Observe: d.metrics.Request, Log: zap.New(core), Limits: lim, Now: time.Now}
	srv := &http.Server{Handler: api.Handler(), ReadHeaderTimeout: times["headerTime"] / faster, ReadTimeout: times["bodyTime"] / faster,
		WriteTimeout: times["answerTime"] / faster, IdleTimeout: times["idleTime"] / faster, MaxHeaderBytes: 16 << 10, ErrorLog: zap.NewStdLog(zap.New(core))}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = srv.Serve(ln) }()
	t.Cleanup(func() { _ = srv.Close() })
	d.addr, d.url = ln.Addr().String(), "http://"+ln.Addr().String()
	return d
}

// post sends a body and gives the status, 0 when the connection ended without one.
func (d *door) post(t testing.TB, contentType string, body io.Reader) int {
	t.Helper()
	req, err := http.NewRequest(http.MethodPost, d.url+"/fhir", body)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer token")
	req.Header.Set("Content-Type", contentType)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0
	}
	defer res.Body.Close()
	_, _ = io.Copy(io.Discard, res.Body)
	return res.StatusCode
}

const order = `{"resourceType":"ServiceRequest","id":"o1","status":"active","intent":"order","subject":{"reference":"Patient/1"}}`

const fhir = "application/fhir+json"

// well asserts that a good message is still taken, and promptly.
func (d *door) well(t testing.TB, within time.Duration) {
	t.Helper()
	begin := time.Now()
	if got := d.post(t, fhir, strings.NewReader(order)); got != http.StatusAccepted || time.Since(begin) > within {
		t.Errorf("a good message: %d after %s", got, time.Since(begin))
	}
}

// allocated gives how many bytes a call makes the process allocate.
func allocated(f func()) uint64 {
	var a, b runtime.MemStats
	runtime.ReadMemStats(&a)
	f()
	runtime.ReadMemStats(&b)
	return b.TotalAlloc - a.TotalAlloc
}

// endless gives a Bundle of one gigabyte as it is read, and counts.
type endless struct {
	left int64
	read atomic.Int64
}

func (e *endless) Read(p []byte) (int, error) {
	if e.left <= 0 {
		return 0, io.EOF
	}
	n := int(min(int64(len(p)), e.left))
	for i := range p[:n] {
		p[i] = ' '
	}
	if e.read.Load() == 0 {
		n = copy(p, `{"resourceType":"Bundle","type":"message","entry":[`)
	}
	e.left -= int64(n)
	e.read.Add(int64(n))
	return n, nil
}

// A sender that streams a gigabyte is told so after the limit, and costs no more memory than the limit.
func TestGigabyteBundle(t *testing.T) {
	d := openDoor(t)
	body := &endless{left: 1 << 30}
	begin := time.Now()
	var got int
	cost := allocated(func() { got = d.post(t, fhir, body) })
	took := time.Since(begin)
	// 0: the connection was closed while the body was still being written, before the client looked for the answer.
	if got != http.StatusRequestEntityTooLarge && got != 0 {
		t.Errorf("answered %d", got)
	}
	if body.read.Load() > 64<<20 || cost > 64<<20 || took > 10*time.Second {
		t.Errorf("%d MiB were sent, %d MiB allocated, %s", body.read.Load()>>20, cost>>20, took)
	}
	if d.keeper.kept.Load() != 0 {
		t.Error("it was kept")
	}
	d.well(t, 2*time.Second)
	figure(line{"1 GB bundle, streamed", 1, 0, 0, "at once", fmt.Sprintf("answer %d after %.1f MiB, %d MiB allocated", got, float64(body.read.Load())/(1<<20), cost>>20)})
}

// Messages that are small on the wire and large in the machine are refused, or kept as they are, within bounds.
func TestBombs(t *testing.T) {
	d := openDoor(t)
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	_, _ = io.Copy(z, io.LimitReader(zero{}, 256<<20))
	_ = z.Close()
	laughs := `<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha">` + strings.Repeat(`<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">`, 9) + `]><l>&b;</l>`
	document := func(contentType string, data []byte) string {
		return `{"resourceType":"DocumentReference","status":"current","subject":{"reference":"Patient/1"},"content":[{"attachment":{"contentType":"` +
			contentType + `","data":"` + base64.StdEncoding.EncodeToString(data) + `"}}]}`
	}
	for _, c := range []struct {
		name, contentType, body string
		want                    int
	}{
		{"million-entry bundle", fhir, `{"resourceType":"Bundle","type":"message","entry":[` + strings.Repeat("{},", 1_000_000) + `{}]}`, 422},
		{"deep JSON", fhir, strings.Repeat("[", 3_000_000), 422},
		{"deep JSON in a resource", fhir, `{"resourceType":"Patient","extension":` + strings.Repeat(`[{"extension":`, 200_000) + `1` + strings.Repeat(`}]`, 200_000) + `}`, 422},
		{"250,000 properties", fhir, `{"resourceType":"Patient"` + manyProperties(250_000) + `}`, 422},
		{"gzip as the body", fhir, zipped.String(), 422},
		{"XML bomb as the body", "application/fhir+xml", laughs, 415},
		{"XML bomb as an attachment", fhir, document("text/xml", []byte(laughs)), 202},
		{"HTML bomb as an attachment", fhir, document("text/html", []byte(strings.Repeat("<div>", 200_000))), 202},
		{"zip bomb as an attachment", fhir, document("application/gzip", zipped.Bytes()), 202},
	} {
		before := d.keeper.kept.Load()
		begin := time.Now()
		var got int
		cost := allocated(func() { got = d.post(t, c.contentType, strings.NewReader(c.body)) })
		took := time.Since(begin)
		if got != c.want || cost > 128<<20 || took > 10*time.Second {
			t.Errorf("%s: answered %d, want %d; %d MiB allocated in %s", c.name, got, c.want, cost>>20, took)
		}
		if kept := d.keeper.kept.Load() > before; kept != (c.want == 202) {
			t.Errorf("%s: kept %v", c.name, kept)
		}
		note := fmt.Sprintf("answer %d, %.1f MiB sent, %d MiB allocated", got, float64(len(c.body))/(1<<20), cost>>20)
		if c.want == 202 { // read the way the worker does
			var took time.Duration
			cost := allocated(func() { took = readMessage([]byte(c.body)) })
			if cost > 128<<20 || took > 10*time.Second {
				t.Errorf("%s: reading it allocates %d MiB in %s", c.name, cost>>20, took)
			}
			note += fmt.Sprintf(", read with %d MiB", cost>>20)
		}
		figure(line{c.name, 1, 0, 0, "at once", note})
	}
	d.well(t, 2*time.Second)
}

type zero struct{}

func (zero) Read(p []byte) (int, error) { clear(p); return len(p), nil }

func manyProperties(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `,"p%d":1`, i)
	}
	return b.String()
}

func readMessage(body []byte) time.Duration {
	begin := time.Now()
	r := pipeline.MessageReader{Limits: fhirjson.DefaultLimits(), Now: time.Now}
	r.Read(pipeline.Message{ID: pipeline.MessageID("hillside", body), Sender: "hillside", Body: body})
	return time.Since(begin)
}

// Clients that send a byte now and then are cut off, and meanwhile others are served.
func TestSlowClients(t *testing.T) {
	d := openDoor(t)
	times := served(t)
	for _, c := range []struct {
		name, head string
		within     time.Duration
	}{
		{"slow headers", "POST /fhir HTTP/1.1\r\nHost: x\r\nX-Slow: ", times["headerTime"] / faster},
		{"slow body", "POST /fhir HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer token\r\nContent-Length: 100000\r\n\r\n{", times["bodyTime"] / faster},
		{"no word at all", "", times["headerTime"] / faster},
	} {
		const clients = 100
		before := d.keeper.kept.Load()
		begin := time.Now()
		var wg sync.WaitGroup
		var longest atomic.Int64
		for range clients {
			wg.Go(func() {
				conn, err := net.Dial("tcp", d.addr)
				if err != nil {
					t.Error(err)
					return
				}
				defer conn.Close()
				_, _ = io.WriteString(conn, c.head)
				stop := make(chan struct{})
				go func() { // reads until the server hangs up
					_, _ = io.Copy(io.Discard, bufio.NewReader(conn))
					close(stop)
				}()
				for tick := time.NewTicker(20 * time.Millisecond); ; {
					select {
					case <-stop:
						tick.Stop()
						longest.Store(max(longest.Load(), int64(time.Since(begin))))
						return
					case <-tick.C:
						if c.head != "" {
							_, _ = conn.Write([]byte("x"))
						}
					}
				}
			})
		}
		d.well(t, 2*time.Second)
		wg.Wait()
		held := time.Duration(longest.Load())
		// The server lingers half a second before it closes a connection whose body was not read (net/http).
		if held > c.within+2*time.Second {
			t.Errorf("%s: held for %s, the limit is %s", c.name, held, c.within)
		}
		if n := d.keeper.kept.Load() - before; n != 1 {
			t.Errorf("%s: %d messages kept, want the one good one", c.name, n)
		}
		figure(line{"slow clients: " + c.name, clients, 0, 0, "at once", fmt.Sprintf("cut off after %s, limit %s (1/%d of what is served)", held.Round(10*time.Millisecond), c.within, faster)})
	}
}

// Bad requests, whatever their number, write no line each into the log and add no series to the metrics.
func TestLogAndMetricsFlood(t *testing.T) {
	d := openDoor(t)
	client := &http.Client{}
	const rounds = 3000
	send := func(i int) {
		path, body, auth := fmt.Sprintf("/fhir/Nonsense%d", i), "{", "Bearer token"
		switch i % 3 {
		case 1:
			path = fmt.Sprintf("/no/such/%d", i)
		case 2:
			path, auth = "/fhir", fmt.Sprint("Bearer guess", i)
		}
		req, _ := http.NewRequest(http.MethodPost, d.url+path, strings.NewReader(body))
		req.Header.Set("Authorization", auth)
		res, err := client.Do(req)
		if err != nil {
			t.Error(err)
			return
		}
		_, _ = io.Copy(io.Discard, res.Body)
		_ = res.Body.Close()
		if res.StatusCode < 400 {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
	}
	send(0)
	send(1)
	send(2)
	before := series(t, d.metrics)
	begin := time.Now()
	for i := range rounds {
		send(i)
	}
	took := time.Since(begin)
	if n := d.logs.Len(); n > 10 {
		t.Errorf("%d lines in the log for %d bad requests", n, rounds)
	}
	after := series(t, d.metrics)
	if after > before {
		t.Errorf("%d series before, %d after", before, after)
	}
	d.well(t, 2*time.Second)
	figure(line{"log and metrics flood", rounds, 0, 0, "at once", fmt.Sprintf("%d log lines, %d series, %.0f requests/s refused", d.logs.Len(), after, rounds/took.Seconds())})
}

func series(t testing.TB, m *telemetry.Metrics) (n int) {
	t.Helper()
	w := &recorder{header: http.Header{}}
	req, _ := http.NewRequest(http.MethodGet, "/metrics", nil)
	m.Handler().ServeHTTP(w, req)
	for _, l := range strings.Split(w.String(), "\n") {
		if l != "" && !strings.HasPrefix(l, "#") && !strings.HasPrefix(l, "go_") && !strings.HasPrefix(l, "process_") {
			n++
		}
	}
	return n
}

type recorder struct {
	bytes.Buffer
	header http.Header
}

func (r *recorder) Header() http.Header { return r.header }
func (r *recorder) WriteHeader(int)     {}
