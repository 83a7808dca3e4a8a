package fhirjson

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"gaussline/mapping/implant"
)

func TestPeek(t *testing.T) {
	mrn := implant.Identifier{System: "http://ehr.example/mrn", Value: "77", Type: "MR", Use: "usual"}
	const mrnJSON = `{"use":"usual","type":{"coding":[{"code":"MR"}]},"system":"http://ehr.example/mrn","value":"77"}`
	for _, c := range []struct {
		name, raw string
		want      Glimpse
	}{
		{"procedure", `{"resourceType":"Procedure","id":"q1","meta":{"versionId":"3","lastUpdated":"2026-05-03T12:00:00+02:00"},"status":"aborted","subject":{"reference":"Patient/p1","identifier":` + mrnJSON + `},"performer":[{"actor":{"reference":"Practitioner/1"}}]}`,
			Glimpse{Type: "Procedure", ID: "q1", VersionID: "3", LastUpdated: time.Date(2026, 5, 3, 10, 0, 0, 0, time.UTC), Status: "aborted",
				Patients: []string{"Patient/p1"}, Identifiers: []implant.Identifier{mrn}}},
		{"order of properties", `{"subject":{"reference":"Patient/p1"},"id":"q1","resourceType":"Procedure"}`,
			Glimpse{Type: "Procedure", ID: "q1", Patients: []string{"Patient/p1"}}},
		{"own identifiers are not the patient's", `{"resourceType":"Device","identifier":[` + mrnJSON + `],"patient":{"reference":"urn:uuid:x"}}`,
			Glimpse{Type: "Device", Patients: []string{"urn:uuid:x"}}},
		{"patient", `{"resourceType":"Patient","id":"p1","identifier":[` + mrnJSON + `,` + mrnJSON + `]}`,
			Glimpse{Type: "Patient", ID: "p1", Patients: []string{"Patient/p1"}, Identifiers: []implant.Identifier{mrn}}},
		{"patient, type last", `{"id":"p1","identifier":[` + mrnJSON + `],"resourceType":"Patient"}`,
			Glimpse{Type: "Patient", ID: "p1", Patients: []string{"Patient/p1"}, Identifiers: []implant.Identifier{mrn}}},
		{"wrong capitals", `{"resourceType":"Procedure","Subject":{"Reference":"Patient/p1"}}`,
			Glimpse{Type: "Procedure", Patients: []string{"Patient/p1"}}},
		{"truncated", `{"resourceType":"Procedure","id":"q1","subject":{"reference":"Patient/p1"},"note":[{"te`,
			Glimpse{Type: "Procedure", ID: "q1", Patients: []string{"Patient/p1"}}},
		{"truncated within the reference", `{"resourceType":"Patient","id":"p1","identifier":[{"system":"s","value":"7"`,
			Glimpse{Type: "Patient", ID: "p1", Patients: []string{"Patient/p1"}, Identifiers: []implant.Identifier{{System: "s", Value: "7"}}}},
		{"broken before the reference", `{"resourceType":"Procedure","id":"q1",,"subject":{"reference":"http://ehr.example/Patient/p1"}}`,
			Glimpse{Type: "Procedure", ID: "q1", Patients: []string{"http://ehr.example/Patient/p1"}}},
		{"bad UTF-8", "{\"resourceType\":\"Procedure\",\"note\":[{\"text\":\"\xE9\"}],\"subject\":{\"reference\":\"Patient/p1\"}}",
			Glimpse{Type: "Procedure", Patients: []string{"Patient/p1"}}},
		{"bundle", `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient","id":"p2"}},{"resource":{"resourceType":"Device","patient":{"reference":"Patient/p1"}}}]}`,
			Glimpse{Type: "Bundle", Patients: []string{"Patient/p1", "Patient/p2"}}},
		{"nothing", ``, Glimpse{}},
		{"not JSON", `MSH|^~\&|`, Glimpse{}},
		{"array", `["a",1]`, Glimpse{}},
		{"shapes", `{"resourceType":["x"],"id":{"id":"y"},"subject":["Patient/1"],"meta":"x","identifier":"7"}`, Glimpse{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := Peek([]byte(c.raw)); !reflect.DeepEqual(got, c.want) {
				t.Errorf("\ngot  %+v\nwant %+v", got, c.want)
			}
		})
	}
}

func TestPeekIsBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString(`{"resourceType":"Bundle","entry":[`)
	for i := range 5000 {
		fmt.Fprintf(&b, `{"resource":{"subject":{"reference":"Patient/%d"}}},`, i)
	}
	if n := len(Peek([]byte(b.String())).Patients); n != peekFound {
		t.Errorf("%d patients", n)
	}
	Peek([]byte(strings.Repeat(`{"a":`, 500_000)))
	Peek([]byte(strings.Repeat(`[`, 2_000_000)))
}
