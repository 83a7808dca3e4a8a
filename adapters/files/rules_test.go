package files

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"gaussline/mapping/registry"
	"gaussline/schemas"
)

// full is a row in which every field is filled and fits.
func full() map[string]any {
	id := strings.Repeat("0a", 32)
	return registry.Row{Action: "amend", RowID: id, Version: 2, Supersedes: "2026-03/1", PeriodOfReport: "2026-04", PeriodOfEvent: "2026-03",
		Kind: "revision", EventID: id, EventDate: "2026-03-08", Precision: "day", PatientID: id, BirthYear: 1960, Sex: "female", SystemID: id,
		ComponentID: id, Role: "in", ComponentKind: "lead", Maker: "Tarnbeck Devices", Model: "TB-L45", DI: "09506000117843", Lot: "TBL 2401",
		StateAfter: "connected", Region: "lumbar-spine", Side: "left", Level: "T8-T9", Pocket: "buttock", Reasons: []string{"lead-migration"},
		ReasonsIMDRF: []string{"A010402"}, Said: []string{"lead migrated"}, FirstStated: "2026-03-09", Values: []string{"NRS 7"}, MRStatus: "MR Conditional", Senders: []string{"hillside"}, Flags: []string{"late"}}.Value()
}

// assertions lists the keyword locations of a schema that can refuse a value, through references.
func assertions(root, s map[string]any, at string) (out []string) {
	for k, v := range s {
		here := at + "/" + k
		switch k {
		case "type", "enum", "pattern", "minimum", "maximum", "maxLength", "maxItems", "required", "format", "additionalProperties":
			out = append(out, here)
		case "$ref":
			name := strings.TrimPrefix(v.(string), "#/$defs/")
			out = append(out, assertions(root, root["$defs"].(map[string]any)[name].(map[string]any), here)...)
		case "properties":
			for p, x := range v.(map[string]any) {
				out = append(out, assertions(root, x.(map[string]any), here+"/"+p)...)
			}
		case "dependentRequired":
			for p, list := range v.(map[string]any) {
				for i := range list.([]any) {
					out = append(out, fmt.Sprintf("%s/%s/%d", here, p, i))
				}
			}
		case "items", "then":
			out = append(out, assertions(root, v.(map[string]any), here)...)
		case "allOf":
			for i, x := range v.([]any) {
				out = append(out, assertions(root, x.(map[string]any), here+"/"+string(rune('0'+i)))...)
			}
		case "$schema", "$id", "$comment", "title", "description", "$defs", "if":
		default:
			panic("the test does not know the keyword " + here)
		}
	}
	return out
}

// Every rule of the row schema refuses some row, and each refusal is said in words with somebody who can mend it.
func TestEveryRuleRefuses(t *testing.T) {
	b, err := schemas.FS.ReadFile(RowSchema)
	if err != nil {
		t.Fatal(err)
	}
	var root map[string]any
	if err := json.Unmarshal(b, &root); err != nil {
		t.Fatal(err)
	}
	s, err := rowSchema()
	if err != nil {
		t.Fatal(err)
	}
	rules, err := registry.ParseRules(b)
	if err != nil {
		t.Fatal(err)
	}
	if p := s.Value(full()); len(p) > 0 {
		t.Fatalf("the full row does not fit: %v", p)
	}
	refused := map[string]bool{}
	try := func(what string, change func(map[string]any)) {
		row := full()
		change(row)
		for _, p := range s.Value(row) {
			refused[p.Rule] = true
			w := rules.Words(registry.Problem{Rule: p.Rule, Pointer: p.Pointer})
			if !slices.Contains([]string{"sender", "clinic", "registry"}, w.Mend) || len(w.Reason) < 20 {
				t.Errorf("%s at %s: %+v", what, p.Rule, w)
			}
			if strings.Contains(w.Reason, "does not fit the schema") && p.Pointer != "" || strings.HasSuffix(w.Reason, "needs  as well.") {
				t.Errorf("%s at %s has no words of its own", what, p.Rule)
			}
		}
	}
	words := func(n int, w any) []any { return slices.Repeat([]any{w}, n) }
	odd := []any{true, -1, 10_000_000, 1.5, "", "no such value", "UPPER\x07case", strings.Repeat("a", 200), "2026-02-30", words(100, "a"), words(1, 7),
		words(1, "Not A Word"), words(1, "called 7 times"), words(1, strings.Repeat("b", 50))}
	for name := range maps.Clone(full()) {
		try("without "+name, func(m map[string]any) { delete(m, name) })
		for _, v := range odd {
			try(name, func(m map[string]any) { m[name] = v })
		}
	}
	try("unknown field", func(m map[string]any) { m["patient_name"] = "x" })
	try("out without date", func(m map[string]any) { m["role"] = "out"; delete(m, "event_date") })
	try("amendment as version 1", func(m map[string]any) { m["version"] = 1 })
	for _, rule := range assertions(root, root, "") {
		if !refused[rule] && rule != "/type" { // a row is an object by construction
			t.Errorf("no example is refused by %s", rule)
		}
	}
}

// Good values of every kind in the code have a place in the schema's lists.
func TestDatesAndLevelsThatFit(t *testing.T) {
	s, err := rowSchema()
	if err != nil {
		t.Fatal(err)
	}
	for field, values := range map[string][]string{
		"event_date": {"2026", "2026-05", "2026-05-03/2026-05-05", "[2026-03-04,2026-04-03]"}, "level": {"L3", "T8-T9", "S2", "T12-L1", "C7"},
		"lot": {"A", "A B", "123-45/6"}, "maker": {"Żółw & Söhne", "+plus"}, "flags": nil,
	} {
		for _, v := range values {
			row := full()
			row["event_date_precision"] = "month"
			row[field] = v
			if p := s.Value(row); len(p) > 0 {
				t.Errorf("%s %q: %v", field, v, p)
			}
		}
	}
}

// The dictionary names every column and every rule over several of them.
func TestDictionaryIsWhole(t *testing.T) {
	text, err := Dictionary()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range registry.Columns() {
		if strings.Count(text, "\n| `"+c+"` |") != 1 {
			t.Errorf("column %s is not in it once", c)
		}
	}
	for _, want := range []string{"needs the date, at least the year", "`component_id`, `component_kind`, `state_after`", "year of birth is after the event"} {
		if !strings.Contains(text, want) {
			t.Errorf("no rule %q", want)
		}
	}
	for _, line := range strings.Split(text, "\n") {
		if strings.HasPrefix(line, "| ") && strings.Count(strings.ReplaceAll(line, `\|`, ""), "|") != 6 {
			t.Errorf("a table row of other than five cells: %s", line)
		}
	}
}
