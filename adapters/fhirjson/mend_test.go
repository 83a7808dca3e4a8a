package fhirjson

import (
	"strings"
	"testing"
	"unicode/utf8"

	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"google.golang.org/protobuf/proto"
)

// mendedTo decodes a bare resource that must be readable.
func mendedTo(t *testing.T, raw string) *r4pb.ContainedResource {
	t.Helper()
	got, fs, res := outcomeOf(t, raw)
	if got == isRefused {
		t.Fatalf("refused: %+v", fs)
	}
	return res
}

// What mending leaves is what was sent, not merely something that decodes.
func TestMendedValues(t *testing.T) {
	t.Run("legal null keeps its place", func(t *testing.T) {
		p := mendedTo(t, patient(`"name":[{"given":["A",null,"C"],"_given":[null,{"extension":[{"url":"http://a.example","valueString":"x"}]},null]}]`)).GetPatient()
		given := p.GetName()[0].GetGiven()
		if len(given) != 3 || given[0].GetValue() != "A" || given[1].GetValue() != "" || given[2].GetValue() != "C" {
			t.Fatalf("%v", given)
		}
		if given[1].GetExtension()[0].GetValue().GetStringValue().GetValue() != "x" || len(given[0].GetExtension()) != 0 {
			t.Errorf("extension in the wrong place: %v", given)
		}
	})
	t.Run("dropped value takes its extension's place along", func(t *testing.T) {
		p := mendedTo(t, patient(`"name":[{"given":["A","","C"],"_given":[null,null,{"id":"x"}]}]`)).GetPatient()
		given := p.GetName()[0].GetGiven()
		if len(given) != 2 || given[1].GetValue() != "C" || given[1].GetId().GetValue() != "x" {
			t.Errorf("%v", given)
		}
	})
	t.Run("odd ids are kept as sent", func(t *testing.T) {
		p := mendedTo(t, `{"resourceType":"Patient","id":"a_b","meta":{"versionId":"v_1"},"contained":[{"resourceType":"Organization","id":"o_1","name":"A"}],"managingOrganization":{"reference":"#o_1"}}`).GetPatient()
		if p.GetId().GetValue() != "a_b" || p.GetMeta().GetVersionId().GetValue() != "v_1" {
			t.Errorf("%v", p)
		}
		var inner r4pb.ContainedResource
		if err := p.GetContained()[0].UnmarshalTo(&inner); err != nil || inner.GetOrganization().GetId().GetValue() != "o_1" {
			t.Errorf("%v, %v", &inner, err)
		}
	})
	t.Run("base64", func(t *testing.T) {
		d := mendedTo(t, device(`"udiCarrier":[{"carrierAIDC":"AQID\r\n_w"}]`)).GetDevice()
		if string(d.GetUdiCarrier()[0].GetCarrierAidc().GetValue()) != "\x01\x02\x03\xff" {
			t.Errorf("%v", d)
		}
	})
	t.Run("wrong target keeps the rest", func(t *testing.T) {
		q := mendedTo(t, procedure(`"usedReference":[{"reference":"Patient/1","display":"tray"},{"reference":"Device/1"}]`)).GetProcedure()
		if used := q.GetUsedReference(); len(used) != 2 || used[0].GetDisplay().GetValue() != "tray" || used[0].GetPatientId() != nil || used[1].GetDeviceId().GetValue() != "1" {
			t.Errorf("%v", used)
		}
	})
	t.Run("decimal keeps its digits", func(t *testing.T) {
		s := mendedTo(t, order(`"priority":null,"quantityQuantity":{"value":"1.50"}`)).GetServiceRequest()
		if got := s.GetQuantity().GetQuantity().GetValue().GetValue(); got != "1.50" {
			t.Errorf("%q", got)
		}
	})
	t.Run("an element in doubtful use goes alone", func(t *testing.T) {
		p := mendedTo(t, patient(`"name":[{"use":"legal","family":"A"},{"use":"old","family":"B"}],"telecom":[{"use":"cell","value":"1"}]`)).GetPatient()
		if len(p.GetName()) != 1 || p.GetName()[0].GetFamily().GetValue() != "B" || len(p.GetTelecom()) != 0 {
			t.Errorf("%v", p)
		}
	})
	t.Run("strings are valid UTF-8", func(t *testing.T) {
		p := mendedTo(t, patient(`"name":[{"text":"A\ud800\udc00B\ud800"}]`))
		if text := p.GetPatient().GetName()[0].GetText().GetValue(); !utf8.ValidString(text) || !strings.HasPrefix(text, "A\U00010000B") {
			t.Errorf("%q", text)
		}
		if _, err := proto.Marshal(p); err != nil {
			t.Error(err)
		}
	})
	t.Run("narrative keeps its words", func(t *testing.T) {
		p := mendedTo(t, patient(`"text":{"status":"generated","div":"<div>Lead &lt;L3&gt; <b>left in place</b><script>alert(1)</script>, capped</div>"}`)).GetPatient()
		div := p.GetText().GetDiv().GetValue()
		for _, words := range []string{"Lead &lt;L3&gt;", "left in place", ", capped"} {
			if !strings.Contains(div, words) {
				t.Errorf("%q is lost in %q", words, div)
			}
		}
		if strings.Contains(div, "alert") || activeContent([]byte(div)) {
			t.Errorf("still active: %q", div)
		}
	})
}

