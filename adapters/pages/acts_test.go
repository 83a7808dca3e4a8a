package pages

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirjson"
	"gaussline/mapping/implant"
)

func field(t *testing.T, body, name string) string {
	t.Helper()
	m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(body)
	if m == nil {
		t.Fatalf("no field %s in\n%s", name, body)
	}
	return html.UnescapeString(m[1])
}

func want(t *testing.T, what string, got, status int) {
	t.Helper()
	if got != status {
		t.Errorf("%s: %d, want %d", what, got, status)
	}
}

func TestAReadVerdictThatChangesIsMarkedAndAStaleReadingIsRefused(t *testing.T) {
	h := newHouse(t)
	h.tell("03-leads-capped")
	v := h.visitor("radiology")
	path := "/orders/" + h.orders()["hillside|ServiceRequest/c-mr"]
	_, body, _ := v.get(path)
	status, _, _ := v.post(path+"/read", url.Values{"digest": {"of an earlier page"}})
	want(t, "acknowledging what is not in force", status, http.StatusConflict)
	if _, list, _ := v.get("/worklist"); !strings.Contains(list, "NOT READ YET") {
		t.Error("a refused reading was kept")
	}
	status, _, _ = v.post(path+"/read", url.Values{"digest": {field(t, body, "digest")}})
	want(t, "acknowledging", status, http.StatusSeeOther)
	rec := h.record("hillside|Patient/p03")
	h.correct(rec, implant.WasCut)
	_, list, _ := v.get("/worklist")
	if !strings.Contains(list, "CHANGED since Invented radiology read it") || strings.Contains(list, "Unchanged since") {
		t.Errorf("the change is not marked:\n%s", list)
	}
}

// correct answers the first question of a record with a correction of every part it concerns.
func (h *house) correct(rec implant.Record, kind implant.FactKind) {
	h.t.Helper()
	if len(rec.Questions) == 0 {
		h.t.Fatal("the story leaves nothing open")
	}
	v := h.visitor("clinic")
	q := rec.Questions[0]
	form := url.Values{"kind": {"correct"}, "reason": {"seen at re-operation"}, "at": {"2026-05-30"}}
	for _, p := range concerned(rec, q) {
		form.Set("state-"+p.ID, string(kind))
	}
	status, body, _ := v.post("/review/"+h.recordID(rec.Patient)+"/"+q.ID, form)
	if status != http.StatusSeeOther {
		h.t.Fatalf("correction: %d\n%s", status, body)
	}
}

func TestBreakTheGlass(t *testing.T) {
	h := newHouse(t)
	h.tell("01-primary-implant")
	v := h.visitor("quayside") // sees the patients of quayside only
	id := h.recordID("hillside|Patient/p01")
	status, body, hd := v.get("/records/" + id)
	want(t, "a record of another sender", status, http.StatusSeeOther)
	if hd.Get("Location") != "/records/"+id+"/open" || strings.Contains(body, "Alderwick") {
		t.Error("not sent to the page that asks for a reason:", hd.Get("Location"))
	}
	_, found, _ := v.post("/records", url.Values{"words": {"H-0001"}})
	if strings.Contains(found, "Alderwick") || !strings.Contains(found, "Open it with a reason") {
		t.Error("a search outside the scope names the patient, or offers no way in")
	}
	if _, found, _ = v.post("/records", url.Values{"words": {"alderwick"}}); !strings.Contains(found, "Nobody is recorded") {
		t.Error("somebody outside the scope is found by name")
	}
	status, _, _ = v.post("/records/"+id+"/open", url.Values{"reason": {"short"}})
	want(t, "no reason", status, http.StatusBadRequest)
	status, _, _ = v.post("/records/"+id+"/open", url.Values{"reason": {"emergency admission, MR asked for"}})
	want(t, "with a reason", status, http.StatusSeeOther)
	status, body, _ = v.get("/records/" + id)
	want(t, "opened", status, http.StatusOK)
	if !strings.Contains(body, "Opened outside your patients") || strings.Contains(body, "/review/") {
		t.Error("an opened record does not say so, or can be answered for")
	}
	h.pass(glassLasts)
	status, _, _ = v.get("/records/" + id)
	want(t, "an hour later", status, http.StatusSeeOther)
	lines, err := h.audit.Lines(t.Context(), 0, 1000)
	h.ok(err)
	reasons := 0
	for _, l := range lines {
		if e, _ := access.AuditEventOf(l); e.What == "break-glass" && e.Reason == "emergency admission, MR asked for" && e.Object == id {
			reasons++
		}
	}
	if reasons != 1 {
		t.Errorf("the reason stands %d times in the audit", reasons)
	}
}

