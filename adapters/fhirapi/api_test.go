package fhirapi

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
)

// inbox is a pipeline.Inbox in memory that can be told to fail.
type inbox struct {
	got []pipeline.Message
	err error
}

func (i *inbox) Put(_ context.Context, m pipeline.Message) error {
	if i.err == nil {
		i.got = append(i.got, m)
	}
	return i.err
}
func (i *inbox) Fetch(context.Context, int, time.Duration) ([]pipeline.Delivery, error) {
	return nil, nil
}
func (i *inbox) Backlog(context.Context) (int64, error) { return 0, nil }

type health struct{ err error }

func (h health) Ready(context.Context) error { return h.err }

var at = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

func server(t *testing.T, in *inbox, h health) *httptest.Server {
	t.Helper()
	var tokens []access.Token
	for name, role := range map[string]access.Role{"hillside": access.Sender, "office": access.Registry, "ops": access.Operator} {
		hash, err := access.ParseHash(access.HashToken("token-of-" + name))
		if err != nil {
			t.Fatal(err)
		}
		tokens = append(tokens, access.Token{Caller: access.Caller{Name: name, Role: role}, SHA256: hash})
	}
	guard, err := access.NewGuard(tokens)
	if err != nil {
		t.Fatal(err)
	}
	lim := fhirjson.Limits{Bytes: 20_000, Entries: 50, Depth: 30}
	now := func() time.Time { return at }
	echo := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { _, _ = io.WriteString(w, "served") })
	api := &API{Receiver: pipeline.Receiver{Inbox: in, Limits: lim, Now: now}, Health: h, Guard: guard, Registry: echo, Metrics: echo,
		Log: zap.NewNop(), Limits: lim, Version: "test", Now: now}
	s := httptest.NewServer(api.Handler())
	t.Cleanup(s.Close)
	return s
}

func do(t *testing.T, method, url, token, contentType, body string) (int, string, http.Header) {
	t.Helper()
	req, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(b), res.Header
}

const order = `{"resourceType":"ServiceRequest","id":"o1","status":"active","intent":"order","subject":{"reference":"Patient/1"}}`