// Dates after mending, as microseconds in UTC with their precision. The expected ones are from date(1).
func TestMendedDates(t *testing.T) {
	const day = 1777766400000000 // date -u -d 2026-05-03 +%s
	for in, want := range map[string]struct {
		us        int64
		precision string
	}{
		"2026-05-03T10:00:00":       {day, "DAY"},
		"2026-05-03T24:00:00Z":      {day, "DAY"},
		"20260503":                  {day, "DAY"},
		"2026-05-03T10:00+0200":     {day + 8*3600e6, "SECOND"},
		"2026-05-03t10:00:00z":      {day + 10*3600e6, "SECOND"},
		"2026-05-03T10:00:60Z":      {day + 10*3600e6 + 59e6, "SECOND"},
		"2026-05-03T10:00:00,5+01":  {day + 9*3600e6 + 5e5, "MILLISECOND"},
		"20260503T100000.250-05:30": {day + 15*3600e6 + 30*60e6 + 25e4, "MILLISECOND"},
	} {
		d := mendedTo(t, procedure(`"performedDateTime":"`+in+`"`)).GetProcedure().GetPerformed().GetDateTime()
		if d.GetValueUs() != want.us || d.GetPrecision().String() != want.precision {
			t.Errorf("%s: %v", in, d)
		}
	}
}

func TestDateForms(t *testing.T) {
	for _, bad := range []string{"", "T", "2026", "03.05.2026", "5/3/2026", "2026-5-3", "2026-05-03T25:00:00Z", "2026-05-03T10:60:00Z",
		"2026-05-03T10:00:61Z", "2026-05-03T10:00:00+14:30", "2026-02-29T10:00:00Z", "2026-05-03T10:00:00 Europe/Oslo", "202605031000"} {
		if m, ok := mendInstant(bad); ok {
			t.Errorf("%q read as the instant %q", bad, m.text)
		}
	}
	for in, want := range map[string]string{"10:00": "10:00:00", "10:00:60": "10:00:59", " 10:00:01 ": "10:00:01"} {
		if m, ok := mendTime(in); !ok || m.text != want {
			t.Errorf("%q gives %q", in, m.text)
		}
	}
	for _, bad := range []string{"24:00", "10", "10:61", "ten"} {
		if _, ok := mendTime(bad); ok {
			t.Errorf("%q read as a time", bad)
		}
	}
}

// Every R4 name with a required binding and lower-case codes, in the types we read, must be known to the scan.
func TestCodedNamesAreComplete(t *testing.T) {
	// In these, capitals are ordinary or the type is not read: OperationOutcome.issue.code, Timing.repeat.when,
	// UCUM units, confidentiality.
	except := map[string]bool{"code": true, "when": true, "periodUnit": true, "durationUnit": true, "confidentiality": true, "role": true}
	seen := map[string]bool{}
	var walk func(el *element)
	walk = func(el *element) {
		if seen[el.owner] {
			return
		}
		seen[el.owner] = true
		for name, f := range el.fields {
			if f.codes != nil && !codedNames[name] && !except[name] {
				t.Errorf("%s.%s has a required binding", el.owner, name)
			}
			walk(elementOf(f.msg))
		}
	}
	for _, typ := range []string{"Patient", "ServiceRequest", "Procedure", "Device", "DeviceUseStatement", "BodyStructure",
		"Encounter", "Practitioner", "Organization", "DocumentReference", "DiagnosticReport", "Composition", "MessageHeader"} {
		walk(elementOf(r4Types[typ]))
	}
	if len(seen) < 100 {
		t.Errorf("only %d elements looked at", len(seen))
	}
}
