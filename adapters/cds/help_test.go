package cds_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"gaussline/adapters/cds"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

const (
	base     = "https://gaussline.invalid"
	instance = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea"
)

var at = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

// shelf is a store of records in memory, with the verdict of the real engine on the scenario's labelling.
type shelf struct {
	records  map[string]implant.Record
	fail     error
	slow     bool
	labels   []mri.Labelling
	scanners []mri.Scanner
}

func (s *shelf) Record(ctx context.Context, patient string) (implant.Record, error) {
	if s.slow {
		<-ctx.Done()
		return implant.Record{}, ctx.Err()
	}
	if s.fail != nil {
		return implant.Record{}, s.fail
	}
	if rec, ok := s.records[patient]; ok {
		return rec, nil
	}
	return implant.Record{}, fmt.Errorf("record: %w", pipeline.ErrNotFound)
}

func (s *shelf) Verdict(rec implant.Record, r implant.Referral) mri.Verdict {
	return mri.Decide(rec, mri.ExamOf(r), s.labels, s.scanners, mri.Policy{Site: "north"}, at)
}

// box keeps feedback in memory.
type box struct {
	mu   sync.Mutex
	all  []cds.Feedback
	fail error
}

func (b *box) KeepFeedback(_ context.Context, all []cds.Feedback) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return b.fail
	}
	b.all = append(b.all, all...)
	return nil
}

func part(id string, kind implant.Kind, model string, state implant.State, site implant.Site) implant.Part {
	return implant.Part{ID: id, System: "s", State: state, Site: site, Implanted: "2024-03-11", Refs: []string{"hillside|Device/" + id},
		Component: implant.Component{Kind: kind, Maker: "Tarnbeck Devices", Model: model, Serial: "S-" + id}}
}

