package pages

import (
	"context"
	"crypto/tls"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
	"gaussline/testdata/cases"
	"gaussline/testdata/scenario"
)

// storyTime is the moment at which the invented stories are told.
var storyTime = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

const passPhrase = "a long invented pass phrase"

// house is a running site on the invented stories.
type house struct {
	t        testing.TB
	at       time.Time
	mu       sync.Mutex
	service  *pipeline.Service
	accounts *access.Accounts
	audit    *access.Audit
	seal     *access.Seal
	logs     *observer.ObservedLogs
	srv      *httptest.Server
}

func (h *house) now() time.Time { h.mu.Lock(); defer h.mu.Unlock(); return h.at }

func (h *house) pass(d time.Duration) { h.mu.Lock(); defer h.mu.Unlock(); h.at = h.at.Add(d) }

// people are the accounts of the house, one a role; the login name is the role.
func people() []access.Person {
	var out []access.Person
	for _, r := range access.PeopleRoles() {
		out = append(out, access.Person{Name: string(r), Display: "Invented " + string(r), Roles: []access.Role{r}})
	}
	out[0].Sites, out[1].Senders = []string{access.Everything}, []string{access.Everything}
	return append(out, access.Person{Name: "harbour", Display: "Invented radiographer", Roles: []access.Role{access.Radiology}, Sites: []string{"harbour"}},
		access.Person{Name: "quayside", Display: "Invented surgeon", Roles: []access.Role{access.Clinic}, Senders: []string{"quayside"}})
}

func newHouse(t testing.TB) *house {
	t.Helper()
	ctx := context.Background()
	core, logs := observer.New(zapcore.DebugLevel)
	log := zap.New(core)
	h := &house{t: t, at: storyTime, logs: logs}
	store, err := sqlite.Open(ctx, t.TempDir(), sqlite.Options{}, log)
	h.ok(err)
	t.Cleanup(func() { _ = store.Close() })
	label, err := mri.ParseLabelling(scenario.Labelling)
	h.ok(err)
	label.File = "/etc/invented/north-labelling.json"
	scanners, err := mri.ParseScanners(scenario.Scanners)
	h.ok(err)
	k := pipeline.Knowledge{Labels: []mri.Labelling{label}, Scanners: scanners}
	h.service = pipeline.New(pipeline.Service{Store: store, Log: log, Now: h.now, Knowledge: func() pipeline.Knowledge { return k },
		Reader: pipeline.MessageReader{Limits: fhirjson.DefaultLimits(), Now: h.now, Bases: map[string]string{
			"hillside": "http://ehr.hillside.invalid/fhir", "quayside": "http://fhir.quayside.invalid/r4"}},
		Sites:    []pipeline.Site{{Name: "north", Match: []string{"North Imaging"}}, {Name: "harbour", Match: []string{"Harbour Radiology"}}},
		Fallback: "north"})
	j := Journal{store}
	h.accounts, h.audit = &access.Accounts{Journal: j, Now: h.now}, &access.Audit{Journal: j, Now: h.now}
	h.seal, err = access.OpenSeal(ctx, j, h.now())
	h.ok(err)
	h.srv = h.node(log)
	return h
}

// node is one more place that serves the house; nodes share the store and nothing else.
func (h *house) node(log *zap.Logger) *httptest.Server {
	h.t.Helper()
	site, err := New(Config{Service: h.service, Sessions: h.service.Store.(pipeline.Sessions), Accounts: h.accounts, Audit: h.audit, Seal: h.seal, Months: shelf{}, Notices: notices{}, Log: log, Now: h.now})
	h.ok(err)
	srv := httptest.NewTLSServer(site)
	h.t.Cleanup(srv.Close)
	return srv
}

