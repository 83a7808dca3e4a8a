package cds_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/cds"
)

// Discovery (CDS Hooks 2.0, discovery): hook, id and description required; no null, nothing empty.
func TestDiscovery(t *testing.T) {
	w := newServer(t).do("GET", "/cds-services", "")
	var v struct {
		Services []struct {
			Hook, ID, Title, Description, UsageRequirements string
			Prefetch                                        map[string]string
		}
	}
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil || w.Code != 200 || len(v.Services) != 2 {
		t.Fatalf("%d %v: %s", w.Code, err, w.Body)
	}
	hooks := map[string]string{}
	for _, s := range v.Services {
		hooks[s.Hook] = s.ID
		if s.Description == "" || s.Title == "" || s.UsageRequirements == "" || s.Prefetch["devices"] != "Device?patient={{context.patientId}}" {
			t.Errorf("incomplete: %+v", s)
		}
	}
	if hooks["order-select"] != cds.SelectService || hooks["order-sign"] != cds.SignService {
		t.Errorf("hooks %v", hooks)
	}
}

// Every verdict gives its card; none gives silence.
func TestCardOfEachVerdict(t *testing.T) {
	s := newServer(t)
	for patient, want := range map[string]struct{ indicator, summary, detail string }{
		"unsafe":  {"critical", "MR UNSAFE", "labelled MR Unsafe"},
		"capped":  {"critical", "Implant in place: OUTSIDE", "CAPPED"},
		"unknown": {"critical", "MR status NOT ESTABLISHED", "not identified"},
		"whole":   {"warning", "Implant in place: CONFIRM EVERY POINT", "Confirm before the scan"},
		"out":     {"info", "Nothing recorded as in place: that does NOT mean", "Out of the body"},
		"nobody":  {"info", "No implant record is kept for this patient: that does NOT mean", "says nothing about implants"},
	} {
		r := s.ask(t, cds.SignService, hookBody("order-sign", patient, "", "", serviceRequest("o1", patient, "MR knee left")))
		if len(r.Cards) != 1 {
			t.Errorf("%s: %d cards", patient, len(r.Cards))
			continue
		}
		c := r.Cards[0]
		if c.Indicator != want.indicator || !strings.HasPrefix(c.Summary, want.summary) || !strings.Contains(c.Detail, want.detail) {
			t.Errorf("%s: %s, %q, want %+v\n%s", patient, c.Indicator, c.Summary, want, c.Detail)
		}
		if alone := c.Summary + c.Source.Topic.Display; strings.Contains(alone, "below") || strings.Contains(alone, "above") {
			t.Errorf("%s: words shown alone point to another place: %q", patient, alone)
		}
		if len(c.OverrideReasons) != len(cds.OverrideReasons()) || len(c.Links) != map[bool]int{true: 0, false: 1}[patient == "nobody"] {
			t.Errorf("%s: %d override reasons, %d links", patient, len(c.OverrideReasons), len(c.Links))
		}
	}
}

// What the words around a draft ask for is judged too, and quoted. Common practice, no source.
func TestWordsAroundTheDraft(t *testing.T) {
	s := newServer(t)
	brain := serviceRequest("o1", "whole", "MR brain")
	also := strings.Replace(brain, `"status"`, `"note":[{"text":"please also do lumbar"}],"status"`, 1)
	for _, draft := range []string{brain, also} {
		r := s.ask(t, cds.SignService, hookBody("order-sign", "whole", "", "", draft))
		if len(r.Cards) != 1 || strings.Contains(r.Cards[0].Detail, "lumbar spine (asked for beside the order") != (draft == also) {
			t.Errorf("%s: %+v", draft, r.Cards)
		}
	}
}

