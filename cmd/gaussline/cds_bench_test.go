package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/testdata/cases"
)

// benchRecords is how many records BenchmarkOrderTime has in its store; the figure that counts is of a million:
//
//	go test -run XXX -bench OrderTime -benchtime 1x -records 1000000 -folder /tmp/million ./cmd/gaussline
var benchRecords = flag.Int("records", 20_000, "records in the store of BenchmarkOrderTime")

// benchFolder keeps the store of BenchmarkOrderTime for another run: a million records take minutes to write.
var benchFolder = flag.String("folder", "", "where BenchmarkOrderTime makes its store, and finds it again; none: a temporary one")

// BenchmarkOrderTime asks the running service with signed tokens, over real connections, about patients at random in a
// large SQLite store, and a bare handler that decodes the same call with the same decoders and encodes the same
// answer. It reports the rate of each, their ratio (the aim is at least 0.5), and what 500 calls a second take when
// they come by the clock, whether or not earlier ones are answered (p99 of 25 ms at most). The callers share the
// processors with what they call: their cost is in every figure. Tokens are signed before the clock runs.
func BenchmarkOrderTime(b *testing.B) {
	const (
		each  = 3 * time.Second // of a measurement of the rate
		rate  = 500             // calls a second by the clock
		paced = 10 * time.Second
	)
	if os.Getenv("GOGC") == "" {
		defer debug.SetGCPercent(debug.SetGCPercent(gcPercent)) // as main sets it
	}
	l := newLoad(b, *benchRecords)
	bare := l.bare(b)
	for b.Loop() {
		var own, floor float64
		for range 2 { // by turns, so that what else the machine does meets both
			floor += l.flatOut(b, bare, each)
			own += l.flatOut(b, l.url, each)
		}
		b.ReportMetric(own/2, "calls/s")
		b.ReportMetric(floor/2, "bare-calls/s")
		b.ReportMetric(own/floor, "of-bare")
		took := l.byTheClock(b, rate, paced)
		slices.Sort(took)
		at := func(p float64) float64 { return float64(took[int(p*float64(len(took)-1))].Microseconds()) / 1000 }
		b.ReportMetric(at(0.5), "p50-ms")
		b.ReportMetric(at(0.99), "p99-ms")
	}
	b.ReportMetric(0, "ns/op")
}

// load is a service with a large store, and an ordering system.
type load struct {
	url     string
	client  *http.Client
	records int
	signer  jose.Signer
	run     string // of this run, for the jti of its tokens
	made    atomic.Int64
	answer  []byte
}

const orderPath = "/cds-services/implant-order-sign"

func newLoad(b *testing.B, records int) *load {
	b.Helper()
	ok := mustNot(b)
	dir := filepath.Join(cmp.Or(*benchFolder, b.TempDir()), "demo")
	path := filepath.Join(dir, "gaussline.yaml")
	if _, err := os.Stat(dir); err != nil {
		makeLoad(b, dir, path, records)
	}
	o := newOrderer(b, filepath.Join(dir, "keys.json"))
	cfg, err := loadConfig(path, func(string) string { return "" })
	ok(err)
	ctx, stop := context.WithCancel(context.Background())
	a, err := openApp(ctx, cfg, zap.NewNop(), func() time.Time { return demoDay }, true)
	ok(err)
	address, ended := make(chan string, 1), make(chan error, 1)
	go func() { ended <- a.serve(ctx, func(addr string) { address <- addr }) }()
	b.Cleanup(func() { stop(); ok(<-ended) })
	l := &load{url: "http://" + <-address, records: records, signer: o.signers[jose.RS384], run: rand.Text(),
		client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 256, DialContext: (&net.Dialer{}).DialContext}}}
	l.answer = l.call(b, l.url, 0, l.sign(b, 1)[0])
	var got struct{ Cards []any }
	if json.Unmarshal(l.answer, &got) != nil || len(got.Cards) != 2 {
		b.Fatalf("the answer has not two cards: %.300s", l.answer)
	}
	return l
}