func (h *house) ok(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// tell tells the stories, all of them where none is named.
func (h *house) tell(names ...string) {
	h.t.Helper()
	stories, err := cases.All()
	h.ok(err)
	for _, s := range stories {
		if len(names) > 0 && !strings.Contains(strings.Join(names, " "), s.Name) {
			continue
		}
		for _, m := range s.Messages {
			h.receive(m.Sender, m.Body)
		}
	}
}

func (h *house) receive(sender string, body []byte) {
	h.t.Helper()
	m := pipeline.Message{ID: pipeline.MessageID(sender, body), Sender: sender, Body: body, ReceivedAt: h.now()}
	h.ok(h.service.Commit(context.Background(), []pipeline.Reading{h.service.Reader.Read(m)}))
	h.pass(time.Second)
}

// orders gives the opaque ids of the orders with a verdict, by order key.
func (h *house) orders() map[string]string {
	h.t.Helper()
	out := map[string]string{}
	h.ok(h.service.Store.View(context.Background(), func(r pipeline.Reader) error {
		vs, err := r.Verdicts(context.Background(), "", pipeline.VerdictInForce)
		for _, v := range vs {
			out[v.Referral] = h.seal.ID("order", v.Referral)
		}
		return err
	}))
	return out
}

func (h *house) recordID(key string) string { return h.seal.ID("record", key) }

func (h *house) record(key string) (rec implant.Record) {
	h.t.Helper()
	rec, err := h.service.RecordAsOf(context.Background(), key, dayZero, dayZero)
	h.ok(err)
	return rec
}

// account makes the account of one of the people when it is first needed: hashing a password takes a while.
func (h *house) account(name string) {
	h.t.Helper()
	ctx := context.Background()
	if _, ok, err := h.accounts.Current(ctx, name); ok || err != nil {
		return
	}
	for _, p := range people() {
		if p.Name == name {
			h.ok(h.accounts.Put(ctx, "test", p, false))
			token, err := h.accounts.Invite(ctx, p.Name)
			h.ok(err)
			_, err = h.accounts.Accept(ctx, token, passPhrase)
			h.ok(err)
		}
	}
}

// visitor is somebody with a browser's cookies and no patience for redirects.
type visitor struct {
	h *house
	c *http.Client
}

func (h *house) visitor(name string) *visitor {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	h.ok(err)
	v := &visitor{h, &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}, // the test's own server
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	if name != "" {
		h.account(name)
		if status, _, _ := v.post("/login", url.Values{"name": {name}, "password": {passPhrase}}); status != http.StatusSeeOther {
			h.t.Fatalf("log-in of %s: %d", name, status)
		}
	}
	return v
}

func (v *visitor) do(r *http.Request) (int, string, http.Header) {
	v.h.t.Helper()
	res, err := v.c.Do(r)
	v.h.ok(err)
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	v.h.ok(err)
	return res.StatusCode, string(b), res.Header
}

func (v *visitor) get(path string) (int, string, http.Header) {
	v.h.t.Helper()
	r, err := http.NewRequest(http.MethodGet, v.h.srv.URL+path, nil)
	v.h.ok(err)
	return v.do(r)
}

func (v *visitor) post(path string, f url.Values) (int, string, http.Header) {
	v.h.t.Helper()
	r, err := http.NewRequest(http.MethodPost, v.h.srv.URL+path, strings.NewReader(f.Encode()))
	v.h.ok(err)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return v.do(r)
}

// shelf is an invented registry with one month.
type shelf struct{}

func (shelf) List(context.Context) ([]Month, error) {
	return []Month{{Period: "2026-05", State: "open", Rows: 12, Rejects: 1, Amendments: 0, Files: []string{"rows.csv", "manifest.json"}}}, nil
}

func (shelf) Closable(context.Context) ([]string, error) { return nil, nil }

func (shelf) Preview(context.Context, string) (Month, error) { return Month{}, nil }

func (shelf) Close(context.Context, string) error { return ErrNotClosable }

func (shelf) Verify(context.Context, string) (Verified, error) {
	return Verified{}, pipeline.ErrNotFound
}

func (shelf) Report(context.Context, string) (Report, bool, error) { return Report{}, false, nil }

func (shelf) ServeReport(w http.ResponseWriter, r *http.Request, _, _ string) { http.NotFound(w, r) }

func (shelf) Serve(w http.ResponseWriter, _ *http.Request, period, file string) {
	_, _ = io.WriteString(w, period+" "+file)
}