func TestReceive(t *testing.T) {
	// What is refused and still shows a patient is kept, so that the patient's record says something is unread.
	deep := strings.Repeat(`{"extension":[`, 40) + strings.Repeat(`]}`, 40)
	tests := []struct {
		name, method, path, contentType, body string
		status                                int
		says                                  string // in the OperationOutcome
		kept                                  int
	}{
		{"a resource", "POST", "/fhir", "application/fhir+json", order, 202, "kept as message", 1},
		{"with charset", "POST", "/fhir", "application/fhir+json; charset=utf-8; fhirVersion=4.0", order, 202, "kept", 1},
		{"at its type", "POST", "/fhir/ServiceRequest", "application/fhir+json", order, 202, "kept", 1},
		{"put at its id", "PUT", "/fhir/ServiceRequest/o1", "application/fhir+json", order, 202, "kept", 1},
		{"put at another id", "PUT", "/fhir/ServiceRequest/o2", "application/fhir+json", order, 400, "not that of the address", 0},
		{"at another type", "POST", "/fhir/Patient", "application/fhir+json", order, 400, "not that of the address", 0},
		{"a message", "POST", "/fhir/$process-message", "application/fhir+json", `{"resourceType":"Bundle","type":"message","entry":[{"resource":{"resourceType":"MessageHeader","eventUri":"urn:x","source":{"endpoint":"http://a.invalid"}}},{"resource":` + order + `}]}`, 202, "kept", 1},
		{"XML", "POST", "/fhir", "application/fhir+xml", "<Patient/>", 415, "only JSON", 0},
		// FHIR R4, RESTful API, 3.1.0.1.1 and the version parameter: R4 is 4.0, and JSON is UTF-8.
		{"another version of FHIR", "POST", "/fhir", "application/fhir+json; fhirVersion=3.0", order, 415, "only FHIR R4", 0},
		{"another version, quoted", "PUT", "/fhir/ServiceRequest/o1", `application/fhir+json; fhirVersion="5.0"`, order, 415, "only FHIR R4", 0},
		{"another charset", "POST", "/fhir", "application/fhir+json; charset=latin1", order, 415, "only UTF-8", 0},
		{"charset in capitals", "POST", "/fhir", "application/json; charset=UTF-8", order, 202, "kept", 1},
		{"no JSON", "POST", "/fhir", "application/fhir+json", `{"resourceType":`, 422, "", 0},
		{"no resource", "POST", "/fhir", "application/fhir+json", `{"a":1}`, 422, "resourceType", 0},
		{"a key twice", "POST", "/fhir", "application/fhir+json", `{"resourceType":"Patient","id":"1","id":"2"}`, 422, "", 1},
		{"too deep", "POST", "/fhir", "application/fhir+json", `{"resourceType":"Patient","extension":[` + deep + `]}`, 422, "", 1},
		{"too large", "POST", "/fhir", "application/fhir+json", `{"resourceType":"Patient","x":"` + strings.Repeat("a", 30_000) + `"}`, 413, "limit of 20000 bytes", 0},
		{"unknown type", "POST", "/fhir", "application/fhir+json", `{"resourceType":"Implantogram"}`, 422, "", 0},
		{"a type that is not read", "POST", "/fhir", "application/fhir+json", `{"resourceType":"Communication","id":"1","status":"completed","payload":[{"contentString":"leads abandoned"}],"subject":{"reference":"Patient/1"}}`, 202, "Communication is not read", 1},
		{"one bad entry among good ones", "POST", "/fhir", "application/fhir+json", `{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Implantogram"}},{"resource":` + order + `}]}`, 202, "", 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := &inbox{}
			s := server(t, in, health{})
			status, body, _ := do(t, tt.method, s.URL+tt.path, "token-of-hillside", tt.contentType, tt.body)
			if status != tt.status || len(in.got) != tt.kept {
				t.Errorf("answered %d and kept %d, want %d and %d: %s", status, len(in.got), tt.status, tt.kept, body)
			}
			var out struct {
				ResourceType string
				Issue        []struct{ Severity, Code, Diagnostics string }
			}
			if err := json.Unmarshal([]byte(body), &out); err != nil || out.ResourceType != "OperationOutcome" || len(out.Issue) == 0 {
				t.Fatalf("no OperationOutcome: %v %s", err, body)
			}
			if !strings.Contains(body, tt.says) {
				t.Errorf("answer does not say %q: %s", tt.says, body)
			}
		})
	}
}

func TestRoles(t *testing.T) {
	s := server(t, &inbox{}, health{})
	routes := []struct{ method, path, role string }{
		{"POST", "/fhir", "hillside"}, {"POST", "/fhir/ServiceRequest", "hillside"}, {"PUT", "/fhir/ServiceRequest/o1", "hillside"},
		{"GET", "/metrics", "ops"}, {"GET", "/registry/months", "office"},
		{"GET", "/metadata", "*"}, {"GET", "/fhir/metadata", "*"}, {"GET", "/healthz", "*"}, {"GET", "/readyz", "*"},
	}
	for _, r := range routes {
		for _, who := range []string{"", "hillside", "office", "ops", "nobody"} {
			t.Run(r.method+r.path+" as "+who, func(t *testing.T) {
				token := ""
				if who != "" {
					token = "token-of-" + who
				}
				status, _, _ := do(t, r.method, s.URL+r.path, token, "application/fhir+json", order)
				allowed := status != http.StatusUnauthorized && status != http.StatusForbidden
				if want := r.role == "*" || r.role == who; allowed != want {
					t.Errorf("answered %d, want allowed %v", status, want)
				}
			})
		}
	}
}

