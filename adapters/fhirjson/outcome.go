package fhirjson

import (
	"encoding/json"
	"fmt"

	"gaussline/mapping/implant"
)

// maxIssues limits an OperationOutcome; further findings are counted in one last issue.
const maxIssues = 100

type outcomeJSON struct {
	ResourceType string      `json:"resourceType"`
	Issue        []issueJSON `json:"issue"`
}

type issueJSON struct {
	Severity    string   `json:"severity"`
	Code        string   `json:"code"`
	Diagnostics string   `json:"diagnostics,omitempty"`
	Expression  []string `json:"expression,omitempty"`
}

// Outcome makes an R4 OperationOutcome, as JSON, of the findings in the order given: issue.expression is the path,
// issue.diagnostics the reason. It holds no received values, so it may be kept, logged and shown to anybody.
// Without findings it says that all is well.
func Outcome(findings []implant.Finding) []byte { return outcome(findings, false) }

// OutcomeForSender is Outcome with the words concerned quoted in the diagnostics. They may be patient data: give it
// only to the sender they came from.
func OutcomeForSender(findings []implant.Finding) []byte { return outcome(findings, true) }

// ReadOutcome gives back the findings of an outcome that Outcome or OutcomeForSender made.
func ReadOutcome(b []byte) (out []implant.Finding, err error) {
	var o outcomeJSON
	if err := json.Unmarshal(b, &o); err != nil {
		return nil, fmt.Errorf("kept outcome: %w", err)
	}
	for _, is := range o.Issue {
		f := implant.Finding{Severity: is.Severity, Code: is.Code, Text: is.Diagnostics}
		if len(is.Expression) > 0 {
			f.Path = is.Expression[0]
		}
		out = append(out, f)
	}
	return out, nil
}

func outcome(findings []implant.Finding, showWords bool) []byte {
	out := outcomeJSON{ResourceType: "OperationOutcome"}
	for i, f := range findings {
		if i == maxIssues {
			out.Issue = append(out.Issue, issueJSON{Severity: "information", Code: "incomplete",
				Diagnostics: "further findings are left out"})
			break
		}
		is := issueJSON{Severity: f.Severity, Code: f.Code, Diagnostics: f.Text}
		if showWords && f.Words != "" {
			is.Diagnostics += ": " + f.Words
		}
		if f.Path != "" {
			is.Expression = []string{f.Path}
		}
		out.Issue = append(out.Issue, is)
	}
	if len(out.Issue) == 0 {
		out.Issue = []issueJSON{{Severity: "information", Code: "informational", Diagnostics: "no findings"}}
	}
	b, err := json.Marshal(out)
	if err != nil { // strings only: cannot fail
		return []byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"fatal","code":"exception"}]}`)
	}
	return b
}