func TestAuditIsDownloadedVerifiedAndNamesNoPatient(t *testing.T) {
	h := newHouse(t)
	h.tell("01-primary-implant", "12-note-only")
	c := h.visitor("clinic")
	c.get("/records/" + h.recordID("hillside|Patient/p12"))
	c.post("/records", url.Values{"words": {"lorrimoor"}})
	c.post("/trace", url.Values{"words": {"TB-L45"}})
	s := h.visitor("safety")
	_, body, _ := s.get("/audit/lines")
	var lines []access.Line
	for sc := bufio.NewScanner(strings.NewReader(body)); sc.Scan(); {
		var l struct {
			Key  string
			Body json.RawMessage
		}
		h.ok(json.Unmarshal(sc.Bytes(), &l))
		lines = append(lines, access.Line{Key: l.Key, Body: l.Body})
	}
	if err := access.VerifyAudit(lines); err != nil || len(lines) < 6 {
		t.Errorf("%d lines: %v", len(lines), err)
	}
	_, fhir, _ := s.get("/audit/fhir")
	_, page, _ := s.get("/audit")
	for _, text := range []string{body, fhir, page} {
		for _, private := range []string{"orrimoor", "H-0012", "p12", "lderwick", "p01"} {
			if strings.Contains(text, private) {
				t.Errorf("the audit holds %q", private)
			}
		}
	}
	events := 0
	for sc := bufio.NewScanner(strings.NewReader(fhir)); sc.Scan(); events++ { // read by the strict reader that senders meet
		m, err := fhirjson.Split(sc.Bytes(), fhirjson.DefaultLimits())
		if err != nil || len(m.Entries) != 1 || len(m.Bad)+len(m.Findings) > 0 || m.Entries[0].Type != "AuditEvent" {
			t.Fatalf("%s: %v", sc.Text(), err)
		}
		if _, found, err := fhirjson.Decode(m.Entries[0]); err != nil || len(found) > 0 {
			t.Errorf("%s: %v %v", sc.Text(), found, err)
		}
	}
	if events < len(lines) {
		t.Errorf("%d AuditEvents of %d lines", events, len(lines))
	}
}

func TestWhatCannotBeNotedIsNotShown(t *testing.T) {
	h := newHouse(t)
	h.tell("01-primary-implant")
	v := h.visitor("clinic")
	h.audit.Journal = broken{h.audit.Journal}
	status, body, _ := v.get("/records/" + h.recordID("hillside|Patient/p01"))
	want(t, "a record while the audit cannot be written", status, http.StatusInternalServerError)
	if strings.Contains(body, "Alderwick") || strings.Contains(body, "disk full") {
		t.Error("shown, or the page tells what is wrong inside")
	}
}

type broken struct{ access.Journal }

func (broken) AddAfter(context.Context, int64, ...access.Line) (int64, error) {
	return 0, fmt.Errorf("disk full")
}

func TestAnOperatorSeesReasonsAndNoValues(t *testing.T) {
	h := newHouse(t)
	h.receive("hillside", []byte(`{"resourceType":"Patient","id":"p99","birthDate":"born Secretname 1961","name":[{"family":"Secretname"}]}`))
	v := h.visitor("operator")
	_, body, _ := v.get("/operations")
	if strings.Contains(body, "Secretname") || !strings.Contains(body, "Patient.birthDate") {
		t.Errorf("the page shows a value, or not the place:\n%s", body)
	}
	id := regexp.MustCompile(`/operations/rejects/([0-9a-f]+)`).FindStringSubmatch(body)[1]
	status, _, _ := v.post("/operations/rejects/"+id, url.Values{"do": {"close"}})
	want(t, "closing without a note", status, http.StatusBadRequest)
	status, _, _ = v.post("/operations/rejects/"+id, url.Values{"do": {"replay"}})
	want(t, "replay", status, http.StatusSeeOther)
	status, _, _ = v.post("/operations/rejects/"+id, url.Values{"do": {"close"}, "note": {"the sender was called"}})
	want(t, "an operator lifts what holds a patient's verdict back", status, http.StatusForbidden)
	c := h.visitor("clinic")
	if _, body, _ = c.get("/operations"); !strings.Contains(body, "Keeps the verdicts of 1 patient open.") || !strings.Contains(body, "Close leaves it unread for good") {
		t.Errorf("the page does not say what closing does:\n%s", body)
	}
	status, _, _ = c.post("/operations/rejects/"+id, url.Values{"do": {"close"}, "note": {"the sender was called"}})
	want(t, "close", status, http.StatusSeeOther)
	if _, body, _ = v.get("/operations"); !strings.Contains(body, "Nothing is rejected and open") {
		t.Error("still open")
	}
}