func mustNot(b *testing.B) func(error) {
	return func(err error) {
		b.Helper()
		if err != nil {
			b.Fatal(err)
		}
	}
}

// makeLoad makes the folder of a service: the stories of testdata/cases as they are read from messages, and copies of
// four of them.
func makeLoad(b *testing.B, dir, path string, records int) {
	b.Helper()
	ok := mustNot(b)
	_, err := demoFolder(dir)
	ok(err)
	newOrderer(b, filepath.Join(dir, "keys.json"))
	text, err := os.ReadFile(path)
	ok(err)
	writeFile(b, path, []byte(strings.Replace(string(text), `http: {listen: "127.0.0.1:8480"}`, `http: {listen: "127.0.0.1:0", base_url: "`+publicBase+`/fhir"}`, 1)+
		fmt.Sprintf("cds:\n  - {issuer: %q, sender: hillside, jwks_file: keys.json}\nlog_level: error\n", ehrIssuer)))
	cfg, err := loadConfig(path, func(string) string { return "" })
	ok(err)
	ctx := b.Context()
	a, err := openApp(ctx, cfg, zap.NewNop(), func() time.Time { return demoDay }, true)
	ok(err)
	stories, err := cases.All()
	ok(err)
	for _, s := range stories {
		for _, m := range s.Messages {
			_, _, err := a.receiver().Receive(ctx, m.Sender, "application/fhir+json", m.Body)
			ok(err)
		}
	}
	ok(a.service.Drain(ctx, func(int) {}))
	ok(a.close(ctx))
	start := time.Now()
	multiply(b, filepath.Join(dir, "data", "store", "gaussline.db"), records)
	b.Logf("%d records written in %s", records, time.Since(start).Round(time.Second))
}

// multiply copies the records of four stories, with new keys, straight into the tables: what this benchmark reads is
// records and their aliases, so the parts for tracing are left out.
func multiply(b *testing.B, path string, n int) {
	b.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=synchronous(off)&_pragma=cache_size(-200000)")
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := errors.Join(db.Close(), synced(path)); err != nil {
			b.Fatal(err)
		}
	}()
	db.SetMaxOpenConns(1)
	const page = 50_000
	for from := 0; from < n; from += page {
		for i, story := range []string{"p01", "p03", "p07", "p08"} {
			old := "hillside|Patient/" + story
			const numbers = `with recursive n(i) as (select ?1 union all select i+4 from n where i + 4 < ?2) `
			if _, err := db.Exec(numbers+`insert into records (patient, body) select 'hillside|Patient/b' || i, cast(replace(cast(r.body as text), ?3, 'hillside|Patient/b' || i) as blob)
				from n, records r where r.patient = ?3`, from+i, min(n, from+page), old); err != nil {
				b.Fatal(err)
			}
		}
	}
	if _, err := db.Exec(`insert into record_aliases (alias, patient) select patient, patient from records where patient glob 'hillside|Patient/b*'`); err != nil {
		b.Fatal(err)
	}
	var have int
	if err := db.QueryRow(`select count(*) from records`).Scan(&have); err != nil || have < n {
		b.Fatalf("%d records, want %d: %v", have, n, err)
	}
}

// synced waits until a file is on disk: gigabytes still on their way there would hold up every write of the service.
func synced(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// body is a call with three drafts, of which two are MR, and the devices of the ordering system.
func (l *load) body(patient int) string {
	p := fmt.Sprintf("b%d", patient)
	entry := func(id, text string) string {
		return `{"resource":{"resourceType":"ServiceRequest","id":"` + id + `","status":"draft","intent":"order","performer":[{"display":"North Imaging"}],"subject":{"reference":"Patient/` + p + `"},"code":{"text":"` + text + `"}}}`
	}
	return `{"hook":"order-sign","hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","context":{"userId":"Practitioner/1","patientId":"` + p + `","draftOrders":{"resourceType":"Bundle","entry":[` +
		entry("a", "MR brain") + "," + entry("b", "MR knee left") + "," + entry("c", "CT head") + `]}},"prefetch":{"devices":{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Device","id":"a-gen"}}]}}}`
}

// sign makes n tokens, each to be used once.
func (l *load) sign(b *testing.B, n int) []string {
	tokens := make([]string, n)
	var next atomic.Int64
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				raw, err := jwt.Signed(l.signer).Claims(map[string]any{"iss": ehrIssuer, "aud": publicBase + orderPath, "iat": demoDay.Unix(),
					"exp": demoDay.Add(time.Minute).Unix(), "jti": fmt.Sprint(l.run, l.made.Add(1))}).Serialize()
				if err != nil {
					b.Error(err)
				}
				tokens[i] = raw
			}
		})
	}
	wg.Wait()
	return tokens
}

