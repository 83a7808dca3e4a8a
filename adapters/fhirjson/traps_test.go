package fhirjson

import (
	"bytes"
	"strings"
	"sync"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"google.golang.org/protobuf/proto"
)

// Each test here pins a fault of google/fhir v0.7.4 and our cure. When a test of the library's own behaviour fails
// after an update, the fault is gone there and the cure can be looked at again.

func TestTrapDuplicateKeys(t *testing.T) {
	const twice = `{"resourceType":"Patient","resourceType":"Device","id":"x"}`
	if res, err := reader.UnmarshalR4([]byte(twice)); err != nil || res.GetDevice() == nil {
		t.Error("the library no longer takes a second resourceType")
	}
	for path, raw := range map[string]string{
		"resourceType":              twice,
		"id":                        `{"resourceType":"Patient","id":"a","id":"b"}`,
		"Patient.name[0].family":    patient(`"name":[{"family":"A","family":"B"}]`),
		"Patient.name[0].f":         patient(`"name":[{"f":"A","\u0066":"B"}]`),
		"Patient.contained[0].id":   patient(`"contained":[{"resourceType":"Organization","id":"a","id":"b"}]`),
		"Patient.extension[0].url":  patient(`"extension":[{"url":"a","valueString":"x","url":"b"}]`),
		"Patient.identifier[0].k30": patient(`"identifier":[{` + manyKeys(40) + `,"k30":1}]`),
	} {
		check(t, row{json: raw, want: isRefused, path: path, text: "stands twice"})
	}
}

func manyKeys(n int) string {
	var b strings.Builder
	for i := range n {
		if i > 0 {
			b.WriteString(",")
		}
		b.WriteString(`"k` + string(rune('0'+i/10)) + string(rune('0'+i%10)) + `":1`)
	}
	return b.String()
}

func TestTrapCapitalNames(t *testing.T) {
	raw := patient(`"Gender":"male"`)
	if res, err := reader.UnmarshalR4([]byte(raw)); err != nil || res.GetPatient().GetGender() == nil {
		t.Error("the library no longer takes capitalised names")
	}
	check(t, row{json: raw, want: isRefused, path: "Patient.Gender", text: "capital"})
}

func TestTrapUnmarshalWithOutcome(t *testing.T) {
	const raw = `{"resourceType":"Procedure","status":"completed"}`
	if _, outcome, err := reader.UnmarshalWithOutcome([]byte(raw)); err != nil || len(outcome.R4Outcome.GetIssue()) == 0 {
		t.Error("UnmarshalWithOutcome no longer gives a nil error for an invalid resource")
	}
	check(t, row{json: raw, want: isRefused, path: "Procedure.subject", text: "required"})
}

func TestTrapErrorsByReflection(t *testing.T) {
	_, err := reader.UnmarshalR4([]byte(patient(`"secretName":1,"gender":"Q7"`)))
	if err == nil || strings.Contains(err.Error(), "secretName") || strings.Contains(err.Error(), "Q7") {
		t.Fatalf("the library's text changed: %v", err)
	}
	for range 20 { // its order varies from call to call, ours must not
		fs := fromLibrary(err, "Patient")
		if len(fs) != 2 || fs[0].Words != `"secretName"` || fs[1].Path != "Patient.gender" || !strings.Contains(fs[1].Words, "Q7") {
			t.Fatalf("not read by reflection: %+v", fs)
		}
		_, err = reader.UnmarshalR4([]byte(patient(`"secretName":1,"gender":"Q7"`)))
	}
}

