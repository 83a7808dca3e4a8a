package registry

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// SchemaVersion and RuleSet name the shape of a row and the checks that a row must pass. Raise SchemaVersion with
// every change to a column, RuleSet with every change to a check.
const (
	SchemaVersion = "2"
	RuleSet       = "2"
)

// Reject is one reason why a row is held back. It names the row and the field, never the value.
type Reject struct {
	RowID         string `json:"row_id"`
	PatientID     string `json:"patient_id"`
	PeriodOfEvent string `json:"period_of_event,omitempty"`
	Kind          string `json:"kind,omitempty"`
	Sender        string `json:"sender,omitempty"` // systems whose messages the row rests on, joined by semicolons
	Rule          string `json:"rule"`             // keyword location in the row schema, or the name of a further rule
	Pointer       string `json:"pointer"`          // JSON Pointer of the field in the row, "" the whole row
	Reason        string `json:"reason"`
	Mend          string `json:"mend"` // sender, clinic or registry
}

// RejectColumns are the CSV columns of a reject, in the order of its fields.
func RejectColumns() []string {
	return []string{"row_id", "patient_id", "period_of_event", "kind", "sender", "rule", "pointer", "reason", "mend"}
}

// Cells gives the CSV cells by RejectColumns.
func (r Reject) Cells() []string {
	return []string{r.RowID, r.PatientID, r.PeriodOfEvent, r.Kind, r.Sender, r.Rule, r.Pointer, r.Reason, r.Mend}
}

// Problem is where a row does not fit: a rule and a JSON Pointer.
type Problem struct{ Rule, Pointer string }

// Further rules, which a schema cannot say.
const (
	RuleBirth = "rule:birth-after-event"
	RuleTwice = "rule:row-twice"
	RuleDates = "rule:removed-before-implanted"
)

// Check gives the problems of a row that the schema cannot find.
func Check(r Row) []Problem {
	var out []Problem
	if y := r.lastYear(); r.BirthYear != 0 && y != 0 && y < r.BirthYear {
		out = append(out, Problem{RuleBirth, "/birth_year"})
	}
	if r.Role == RoleOut && slices.Contains(r.Flags, FlagDatesConflict) {
		out = append(out, Problem{RuleDates, "/event_date"})
	}
	return out
}

// Words says a problem in a sentence that a registrar can act on, and who can mend it.
type Words struct{ Reason, Mend string }

// Rules are the checks of the row schema and the further ones, in words.
type Rules struct {
	schema map[string]any
}

// ParseRules reads the row schema. Its titles and descriptions are the sentences, its comments say who can mend.
func ParseRules(schema []byte) (Rules, error) {
	var r Rules
	if err := json.Unmarshal(schema, &r.schema); err != nil {
		return r, fmt.Errorf("row schema: %w", err)
	}
	return r, nil
}

// Words explains a problem by the innermost part of the schema on the rule's path that says something.
func (r Rules) Words(p Problem) Words {
	switch p.Rule {
	case RuleBirth:
		return Words{"The year of birth is after the event. One of the two is wrong.", "sender"}
	case RuleTwice:
		return Words{"Two rows have the same id: one event of one component is on the records of two patients, or twice on one. The second is held back.", "clinic"}
	case RuleDates:
		return Words{"The component came out before it went in. One of the two dates is wrong.", "clinic"}
	}
	if at, ok := strings.CutPrefix(p.Rule, "/dependentRequired/"); ok {
		field, _, _ := strings.Cut(at, "/") // the library adds the place in the list
		needs, _ := child(r.schema["dependentRequired"], field).([]any)
		return Words{fmt.Sprintf("A row with %s needs %s as well.", field, join(needs)), "sender"}
	}
	w := Words{"The row does not fit the schema.", "registry"}
	var at any = r.schema
	for _, step := range strings.Split(strings.TrimPrefix(p.Rule, "/"), "/") {
		at = child(at, step)
		m, _ := at.(map[string]any) // nil where the step leads into a list
		if s, ok := m["title"].(string); ok {
			w.Reason = s + "."
		} else if s, ok := m["description"].(string); ok {
			w.Reason = fieldOf(p.Pointer) + " is not as it must be: " + s
		}
		if s, ok := m["$comment"].(string); ok {
			w.Mend = s
		}
	}
	return w
}

// child goes one step down a keyword location.
func child(at any, step string) any {
	switch v := at.(type) {
	case map[string]any:
		return v[strings.NewReplacer("~1", "/", "~0", "~").Replace(step)]
	case []any:
		var i int
		if _, err := fmt.Sscanf(step, "%d", &i); err == nil && i >= 0 && i < len(v) {
			return v[i]
		}
	}
	return nil
}

// fieldOf names the field of a pointer, without the place in a list.
func fieldOf(pointer string) string {
	f, _, _ := strings.Cut(strings.TrimPrefix(pointer, "/"), "/")
	if f == "" {
		return "The row"
	}
	return f
}

// Rejected makes the rejects of a row.
func (r Rules) Rejected(row Row, problems []Problem) []Reject {
	var out []Reject
	for _, p := range problems {
		w := r.Words(p)
		out = append(out, Reject{RowID: row.RowID, PatientID: row.PatientID, PeriodOfEvent: row.PeriodOfEvent, Kind: row.Kind,
			Sender: strings.Join(row.Senders, ";"), Rule: p.Rule, Pointer: p.Pointer, Reason: w.Reason, Mend: w.Mend})
	}
	return out
}

func join(list []any) string {
	var out []string
	for _, v := range list {
		out = append(out, fmt.Sprint(v))
	}
	return strings.Join(out, ", ")
}