// order-sign puts the note on the order by itself, order-select proposes it; either way the action carries the whole
// draft with only the note added.
func TestNoteOnTheDraft(t *testing.T) {
	s := newServer(t)
	order := `{"resourceType":"ServiceRequest","id":"o1","status":"draft","intent":"order","subject":{"reference":"Patient/capped"},` +
		`"code":{"text":"MR lumbar spine"},"quantityQuantity":{"value":1.50},"x-unknown":{"kept":true}}`
	sign := s.ask(t, cds.SignService, hookBody("order-sign", "capped", "", "", order))
	sel := s.ask(t, cds.SelectService, hookBody("order-select", "capped", `["ServiceRequest/o1"]`, "", order))
	if len(sign.SystemActions) != 1 || len(sign.Cards) != 1 || len(sign.Cards[0].Suggestions) != 0 {
		t.Fatalf("order-sign: %+v", sign)
	}
	if len(sel.SystemActions) != 0 || len(sel.Cards) != 1 || len(sel.Cards[0].Suggestions) != 1 {
		t.Fatalf("order-select: %+v", sel)
	}
	for _, a := range []act{sign.SystemActions[0], sel.Cards[0].Suggestions[0].Actions[0]} {
		got := string(a.Resource)
		if a.Type != "update" || !strings.HasPrefix(got, strings.TrimSuffix(order, "}")+`,"note":[{`) || !strings.Contains(got, "OUTSIDE THE MR LABELLING") {
			t.Errorf("action %s %s", a.Type, got)
		}
	}
	again := s.ask(t, cds.SignService, hookBody("order-sign", "capped", "", "", string(sign.SystemActions[0].Resource)))
	if n := strings.Count(string(again.SystemActions[0].Resource), "authorString"); n != 1 {
		t.Errorf("asked again the order has %d notes of ours", n)
	}
}

// What is asked about: MR and could-be MR, of the selection; not CT, not what is over, not what must not be done.
func TestWhichOrdersAreAnswered(t *testing.T) {
	s := newServer(t)
	mr, ct := serviceRequest("mr", "whole", "MR brain"), serviceRequest("ct", "whole", "CT head")
	medication := `{"resourceType":"MedicationRequest","id":"m","status":"draft"}`
	for name, c := range map[string]struct {
		selections string
		orders     []string
		cards      int
	}{
		"the selected one":          {`["ServiceRequest/mr"]`, []string{mr, ct, medication}, 1},
		"another selected":          {`["MedicationRequest/m"]`, []string{mr, ct, medication}, 0},
		"CT":                        {`["ServiceRequest/ct"]`, []string{mr, ct}, 0},
		"a selection that is gone":  {`["ServiceRequest/lost"]`, []string{mr, ct}, 1},
		"an absolute selection":     {`["https://ehr.hillside.invalid/fhir/ServiceRequest/mr"]`, []string{mr}, 1},
		"not to be performed":       {`["ServiceRequest/mr"]`, []string{strings.Replace(mr, `"status"`, `"doNotPerform":true,"status"`, 1)}, 0},
		"revoked":                   {`["ServiceRequest/mr"]`, []string{strings.Replace(mr, "draft", "revoked", 1)}, 0},
		"no words at all":           {`["ServiceRequest/e"]`, []string{`{"resourceType":"ServiceRequest","id":"e","status":"draft","intent":"order","subject":{"reference":"Patient/whole"}}`}, 1},
		"an order nobody can read":  {`["ServiceRequest/e"]`, []string{`{"resourceType":"ServiceRequest","id":"e","status":"draft","intent":7}`}, 1},
		"no orders":                 {`[]`, nil, 0},
		"two MR orders, one chosen": {`["ServiceRequest/mr"]`, []string{mr, serviceRequest("mr2", "whole", "MR knee")}, 1},
	} {
		r := s.ask(t, cds.SelectService, hookBody("order-select", "whole", c.selections, "", c.orders...))
		if len(r.Cards) != c.cards {
			t.Errorf("%s: %d cards, want %d: %+v", name, len(r.Cards), c.cards, r.Cards)
		}
	}
	var many []string
	for i := range 60 {
		many = append(many, serviceRequest(fmt.Sprintf("o%d", i), "whole", "MR brain"))
	}
	r := s.ask(t, cds.SignService, hookBody("order-sign", "whole", "", "", many...))
	if last := r.Cards[len(r.Cards)-1]; len(r.Cards) != 51 || !strings.Contains(last.Detail, "10 draft orders were not looked at") {
		t.Errorf("%d cards, last %q", len(r.Cards), last.Detail)
	}
}

// An order that names another patient gets no answer about this one.
func TestOrderOfAnotherPatient(t *testing.T) {
	r := newServer(t).ask(t, cds.SignService, hookBody("order-sign", "whole", "", "", serviceRequest("o", "unsafe", "MR brain")))
	if len(r.Cards) != 1 || r.Cards[0].Indicator != "critical" || !strings.Contains(r.Cards[0].Summary, "another patient") || len(r.SystemActions) != 0 {
		t.Errorf("%+v", r)
	}
}

