package fhirjson

import (
	"errors"
	"strings"
	"testing"

	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"

	"gaussline/mapping/implant"
)

// The three outcomes of the tables in this folder.
const (
	isRead    = "read"    // no finding
	isMended  = "mended"  // read, with findings
	isRefused = "refused" // a Refusal, of the whole or of its only resource
)

// row is one oddity and what becomes of it. path and text belong to one of the findings.
type row struct {
	name, json, want, path, text string
}

// outcomeOf reads a bare resource and says what became of it.
func outcomeOf(t *testing.T, raw string) (string, []implant.Finding, *r4pb.ContainedResource) {
	t.Helper()
	received := raw + ""
	msg, err := Split([]byte(received), Limits{})
	if err != nil {
		return isRefused, findingsOf(t, err), nil
	}
	if len(msg.Entries) != 1 {
		t.Fatalf("%d entries", len(msg.Entries))
	}
	res, fs, err := Decode(msg.Entries[0])
	if string(msg.Entries[0].Raw) != strings.TrimSpace(strings.TrimPrefix(raw, "\xEF\xBB\xBF")) {
		t.Error("Decode changed the received bytes")
	}
	if err != nil {
		if res != nil {
			t.Error("a resource beside an error")
		}
		return isRefused, findingsOf(t, err), nil
	}
	fs = append(msg.Findings, fs...)
	if len(fs) > 0 {
		return isMended, fs, res
	}
	return isRead, nil, res
}

func findingsOf(t *testing.T, err error) []implant.Finding {
	t.Helper()
	var r *Refusal
	if !errors.As(err, &r) {
		t.Fatalf("error is no Refusal: %T", err)
	}
	if len(r.Findings) == 0 {
		t.Fatal("a Refusal without findings")
	}
	return r.Findings
}

// check runs one row.
func check(t *testing.T, r row) {
	t.Helper()
	got, fs, res := outcomeOf(t, r.json)
	if got != r.want {
		t.Fatalf("got %s, want %s: %+v", got, r.want, fs)
	}
	if got != isRefused && res == nil {
		t.Fatal("neither resource nor error")
	}
	if r.want == isRead {
		return
	}
	for _, f := range fs {
		if f.Path == r.path && strings.Contains(f.Text, r.text) {
			return
		}
	}
	t.Errorf("no finding at %q with %q in %+v", r.path, r.text, fs)
}

func checkAll(t *testing.T, rows []row) {
	t.Helper()
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) { check(t, r) })
	}
}

// patient, device, procedure and order make a correct resource with some more properties.
func patient(more string) string {
	return `{"resourceType":"Patient","id":"p1"` + comma(more) + `}`
}

func device(more string) string {
	return `{"resourceType":"Device","id":"d1","patient":{"reference":"Patient/p1"}` + comma(more) + `}`
}

func procedure(more string) string {
	return `{"resourceType":"Procedure","id":"q1","status":"completed","subject":{"reference":"Patient/p1"}` + comma(more) + `}`
}

func order(more string) string {
	return `{"resourceType":"ServiceRequest","id":"s1","status":"active","intent":"order","subject":{"reference":"Patient/p1"}` + comma(more) + `}`
}

func comma(s string) string {
	if s == "" {
		return ""
	}
	return "," + s
}

// only splits a bare resource that must be accepted.
func only(t testing.TB, raw string) Entry {
	t.Helper()
	msg, err := Split([]byte(raw), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	return msg.Entries[0]
}
