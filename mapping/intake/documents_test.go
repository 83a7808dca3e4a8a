package intake

import (
	"encoding/base64"
	"strings"
	"testing"

	"gaussline/mapping/implant"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

func docRef(more string) string {
	return `{"resourceType":"DocumentReference","id":"n","subject":{"reference":"Patient/p"},` + more + `}`
}

func attachment(contentType, data string) string {
	return `"content":[{"attachment":{"contentType":"` + contentType + `","data":"` + base64.StdEncoding.EncodeToString([]byte(data)) + `"}}]`
}

func TestDocumentsThatCannotBeRead(t *testing.T) {
	for name, tc := range map[string]struct {
		more string
		ask  bool
	}{
		"procedure note by url only": {`"status":"current","type":{"text":"Procedure note"},"content":[{"attachment":{"contentType":"text/plain","url":"https://ehr.example/n.txt"}}]`, true},
		"procedure note, PDF":        {`"status":"current","type":{"text":"Operative note"},` + attachment("application/pdf", "%PDF-1.7 x"), true},
		"no type, PDF":               {`"status":"current",` + attachment("application/pdf", "%PDF-1.7 x"), true},
		"no content to read":         {`"status":"current","content":[{"attachment":{"title":"note"}}]`, true},
		"consent, PDF":               {`"status":"current","type":{"text":"Patient consent"},` + attachment("application/pdf", "%PDF-1.7 x"), false},
	} {
		s := readOne(t, docRef(tc.more))
		if hasDoubt(s, implant.AskNoteUnread) != tc.ask || !tc.ask && len(s.Findings) == 0 {
			t.Errorf("%s: %v %+v", name, doubts(s), s.Findings)
		}
	}
}

func TestDocumentVoid(t *testing.T) {
	for _, raw := range []string{
		docRef(`"status":"entered-in-error",` + attachment("text/plain", "x")),
		docRef(`"status":"current","docStatus":"entered-in-error",` + attachment("text/plain", "x")),
		`{"resourceType":"DiagnosticReport","id":"r","status":"entered-in-error","code":{"text":"x"},"subject":{"reference":"Patient/p"},"conclusion":"lead seen"}`,
		`{"resourceType":"DiagnosticReport","id":"r","status":"cancelled","code":{"text":"x"},"subject":{"reference":"Patient/p"},"conclusion":"lead seen"}`,
		`{"resourceType":"Composition","id":"c","status":"entered-in-error","type":{"text":"x"},"subject":{"reference":"Patient/p"},"date":"2024","author":[{"display":"x"}],"title":"x"}`,
	} {
		if s := readOne(t, raw); !s.Void || len(s.Facts) > 0 || s.Patient != "ehr|Patient/p" {
			t.Errorf("%s: %+v", raw, s)
		}
	}
}

func TestDocumentMentions(t *testing.T) {
	s := readOne(t, docRef(`"status":"current","content":[{"attachment":{"contentType":"text/plain","url":"https://x.example/n"}}],
		"relatesTo":[{"code":"replaces","target":{"reference":"DocumentReference/o"}}],"context":{"related":[{"reference":"Procedure/x"},{"reference":"Practitioner/q"}]}`))
	if got := strings.Join(s.Mentions, " "); got != "ehr|DocumentReference/o ehr|Procedure/x" {
		t.Errorf("%q", got)
	}
}

func TestNoteKind(t *testing.T) {
	// Type words and LOINC codes as in FHIR R4 ValueSet-c80-doc-typecodes; sections from CodeSystem-v2-0074.
	cc := func(text string) *dpb.CodeableConcept { return &dpb.CodeableConcept{Text: &dpb.String{Value: text}} }
	code := func(system, code string) *dpb.CodeableConcept {
		return &dpb.CodeableConcept{Coding: []*dpb.Coding{{System: &dpb.Uri{Value: system}, Code: &dpb.Code{Value: code}}}}
	}
	for want, got := range map[string]string{
		noteProcedure: noteKind(code("http://loinc.org", "11504-8"), nil, ""),
		noteDischarge: noteKind(cc("Discharge summary"), nil, "after surgery"),
		noteClinic:    noteKind(cc("Surgery Consult note"), nil, ""),
		noteImaging:   noteKind(cc("report"), []*dpb.CodeableConcept{code("http://terminology.hl7.org/CodeSystem/v2-0074", "RAD")}, ""),
		noteOther:     noteKind(cc("report"), []*dpb.CodeableConcept{code("http://terminology.hl7.org/CodeSystem/v2-0074", "LAB")}, ""),
		noteUnknown:   noteKind(cc("note"), nil, ""),
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := noteKind(code("http://loinc.org", "24968-0"), nil, ""); got != noteImaging {
		t.Errorf("an MR report is %q", got)
	}
	if got := noteKind(cc("Patient consent for surgery"), nil, ""); got != noteOther {
		t.Errorf("a consent is %q", got)
	}
}