// Prefetch (CDS Hooks 2.0, prefetch): absent, null and an OperationOutcome are three things, and none means that the
// patient has no devices. Devices that the record has not seen make the answer more cautious, and nothing sent along
// makes it less so.
func TestPrefetchOnlyMakesMoreCautious(t *testing.T) {
	s := newServer(t)
	device := func(ids ...string) string {
		entries := []string{}
		for _, id := range ids {
			entries = append(entries, `{"resource":{"resourceType":"Device","id":"`+id+`","status":"active"}}`)
		}
		return `{"devices":{"resourceType":"Bundle","type":"searchset","entry":[` + strings.Join(entries, ",") + `]}}`
	}
	outcome := `{"devices":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"timeout"}]}}`
	for name, c := range map[string]struct{ patient, prefetch, indicator, says string }{
		"absent":                   {"whole", "", "warning", ""},
		"null":                     {"whole", `{"devices":null}`, "warning", ""},
		"empty":                    {"whole", device(), "warning", ""},
		"known devices":            {"whole", device("g", "l", "r"), "warning", ""},
		"one more":                 {"whole", device("g", "x"), "critical", "1 devices of the ordering system are not on this record"},
		"entered in error":         {"whole", strings.Replace(device("x"), "active", "entered-in-error", 1), "warning", ""},
		"failed":                   {"whole", outcome, "warning", "could not give its own list"},
		"failed, unsafe on record": {"unsafe", outcome, "critical", "MR UNSAFE"},
		"nonsense":                 {"whole", `{"devices":7}`, "warning", "could not give its own list"},
		"nobody, with a device":    {"nobody", device("x"), "critical", "NOT ESTABLISHED"},
		"nobody, null":             {"nobody", `{"devices":null}`, "info", "says nothing about implants"},
		"unsafe, no devices":       {"unsafe", device(), "critical", "MR UNSAFE"},
		"out, with a device":       {"out", device("x"), "critical", "NOT ESTABLISHED"},
		"others are ignored":       {"out", `{"flags":{"resourceType":"Bundle"}}`, "info", ""},
	} {
		r := s.ask(t, cds.SignService, hookBody("order-sign", c.patient, "", c.prefetch, serviceRequest("o", c.patient, "MR knee")))
		if len(r.Cards) != 1 || r.Cards[0].Indicator != c.indicator || !strings.Contains(r.Cards[0].Detail, c.says) {
			t.Errorf("%s: want %s %q, got %+v", name, c.indicator, c.says, r.Cards)
		}
	}
	if n := len(s.shelf.records["hillside|Patient/whole"].Questions); n != 0 {
		t.Errorf("the stored record was changed: %d questions", n)
	}
}

// A store that fails or hangs is a card that says so: an empty answer would read as nothing known.
func TestNoSilenceWhenTheRecordFails(t *testing.T) {
	for name, spoil := range map[string]func(server){
		"fails": func(s server) { s.shelf.fail = errors.New("disk of Ines Corbyhurst") },
		"not noted": func(s server) {
			s.svc.Audit = func(*http.Request, string, string) error { return errors.New("disk full") }
		},
		"noting hangs": func(s server) {
			s.svc.Wait = 5 * time.Millisecond
			s.svc.Audit = func(r *http.Request, _, _ string) error { <-r.Context().Done(); return r.Context().Err() }
		},
		"hangs": func(s server) { s.shelf.slow = true; s.svc.Wait = 5 * time.Millisecond },
	} {
		s := newServer(t)
		spoil(s)
		r := s.ask(t, cds.SignService, hookBody("order-sign", "whole", "", "", serviceRequest("o", "whole", "MR brain")))
		if len(r.Cards) != 1 || r.Cards[0].Indicator != "critical" || !strings.Contains(r.Cards[0].Summary, "NOT ESTABLISHED") || strings.Contains(r.Cards[0].Detail, "Ines") {
			t.Errorf("%s: %+v", name, r.Cards)
		}
	}
}

// A long or odd order text cannot push the warning out of the summary, nor become formatting.
func TestSummaryKeepsTheWarning(t *testing.T) {
	r := newServer(t).ask(t, cds.SignService, hookBody("order-sign", "unsafe", "", "", serviceRequest("o", "unsafe", "MR brain "+strings.Repeat("é", 300))))
	if sum := r.Cards[0].Summary; !strings.HasPrefix(sum, "MR UNSAFE") || !strings.HasSuffix(sum, "…") || len([]rune(sum)) != 139 {
		t.Errorf("%q", sum)
	}
}