func TestInboxDown(t *testing.T) {
	in := &inbox{err: fmt.Errorf("disk full: %w", pipeline.ErrUnavailable)}
	s := server(t, in, health{errors.New("broker: no space")})
	status, body, h := do(t, "POST", s.URL+"/fhir", "token-of-hillside", "application/fhir+json", order)
	if status != http.StatusServiceUnavailable || h.Get("Retry-After") == "" || strings.Contains(body, "disk full") {
		t.Errorf("answered %d, Retry-After %q: %s", status, h.Get("Retry-After"), body)
	}
	if status, body, _ := do(t, "GET", s.URL+"/readyz", "", "", ""); status != http.StatusServiceUnavailable || !strings.Contains(body, "no space") {
		t.Errorf("readyz answered %d: %s", status, body)
	}
}

// The statement promises what the mapping reads, no more and no less.
func TestMetadata(t *testing.T) {
	s := server(t, &inbox{}, health{})
	_, body, _ := do(t, "GET", s.URL+"/metadata", "", "", "")
	if !strings.Contains(body, `"fhirVersion":"4.0.1"`) {
		t.Errorf("no FHIR version: %s", body)
	}
	for _, typ := range readTypes {
		if !strings.Contains(body, `"type":"`+typ+`"`) {
			t.Errorf("%s is read and not stated", typ)
		}
	}
	if _, _, err := fhirjson.Decode(fhirjson.Entry{Raw: []byte(body)}); err != nil {
		t.Errorf("the statement is no valid R4 resource: %v", err)
	}
	// Every type of Bundle that is taken is stated, and how it is read (FHIR R4, value set bundle-type).
	for _, typ := range []string{"message", "transaction", "batch", "collection", "document", "searchset", "history"} {
		in := &inbox{}
		bundle := fmt.Sprintf(`{"resourceType":"Bundle","type":%q,"entry":[{"fullUrl":"http://a.invalid/ServiceRequest/o1","resource":%s}]}`, typ, order)
		if status, answer, _ := do(t, "POST", server(t, in, health{}).URL+"/fhir", "token-of-hillside", "application/fhir+json", bundle); status == 202 && !strings.Contains(body, typ) {
			t.Errorf("a Bundle of type %s is taken and not stated: %s", typ, answer)
		}
	}
}

func TestPanicGivesNoDetail(t *testing.T) {
	api := &API{Log: zap.NewNop(), Now: func() time.Time { return at }}
	h := api.observed("x", http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("Mrs Secret, born 1950") }))
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "Secret") {
		t.Errorf("answered %d: %s", w.Code, w.Body)
	}
}

// outcomes answers from a table: not read yet, read, somebody else's, and a store that is away.
type outcomes struct{}

func (outcomes) Told(_ context.Context, sender, id string) ([]byte, bool, error) {
	switch {
	case id == "away":
		return nil, false, errors.New("patient Invented is in the way")
	case sender != "hillside" || id == "never":
		return nil, false, fmt.Errorf("told: %w", pipeline.ErrNotFound)
	}
	return []byte(`{"resourceType":"OperationOutcome"}`), id == "read", nil
}

func TestTold(t *testing.T) {
	a := &API{Outcomes: outcomes{}, Log: zap.NewNop(), Now: func() time.Time { return at }}
	for _, c := range []struct {
		sender, id string
		status     int
		retry      string
	}{{"hillside", "read", 200, ""}, {"hillside", "waits", 202, "1"}, {"hillside", "never", 404, ""}, {"quayside", "read", 404, ""}, {"hillside", "away", 503, "5"}} {
		r := httptest.NewRequest("GET", "/fhir/outcome/"+c.id, nil)
		r.SetPathValue("id", c.id)
		w := httptest.NewRecorder()
		a.told(w, r.WithContext(context.WithValue(r.Context(), callerKey{}, access.Caller{Name: c.sender, Role: access.Sender})))
		if w.Code != c.status || w.Header().Get("Retry-After") != c.retry || !strings.Contains(w.Body.String(), "OperationOutcome") || strings.Contains(w.Body.String(), "Invented") {
			t.Errorf("%s asks for %s: %d, Retry-After %q, %s", c.sender, c.id, w.Code, w.Header().Get("Retry-After"), w.Body)
		}
	}
}