func TestTrapMarshalChangesItsInput(t *testing.T) {
	e := only(t, device(`"parent":{"reference":"Device/2"}`))
	res, _, err := Decode(e)
	if err != nil {
		t.Fatal(err)
	}
	before := proto.Clone(res)
	raw, err := Marshal(res)
	if err != nil || !bytes.Contains(raw, []byte(`"Device/2"`)) {
		t.Fatalf("%s, %v", raw, err)
	}
	if !proto.Equal(before, res) {
		t.Error("Marshal changed its input")
	}
	if bare, err := Marshal(res.GetDevice()); err != nil || !bytes.Equal(bare, raw) {
		t.Errorf("the bare resource gives something else: %s, %v", bare, err)
	}
	if _, err := writer.Marshal(res); err != nil || proto.Equal(before, res) {
		t.Errorf("the library no longer changes what it marshals (%v): the clone can go", err)
	}
}

func TestTrapReferenceExtensionDropped(t *testing.T) {
	raw := device(`"parent":{"reference":"Device/2","_reference":{"extension":[{"url":"http://a.example","valueString":"kept"}]}}`)
	res, err := reader.UnmarshalR4([]byte(raw))
	if err != nil {
		t.Fatal(err)
	}
	if out, err := Marshal(res); err != nil || bytes.Contains(out, []byte("kept")) {
		t.Errorf("the library keeps it now (%v)", err)
	}
	check(t, row{json: raw, want: isMended, path: "Device.parent.reference", text: "received bytes"})
}

func TestTrapNesting(t *testing.T) {
	deep := func(n int) string {
		s := `{"url":"a","valueString":"x"}`
		for range n {
			s = `{"url":"a","extension":[` + s + `]}`
		}
		return patient(`"extension":[` + s + `]`)
	}
	free, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := free.UnmarshalR4([]byte(deep(300))); err != nil {
		t.Error("the library has a limit of its own now")
	}
	check(t, row{json: deep(15), want: isRead})
	got, fs, _ := outcomeOf(t, deep(300))
	if got != isRefused || !strings.Contains(fs[0].Text, "nested too deep") {
		t.Errorf("%s %+v", got, fs)
	}
	if _, err := Split([]byte(strings.Repeat(`[`, 1<<20)), Limits{}); err == nil {
		t.Error("a million open brackets were accepted")
	}
	open := `{"a":` + strings.Repeat(`[`, 9000) + strings.Repeat(`]`, 9000) + `}`
	if _, err := Split([]byte(open), Limits{}); err == nil {
		t.Error("9,000 levels were accepted")
	}
}

func TestTrapDatePrecision(t *testing.T) {
	e := only(t, procedure(`"performedDateTime":"2026-05"`))
	res, _, err := Decode(e)
	if err != nil {
		t.Fatal(err)
	}
	d := res.GetProcedure().GetPerformed().GetDateTime()
	if d.GetTimezone() != "UTC" || d.GetPrecision().String() != "MONTH" || d.GetValueUs() != 1777593600000000 { // 2026-05-01T00:00Z, date -d
		t.Errorf("%v", d)
	}
}

func TestTrapByteOrderMarkAndComments(t *testing.T) {
	check(t, row{json: "\xEF\xBB\xBF" + patient(""), want: isMended, path: "", text: "byte order mark"})
	check(t, row{json: patient(`"fhir_comments":["x"]`), want: isMended, path: "Patient.fhir_comments", text: "unknown field"})
}

func TestTrapParametersWithResources(t *testing.T) {
	const raw = `{"resourceType":"Parameters","parameter":[{"name":"a","resource":{"resourceType":"Patient","id":"p1"}}]}`
	if _, err := reader.UnmarshalR4([]byte(raw)); err == nil {
		t.Error("the library reads Parameters with resources now")
	}
	if got, fs, _ := outcomeOf(t, raw); got != isRefused {
		t.Errorf("%s %+v", got, fs)
	}
}

// One reader and one writer serve all workers.
func TestSharedReader(t *testing.T) {
	e := only(t, goodOrder)
	want, _, err := Decode(e)
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 20 {
				res, _, err := Decode(e)
				if err != nil || !proto.Equal(res, want) {
					t.Errorf("differs: %v", err)
				}
				if _, err := Marshal(res); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
}
