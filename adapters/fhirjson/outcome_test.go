package fhirjson

import (
	"encoding/json"
	"strings"
	"testing"

	"gaussline/mapping/implant"
)

// An OperationOutcome of ours must itself be R4: the library reads it, codes and all.
func TestOutcomeIsR4(t *testing.T) {
	_, many := Split([]byte(patient(`"active":"true","Gender":"male","id":"b"`)), Limits{})
	for name, fs := range map[string][]implant.Finding{
		"none":    nil,
		"refusal": findingsOf(t, many),
		"long":    make300(),
	} {
		t.Run(name, func(t *testing.T) {
			for _, raw := range [][]byte{Outcome(fs), OutcomeForSender(fs)} {
				res, err := reader.UnmarshalR4(raw)
				if err != nil {
					t.Fatalf("%v: %s", err, raw)
				}
				if n := len(res.GetOperationOutcome().GetIssue()); n == 0 || n > maxIssues+1 {
					t.Errorf("%d issues", n)
				}
			}
		})
	}
}

func make300() []implant.Finding {
	fs := make([]implant.Finding, 300)
	for i := range fs {
		fs[i] = lost("structure", "Patient.x", "unknown field left out", "x")
	}
	return fs
}

func TestOutcomeSaysWhereAndWhy(t *testing.T) {
	_, fs, _ := outcomeOf(t, patient(`"identifier":[{"use":"secretcode","value":"1"}]`))
	var out struct {
		Issue []struct {
			Severity, Code, Diagnostics string
			Expression                  []string
		}
	}
	if err := json.Unmarshal(Outcome(fs), &out); err != nil {
		t.Fatal(err)
	}
	is := out.Issue[0]
	if is.Severity != "error" || is.Code != "code-invalid" || is.Expression[0] != "Patient.identifier[0].use" || is.Diagnostics == "" {
		t.Errorf("%+v", is)
	}
	if strings.Contains(string(Outcome(fs)), "secretcode") || !strings.Contains(string(OutcomeForSender(fs)), "secretcode") {
		t.Error("values belong to the sender's outcome only")
	}
}

// No text of an error or a finding may repeat a value: these texts are logged. The value here stands in every place
// where something is refused or mended.
func TestTextsHoldNoValues(t *testing.T) {
	const secret = "Zq7secret"
	for _, raw := range []string{
		patient(`"gender":"` + secret + `"`),
		patient(`"` + secret + `":1`),
		patient(`"birthDate":"` + secret + `"`),
		patient(`"name":[{"family":5,"use":"` + secret + `"}]`),
		patient(`"identifier":[{"system":": ` + secret + `"}]`),
		patient(`"meta":{"lastUpdated":"` + secret + `","profile":["http://hl7.org/fhir/5.0/StructureDefinition/` + secret + `"]}`),
		patient(`"active":"` + secret + `"`),
		patient(`"photo":[{"data":"` + secret + `!"}]`),
		`{"resourceType":"Procedure","status":"completed","subject":{"reference":"Device/` + secret + `"}}`,
		patient(`"managingOrganization":{"reference":"#` + secret + `"}`),
		`{"resourceType":"Bundle","type":"` + secret + `"}`,
		`{"resourceType":"Patient","id":"` + secret + `_"}`,
		`{"x":"` + secret,
		patient(`"extension":[{"url":"` + secret + `","valueDecimal":"` + secret + `"}]`),
	} {
		_, fs, _ := outcomeOf(t, raw)
		text := refuse(fs...).Error()
		for _, f := range fs {
			text += f.Text
			if !strings.Contains(raw, `"`+secret+`":`) { // an element name may stand in a path
				text += f.Path
			}
		}
		if strings.Contains(text, secret) && !strings.Contains(raw, `"`+secret+`":`) {
			t.Errorf("%s\n%s", raw, text)
		}
	}
}

func TestRefusalText(t *testing.T) {
	r := refuse(fault("value", "B.x", "b", "w"), fault("value", "A.x", "a", "w"), fault("value", "A.x", "a", "w"))
	if got := r.Error(); got != "refused: A.x: a; B.x: b" {
		t.Error(got)
	}
	var many []implant.Finding
	for _, p := range "abcdefgh" {
		many = append(many, fault("value", string(p), "t", ""))
	}
	if got := refuse(many...).Error(); !strings.HasSuffix(got, "e: t; and more") {
		t.Error(got)
	}
}
