package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/trace"
)

func someTrace() pipeline.Traced {
	q := trace.Query{Models: []string{"TB-L45"}}
	hit := func(patient, model string, p implant.Person) pipeline.TraceHit {
		part := implant.Part{ID: "x", State: implant.Connected, Implanted: "[2026-03-04,2026-04-03]",
			Component: implant.Component{Kind: implant.Lead, Model: model, DI: "04012345678901", Expiry: "2030-01"}}
		a := q.Match(trace.Part{Component: part.Component})
		return pipeline.TraceHit{Patient: patient, Person: p, Part: part, Place: trace.PlaceOf(part.State), Answer: a,
			Check: trace.ToCheck(a, part.State, false), Contact: "hillside", Contacted: "2026-02-05T10:00:00Z"}
	}
	full := implant.Person{Family: "Testperson", Given: "Anna", Birth: "1950-03-04", Deceased: true, Identifiers: []implant.Identifier{{System: "urn:mrn", Value: "=1+1"}}}
	return pipeline.Traced{Query: q, At: time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), More: true,
		Named: []pipeline.TraceHit{hit("hillside|Patient/1", "TB-L45", full)}, Possible: []pipeline.TraceHit{hit("hillside|Patient/2", "", implant.Person{Birth: "[1950-03-04,1950-04-03]"})}}
}

// What a trace gives as FHIR is read by the strict reader that senders meet, every resource without a finding, and every
// reference has its resource (FHIR R4, Bundle: references within a Bundle by fullUrl).
func TestTraceAsFHIR(t *testing.T) {
	for name, tr := range map[string]pipeline.Traced{"hits": someTrace(), "none": {At: time.Unix(0, 0)}} {
		b, err := json.Marshal(traceBundle(tr))
		if err != nil {
			t.Fatal(err)
		}
		m, err := fhirjson.Split(b, fhirjson.DefaultLimits())
		if err != nil || len(m.Entries) == 0 || len(m.Bad)+len(m.Findings) > 0 {
			t.Fatalf("%s: %v", name, err)
		}
		for _, e := range m.Entries {
			if _, found, err := fhirjson.Decode(e); err != nil || len(found) > 0 {
				t.Errorf("%s: %v %v", name, err, found)
			}
		}
		for _, ref := range strings.Split(string(b), `"reference":"`)[1:] {
			ref, _, _ = strings.Cut(ref, `"`)
			if !bytes.Contains(b, []byte(`"fullUrl":"`+ref+`"`)) {
				t.Errorf("%s: %s is not in the Bundle", name, ref)
			}
		}
	}
}

// The CSV has its columns in every row, and no cell that a spreadsheet would run.
func TestTraceAsCSV(t *testing.T) {
	var out bytes.Buffer
	p := &program{out: &out, errOut: io.Discard}
	if err := p.traceCSV(someTrace()); err != errHeld { // there are more than are listed
		t.Errorf("more than listed: %v", err)
	}
	rows, err := csv.NewReader(&out).ReadAll() // refuses rows of another length
	if err != nil || len(rows) != 3 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, r := range rows {
		for i, cell := range r {
			if cell != "" && strings.ContainsAny(cell[:1], "=+-@") {
				t.Errorf("column %s: %q", traceColumns[i], cell)
			}
		}
	}
}