// The same call asked again names the same cards, so that feedback finds them; another call names others.
func TestCardNames(t *testing.T) {
	s := newServer(t)
	body := hookBody("order-sign", "whole", "", "", serviceRequest("a", "whole", "MR brain"), serviceRequest("b", "whole", "MR brain"))
	one, two := s.ask(t, cds.SignService, body), s.ask(t, cds.SignService, body)
	other := s.ask(t, cds.SignService, strings.Replace(body, instance, "00000000-dfbe-44ad-ba6d-3e05e953b2ea", 1))
	if one.Cards[0].UUID != two.Cards[0].UUID || one.Cards[0].UUID == one.Cards[1].UUID || one.Cards[0].UUID == other.Cards[0].UUID {
		t.Error("names of cards")
	}
}

// What the specification requires and is missing is 400; what is unknown is left alone.
func TestRequestsRefused(t *testing.T) {
	s := newServer(t)
	good := hookBody("order-select", "whole", `["ServiceRequest/o"]`, "", serviceRequest("o", "whole", "MR brain"))
	for name, c := range map[string]struct {
		path, body string
		status     int
	}{
		"good":               {cds.SelectService, good, 200},
		"unknown member":     {cds.SelectService, strings.Replace(good, `{"hook"`, `{"extension":{"x":1},"hook"`, 1), 200},
		"patient reference":  {cds.SelectService, strings.Replace(good, `"patientId":"whole"`, `"patientId":"Patient/whole"`, 1), 200},
		"unknown service":    {"other", good, 404},
		"another hook":       {cds.SignService, good, 400},
		"no hook":            {cds.SelectService, strings.Replace(good, `"hook":"order-select",`, ``, 1), 400},
		"no hookInstance":    {cds.SelectService, strings.Replace(good, instance, ``, 1), 400},
		"hookInstance":       {cds.SelectService, strings.Replace(good, instance, `1`, 1), 400},
		"no user":            {cds.SelectService, strings.Replace(good, `"userId":"Practitioner/123",`, ``, 1), 400},
		"no patient":         {cds.SelectService, strings.Replace(good, `"patientId":"whole",`, ``, 1), 400},
		"patient with slash": {cds.SelectService, strings.Replace(good, `"patientId":"whole"`, `"patientId":"a/b"`, 1), 400},
		"no selections":      {cds.SelectService, strings.Replace(good, `"selections":["ServiceRequest/o"],`, ``, 1), 400},
		"no draft orders":    {cds.SelectService, strings.Replace(good, `draftOrders`, `orders`, 1), 400},
		"not JSON":           {cds.SelectService, `{`, 400},
		"an array":           {cds.SelectService, `[]`, 400},
		"too large":          {cds.SelectService, `{"a":"` + strings.Repeat("x", 3<<20) + `"}`, 413},
	} {
		if w := s.do("POST", "/cds-services/"+c.path, c.body); w.Code != c.status {
			t.Errorf("%s: %d, want %d: %s", name, w.Code, c.status, w.Body)
		} else if w.Code != 200 && !strings.Contains(w.Body.String(), "OperationOutcome") {
			t.Errorf("%s: no outcome: %s", name, w.Body)
		}
	}
	if w := s.do("GET", "/cds-services/"+cds.SignService, ""); w.Code != 405 {
		t.Errorf("GET of a service: %d", w.Code)
	}
}

// The check of answers by the tables of the specification sees what is wrong.
func TestResponseCheckBites(t *testing.T) {
	good := `{"cards":[{"uuid":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","summary":"a","indicator":"info","source":{"label":"b"}}]}`
	for name, body := range map[string]string{"good": good,
		"no summary": strings.Replace(good, `"summary":"a",`, ``, 1), "indicator": strings.Replace(good, "info", "hard-stop", 1),
		"no label": strings.Replace(good, `"label":"b"`, ``, 1), "empty": strings.Replace(good, `"a"`, `""`, 1), "unknown": strings.Replace(good, `"label"`, `"name":"x","label"`, 1),
		"long": strings.Replace(good, `"a"`, `"`+strings.Repeat("a", 140)+`"`, 1), "behaviour": strings.Replace(good, `"source"`, `"selectionBehavior":"any","source"`, 1),
		"empty list": strings.Replace(good, `"source"`, `"links":[],"source"`, 1), "null": strings.Replace(good, `"source"`, `"detail":null,"source"`, 1)} {
		var v map[string]any
		if err := json.Unmarshal([]byte(body), &v); err != nil {
			t.Fatal(err)
		}
		if faults := responseFaults(v); (len(faults) == 0) != (name == "good") {
			t.Errorf("%s: %v", name, faults)
		}
	}
}