func (l *load) call(b *testing.B, url string, patient int, token string) []byte {
	r, err := http.NewRequest(http.MethodPost, url+orderPath, strings.NewReader(l.body(patient)))
	if err != nil {
		b.Error(err)
		return nil
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Authorization", "Bearer "+token)
	res, err := l.client.Do(r)
	if err != nil {
		b.Error(err)
		return nil
	}
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		b.Errorf("%d %v %.200s", res.StatusCode, err, body)
	}
	return body
}

// somebody picks the n-th patient: all over the store, the same ones in each run.
func (l *load) somebody(n int64) int { return int(n * 7919 % int64(l.records)) }

// flatOut keeps 16 callers busy and gives the calls a second. Both sides get a token; the bare one does not look at it.
func (l *load) flatOut(b *testing.B, url string, d time.Duration) float64 {
	const callers, most = 16, 4000 // calls a second that there are tokens for; the clock stops when they are used up
	tokens := l.sign(b, int(d.Seconds())*most)
	l.client.CloseIdleConnections() // signing takes a while, and the server closes what is idle
	var done, next atomic.Int64
	var wg sync.WaitGroup
	start := time.Now()
	for range callers {
		wg.Go(func() {
			for time.Since(start) < d && !b.Failed() {
				n := next.Add(1)
				if url == l.url && n > int64(len(tokens)) {
					return
				}
				l.call(b, url, l.somebody(n), tokens[n%int64(len(tokens))])
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return float64(done.Load()) / time.Since(start).Seconds()
}

// byTheClock calls at a rate and gives how long each call took from when it was due.
func (l *load) byTheClock(b *testing.B, rate int, d time.Duration) []time.Duration {
	n := int(d.Seconds()) * rate
	tokens := l.sign(b, n)
	l.client.CloseIdleConnections()
	took := make([]time.Duration, n)
	var wg sync.WaitGroup
	start := time.Now()
	for i := range n {
		due := start.Add(time.Duration(i) * time.Second / time.Duration(rate))
		time.Sleep(time.Until(due))
		wg.Go(func() {
			l.call(b, l.url, l.somebody(int64(i)), tokens[i])
			took[i] = time.Since(due)
		})
	}
	wg.Wait()
	return took
}

// bare serves the floor: decode the same body with the same decoders, encode the same answer.
func (l *load) bare(b *testing.B) string {
	var cards any
	if err := json.Unmarshal(l.answer, &cards); err != nil {
		b.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	srv := &http.Server{ReadHeaderTimeout: headerTime, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		raw, err := io.ReadAll(r.Body)
		var q struct {
			Hook, HookInstance string
			Context            struct {
				UserID, PatientID string
				DraftOrders       struct {
					Entry []struct{ Resource json.RawMessage }
				}
			}
			Prefetch map[string]json.RawMessage
		}
		if err == nil {
			err = json.Unmarshal(raw, &q)
		}
		for _, e := range q.Context.DraftOrders.Entry {
			msg, splitErr := fhirjson.Split(e.Resource, fhirjson.DefaultLimits())
			if err = splitErr; err == nil {
				_, _, err = fhirjson.Decode(msg.Entries[0])
			}
		}
		var out bytes.Buffer
		if err == nil {
			err = json.NewEncoder(&out).Encode(cards)
		}
		if err != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(out.Bytes())
	})}
	go func() { _ = srv.Serve(ln) }()
	b.Cleanup(func() { _ = srv.Close() })
	return "http://" + ln.Addr().String()
}