func TestAnAdministratorMakesAnAccountAndNeverAPassword(t *testing.T) {
	h := newHouse(t)
	v := h.visitor("administrator")
	_, body, _ := v.post("/people", url.Values{"name": {"E.Marsh"}, "display": {"E. Marsh"}, "role": {"clinic"}, "senders": {"hillside"}, "do": {"put"}})
	link := regexp.MustCompile(`/welcome/[A-Za-z0-9_-]+`).FindString(body)
	if link == "" {
		t.Fatalf("no link:\n%s", body)
	}
	n := h.visitor("")
	status, _, _ := n.post(link, url.Values{"password": {passPhrase}, "again": {passPhrase + "x"}})
	want(t, "two different passwords", status, http.StatusBadRequest)
	status, _, _ = n.post(link, url.Values{"password": {passPhrase}, "again": {passPhrase}})
	want(t, "set-up", status, http.StatusSeeOther)
	status, _, _ = n.get("/review")
	want(t, "the new person's page", status, http.StatusOK)
	status, _, _ = h.visitor("").get(link)
	want(t, "the link again", status, http.StatusGone)
	status, _, _ = v.post("/people", url.Values{"name": {"administrator"}, "role": {"clinic"}, "senders": {"*"}, "do": {"put"}})
	want(t, "an administrator giving themselves a role", status, http.StatusForbidden)
}

// Addresses that a proxy would log, and our own log, hold no identifier of a patient.
func TestAddressesAndLogHoldNoPatient(t *testing.T) {
	h := newHouse(t)
	h.tell()
	private := []string{"Lorrimoor", "Alderwick", "H-00", "Patient/p", "ServiceRequest/"}
	for name, start := range map[string]string{"radiology": "/worklist", "clinic": "/review"} {
		v := h.visitor(name)
		_, body, _ := v.get(start)
		for _, m := range regexp.MustCompile(`(?:href|action)="([^"]*)"`).FindAllStringSubmatch(body, -1) {
			for _, p := range private {
				if strings.Contains(m[1], p) {
					t.Errorf("%s: address %s", start, m[1])
				}
			}
		}
	}
	for _, e := range h.logs.All() {
		text := e.Message + fmt.Sprint(e.ContextMap())
		for _, p := range private {
			if strings.Contains(text, p) {
				t.Errorf("log: %s", text)
			}
		}
	}
}

func TestMonthsAreListedAndSent(t *testing.T) {
	h := newHouse(t)
	v := h.visitor("registry")
	if _, body, _ := v.get("/months"); !strings.Contains(body, "2026-05") {
		t.Error("no month")
	}
	if _, body, _ := v.get("/months/2026-05/rows.csv"); body != "2026-05 rows.csv" {
		t.Errorf("%q", body)
	}
}

func TestStateOnADay(t *testing.T) {
	h := newHouse(t)
	h.tell("04-complete-explant")
	v := h.visitor("clinic")
	path := "/records/" + h.recordID("hillside|Patient/p04")
	if _, body, _ := v.get(path); !strings.Contains(body, "Nothing recorded as in place") {
		t.Error("today: something in place")
	}
	_, body, _ := v.get(path + "?on=2024-01-01")
	if !strings.Contains(body, "NOT AS OF TODAY") || strings.Contains(body, "Nothing recorded as in place") {
		t.Error("before the explant nothing was in place, or the page does not say which day")
	}
	status, _, _ := v.get(path + "?on=tomorrow")
	want(t, "no date", status, http.StatusBadRequest)
}

// notices is a tracer that takes one model and knows one list.
type notices struct{}

// TraceNotice answers for the model TB-L45.
func (notices) TraceNotice(_ context.Context, n Notice) (NoticeList, error) {
	if n.Models != "TB-L45" {
		return NoticeList{}, fmt.Errorf("%w: name a model", ErrNotice)
	}
	return NoticeList{ID: "f00d", Name: "trace.csv", MediaType: "text/csv", Body: []byte("class\nnamed\n")}, nil
}

// The safety officer gets the list of a recall notice as a file, with the reason in the audit and none of the words; one
// that cannot be traced says why, and keeps what was typed.
func TestNoticeIsListedAndAudited(t *testing.T) {
	h := newHouse(t)
	v := h.visitor("safety")
	status, body, header := v.post("/trace/notice", url.Values{"model": {"TB-L45"}, "serial": {"SN-SECRET"}, "format": {"csv"}, "reason": {"FSN-1"}})
	if status != http.StatusOK || body != "class\nnamed\n" || !strings.Contains(header.Get("Content-Disposition"), "trace.csv") {
		t.Errorf("%d %q %v", status, body, header)
	}
	status, body, _ = v.post("/trace/notice", url.Values{"lot": {"L1..L2"}, "kind": {"lead"}, "format": {"csv"}})
	if status != http.StatusBadRequest || !strings.Contains(body, `value="lead" selected`) || !strings.Contains(body, "name a model") || !strings.Contains(body, "L1..L2") {
		t.Errorf("not traceable: %d %s", status, body)
	}
	if _, body, _ := v.get("/trace"); !strings.Contains(body, `action="/trace/notice"`) {
		t.Error("no form for a notice")
	}
	if _, body, _ := v.get("/audit"); !strings.Contains(body, "FSN-1") || !strings.Contains(body, "f00d") || strings.Contains(body, "SN-SECRET") {
		t.Error("the audit does not have the list and its reason, or has the words")
	}
	if status, _, _ := h.visitor("clinic").post("/trace/notice", url.Values{"model": {"TB-L45"}}); status != http.StatusForbidden {
		t.Errorf("clinic: %d", status)
	}
}