func newShelf(t testing.TB) *shelf {
	t.Helper()
	read := func(name string) []byte {
		b, err := os.ReadFile("../../testdata/scenario/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	label, err := mri.ParseLabelling(read("labelling.json"))
	if err != nil {
		t.Fatal(err)
	}
	scanners, err := mri.ParseScanners(read("scanners.json"))
	if err != nil {
		t.Fatal(err)
	}
	gen := part("g", implant.Generator, "TB-G210", implant.Connected, implant.Site{Side: implant.Left, Pocket: "buttock", Region: "buttock"})
	left := part("l", implant.Lead, "TB-L45", implant.Connected, implant.Site{Side: implant.Left, Region: "lumbar-spine", Level: "L3"})
	right := part("r", implant.Lead, "TB-L45", implant.Connected, implant.Site{Side: implant.Right, Region: "lumbar-spine", Level: "L3"})
	capped := part("l", implant.Lead, "TB-L45", implant.Capped, implant.Site{Side: implant.Left, Region: "lumbar-spine", Level: "L3"})
	unsafe := part("g", implant.Generator, "TB-G210", implant.Connected, gen.Site)
	unsafe.Label = implant.MRUnsafe
	unknown := implant.Part{ID: "u", State: implant.Connected, Component: implant.Component{Kind: implant.Unidentified}}
	out := part("g", implant.Generator, "TB-G210", implant.RemovedWhole, gen.Site)
	rec := func(parts ...implant.Part) implant.Record {
		return implant.Record{Patient: "hillside|Patient/p", Parts: parts}
	}
	return &shelf{labels: []mri.Labelling{label}, scanners: scanners, records: map[string]implant.Record{
		"hillside|Patient/whole": rec(gen, left, right), "hillside|Patient/capped": rec(capped), "hillside|Patient/unsafe": rec(unsafe),
		"hillside|Patient/unknown": rec(unknown), "hillside|Patient/out": rec(out)}}
}

type server struct {
	http.Handler
	shelf *shelf
	box   *box
	svc   *cds.Service
}

func newServer(t testing.TB) server {
	t.Helper()
	s := server{shelf: newShelf(t), box: &box{}}
	s.svc = &cds.Service{Records: s.shelf, Feedback: s.box, Clients: cds.Anyone{Sender: "hillside", Base: "http://ehr.hillside.invalid/fhir"},
		BaseURL: base, Now: func() time.Time { return at }, RecordURL: func(string) string { return base + "/records/sealed-id" }}
	s.Handler = s.svc.Handler()
	return s
}

func (s server) do(method, path, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w
}

// serviceRequest is a draft order.
func serviceRequest(id, patient, text string) string {
	return `{"resourceType":"ServiceRequest","id":"` + id + `","status":"draft","intent":"order","subject":{"reference":"Patient/` + patient +
		`"},"code":{"text":"` + text + `"}}`
}

// hookBody is a call. The draft Bundle has no type, as in the specification's own examples (CDS Hooks 2.0, order-select).
func hookBody(hook, patient, selections, prefetch string, orders ...string) string {
	entries := ""
	for i, o := range orders {
		if i > 0 {
			entries += ","
		}
		entries += `{"resource":` + o + `}`
	}
	sel, pre := "", ""
	if hook == "order-select" {
		sel = `"selections":` + selections + `,`
	}
	if prefetch != "" {
		pre = `,"prefetch":` + prefetch
	}
	return `{"hook":"` + hook + `","hookInstance":"` + instance + `","fhirServer":"https://ehr.hillside.invalid/fhir","context":{"userId":"Practitioner/123",` +
		`"patientId":"` + patient + `","encounterId":"456",` + sel + `"draftOrders":{"resourceType":"Bundle","entry":[` + entries + `]}}` + pre + `}`
}

// response is what a client reads of an answer.
type response struct {
	Cards []struct {
		UUID, Summary, Detail, Indicator, SelectionBehavior string
		Source                                              struct{ Topic struct{ Display string } }
		Suggestions                                         []struct {
			UUID    string
			Actions []act
		}
		OverrideReasons []struct{ Code string }
		Links           []struct{ URL string }
	}
	SystemActions []act
}

type act struct {
	Type     string
	Resource json.RawMessage
}

func (s server) ask(t *testing.T, path, body string) response {
	t.Helper()
	w := s.do("POST", "/cds-services/"+path, body)
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	checkResponse(t, w.Body.Bytes())
	var r response
	if err := json.Unmarshal(w.Body.Bytes(), &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// fields is the table of an object of the response: required, then optional members.
type fields struct{ need, may []string }

// The response by the tables of the specification (CDS Hooks 2.0, "CDS Service Response").
var tables = map[string]fields{
	"response":   {[]string{"cards"}, []string{"systemActions"}},
	"card":       {[]string{"summary", "indicator", "source"}, []string{"uuid", "detail", "suggestions", "selectionBehavior", "overrideReasons", "links"}},
	"source":     {[]string{"label"}, []string{"url", "icon", "topic"}},
	"suggestion": {[]string{"label"}, []string{"uuid", "isRecommended", "actions"}},
	"action":     {[]string{"type", "description"}, []string{"resource", "resourceId"}},
	"coding":     {[]string{"code", "system", "display"}, nil},
	"link":       {[]string{"label", "url", "type"}, []string{"appContext"}},
}

// below names the table of members that are objects or lists of objects.
var below = map[string]string{"cards": "card", "systemActions": "action", "source": "source", "suggestions": "suggestion", "actions": "action",
	"overrideReasons": "coding", "topic": "coding", "links": "link"}

// checkResponse holds an answer to the specification's tables, sharing nothing with the code that made it.
func checkResponse(t *testing.T, body []byte) {
	t.Helper()
	var v map[string]any
	if err := json.Unmarshal(body, &v); err != nil {
		t.Fatal(err)
	}
	for _, err := range responseFaults(v) {
		t.Error(err)
	}
}

func responseFaults(v map[string]any) []error {
	out := objectFaults("response", v)
	cards, _ := v["cards"].([]any)
	for _, c := range cards {
		if card, ok := c.(map[string]any); ok {
			out = append(out, cardFaults(card)...)
		}
	}
	return out
}

func objectFaults(table string, v map[string]any) (out []error) {
	known := map[string]bool{}
	for _, n := range tables[table].need {
		known[n] = true
		if _, ok := v[n]; !ok {
			out = append(out, fmt.Errorf("%s without %s", table, n))
		}
	}
	for _, n := range tables[table].may {
		known[n] = true
	}
	for name, member := range v {
		if !known[name] {
			out = append(out, fmt.Errorf("%s has %s, which the specification does not know", table, name))
		}
		list, isList := member.([]any)
		switch {
		case member == nil, member == "", isList && len(list) == 0 && name != "cards":
			out = append(out, fmt.Errorf("%s.%s is null or empty", table, name))
		case below[name] == "":
			continue
		case !isList:
			list = []any{member}
		}
		for _, item := range list {
			o, ok := item.(map[string]any)
			if !ok {
				out = append(out, fmt.Errorf("%s.%s is no object", table, name))
				continue
			}
			out = append(out, objectFaults(below[name], o)...)
		}
	}
	return out
}

var uuidRE = regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`)

func cardFaults(card map[string]any) (out []error) {
	bad := func(cond bool, text string) {
		if cond {
			out = append(out, errors.New(text))
		}
	}
	summary, _ := card["summary"].(string)
	bad(len([]rune(summary)) >= 140, "summary of 140 characters or more")
	indicator, _ := card["indicator"].(string)
	bad(indicator != "info" && indicator != "warning" && indicator != "critical", "indicator "+indicator)
	_, suggests := card["suggestions"]
	behaviour, _ := card["selectionBehavior"].(string)
	bad(suggests != (behaviour == "at-most-one" || behaviour == "any"), "selectionBehavior goes with suggestions")
	id, _ := card["uuid"].(string)
	bad(!uuidRE.MatchString(id), "uuid "+id)
	return out
}
