package mri_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
	"gaussline/schemas"
)

func compile(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	b, err := schemas.FS.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat, c.AssertContent = true, true
	if err := c.AddResource(name, bytes.NewReader(b)); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func decode(t *testing.T, b []byte) any {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

func encode(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestScenarioFilesFit: the invented files of the scenario fit their schemas and bring up no complaint but those
// that they are there to show.
func TestScenarioFilesFit(t *testing.T) {
	for file, schema := range map[string]string{"labelling.json": "labelling.schema.json", "scanners.json": "scanners.schema.json"} {
		b, err := os.ReadFile("../../testdata/scenario/" + file)
		if err != nil {
			t.Fatal(err)
		}
		if err := compile(t, schema).Validate(decode(t, b)); err != nil {
			t.Errorf("%s: %#v", file, err)
		}
		if !bytes.Contains(b, []byte("Invented")) {
			t.Errorf("%s does not say that it is invented", file)
		}
	}
}

// TestVerdictsFit: random verdicts fit the verdict's schema, traced ones too.
func TestVerdictsFit(t *testing.T) {
	s := compile(t, "verdict.schema.json")
	for f := range 12 {
		d := newDice(uint64(f) + 900)
		labels, scanners := []mri.Labelling{d.labelling(t, "a")}, d.scanners(t)
		for range 25 {
			w := d.world(labels, scanners)
			v := mri.Decide(w.rec, w.exam, w.labels, w.scanners, mri.Policy{Trace: d.chance(50)}, w.asOf)
			if err := s.Validate(decode(t, encode(t, v))); err != nil {
				t.Fatalf("%#v\n%s", err, encode(t, v))
			}
		}
	}
}

// TestEveryRuleRefusesSomething breaks full examples in every place and checks that each rule of each schema
// refuses at least one of the broken ones: a rule that nothing can break is misspelt.
func TestEveryRuleRefusesSomething(t *testing.T) {
	for name, example := range map[string]any{
		"labelling.schema.json": fullLabelling(),
		"scanners.schema.json":  json.RawMessage(readFile(t, "../../testdata/scenario/scanners.json")),
		"verdict.schema.json":   fullVerdict(),
	} {
		s := compile(t, name)
		good := encode(t, example)
		if err := s.Validate(decode(t, good)); err != nil {
			t.Fatalf("%s: the full example: %#v", name, err)
		}
		hit := map[string]bool{}
		for _, broken := range breakages(t, good) {
			var ve *jsonschema.ValidationError
			if errors.As(s.Validate(broken), &ve) {
				gather(ve, hit)
			}
		}
		b, _ := schemas.FS.ReadFile(name)
		for _, rule := range rules(decode(t, b), "") {
			if !hit[rule] && !slices.ContainsFunc(slices.Collect(maps.Keys(hit)), func(at string) bool { return strings.HasPrefix(at, rule+"/") }) {
				t.Errorf("%s: nothing breaks the rule at %s", name, rule)
			}
		}
	}
}

func readFile(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func gather(ve *jsonschema.ValidationError, hit map[string]bool) {
	_, at, _ := strings.Cut(ve.AbsoluteKeywordLocation, "#")
	hit[at] = true
	for _, c := range ve.Causes {
		gather(c, hit)
	}
}

// rules lists the places of all keywords that can refuse a value.
func rules(v any, at string) (out []string) {
	m, ok := v.(map[string]any)
	if !ok {
		if list, ok := v.([]any); ok {
			for i, e := range list {
				out = append(out, rules(e, fmt.Sprintf("%s/%d", at, i))...)
			}
		}
		return out
	}
	names := strings.HasSuffix(at, "/properties") || strings.HasSuffix(at, "/$defs")
	for k, e := range m {
		switch {
		case names, k == "properties", k == "$defs", k == "items", k == "allOf", k == "then", k == "propertyNames":
			out = append(out, rules(e, at+"/"+k)...)
		case k == "additionalProperties" && e != any(false):
			out = append(out, rules(e, at+"/"+k)...)
		case slices.Contains([]string{"$schema", "$id", "$ref", "title", "description", "if", "else"}, k):
		default:
			out = append(out, at+"/"+k)
		}
	}
	slices.Sort(out)
	return out
}

// breakages gives copies of the example, each broken in one place.
func breakages(t *testing.T, good []byte) (out []any) {
	long := strings.Repeat("x", 2500)
	many := make([]any, 5001)
	for i := range many {
		many[i] = fmt.Sprint(i)
	}
	var walk func(at []any, v any)
	set := func(at []any, v any) {
		c := decode(t, good)
		out = append(out, replace(c, at, v))
	}
	walk = func(at []any, v any) {
		for _, bad := range []any{json.Number("-1"), json.Number("99999"), json.Number("1.5"), "", long, "no such word", true, nil, []any{}, map[string]any{}} {
			set(at, bad)
		}
		switch v := v.(type) {
		case map[string]any:
			for k, e := range v {
				c := maps.Clone(v)
				delete(c, k)
				set(at, c)
				walk(append(slices.Clone(at), k), e)
			}
			for _, add := range []string{"no such name", "earliestChange"} {
				for _, bad := range []any{"x", json.Number("1")} {
					c := maps.Clone(v)
					c[add] = bad
					set(at, c)
				}
			}
			for k, e := range map[string]any{"sets": []any{map[string]any{"id": "x"}}, "earliestChange": "2026-01-01", "ways": []any{map[string]any{"sets": []any{}}},
				"limits": []any{}, "truth": "unknown", "kind": "within-label-if", "status": "MR Unsafe"} {
				c := maps.Clone(v)
				c[k] = e
				set(at, c)
			}
		case []any:
			if len(v) > 0 {
				set(at, append(slices.Clone(v), v[0]))
				walk(append(slices.Clone(at), 0), v[0])
				if m := len(v); m > 1 {
					walk(append(slices.Clone(at), m-1), v[m-1])
				}
			}
			set(at, many)
		}
	}
	walk(nil, decode(t, good))
	return out
}

func replace(root any, at []any, v any) any {
	if len(at) == 0 {
		return v
	}
	switch k := at[0].(type) {
	case string:
		m := root.(map[string]any)
		m[k] = replace(m[k], at[1:], v)
	case int:
		l := root.([]any)
		l[k] = replace(l[k], at[1:], v)
	}
	return root
}

// fullLabelling uses every field of the format.
func fullLabelling() mri.Labelling {
	span := &mri.Span{From: "T8", To: "L1"}
	s := mri.ConditionSet{ID: "s", Fields: []string{"1.5 T"}, FieldAtMost: "3 T", Magnets: []string{"open"}, Nuclei: []string{"1H"},
		SpatialGradient: "720 G/cm", SlewRate: "200 T/m/s", DBDt: "60 T/s", Excitation: []string{"circular"}, Coils: []string{"head"},
		Modes: []string{"normal"}, WholeBodySAR: "2 W/kg", HeadSAR: "3.2 W/kg", PartialBodySAR: "2 W/kg", B1Rms: "2.8 µT",
		ScanTime: "30 min", Wait: "5 min", Session: "1 h",
		Region:    &mri.RegionRule{Regions: []string{"head"}, Permit: []mri.Span{*span}, Exclude: []mri.Span{*span}, Distance: "30 cm", From: []string{"lead"}},
		Positions: []string{"supine"}, Before: []string{"battery"}, Patient: []string{"afebrile"}, After: []string{"check-function"},
		Healing: "6 weeks", Abandoned: []mri.Allowance{{Kind: "lead", States: []implant.State{"capped"}, Models: []string{"L"}, Regions: []string{"back"}}},
		OtherActive: "barred", Artefact: "10 mm", Words: map[string]string{"field-strength": "1.5 T only"}}
	whole := mri.ConditionSet{ID: "w", Region: &mri.RegionRule{WholeBody: true}}
	slot := mri.Slot{Kind: "lead", Maker: "m", Models: []string{"L"}, DIs: []string{"1"}, Min: 1, Max: 2, Lengths: []string{"45 cm"},
		Regions: []string{"back"}, Pockets: []string{"flank"}, Levels: span, Tip: span, Entry: span, Sides: []implant.Side{"left"}, Words: "w"}
	return mri.Labelling{Format: mri.LabellingFormat, Notice: "Invented.",
		Documents: []mri.Document{{ID: "d", Title: "t", Maker: "m", Edition: "1", Issued: "2026", Reviewed: "2026-01", Reviewer: "r", Marking: "m", Withdrawn: true}},
		Systems: []mri.System{{ID: "a", Document: "d", Name: "n", Maker: "m", Parts: []mri.Slot{slot}, LeadsMin: 1, LeadsMax: 2,
			Sets: []mri.ConditionSet{s, whole}, Words: "w"}},
		Components: []mri.ComponentLabel{{ID: "b", Document: "d", Maker: "m", Kind: "hardware", Models: []string{"S"}, DIs: []string{"2"},
			Status: "MR Conditional", Sets: []mri.ConditionSet{whole}, Words: "w"}}}
}

// fullVerdict uses every field of a verdict.
func fullVerdict() mri.Verdict {
	d := newDice(1)
	src := []implant.Source{{Key: "s|Procedure/1", Version: "1", Path: "p", Start: 1, End: 2, Quote: "q"}}
	reason := mri.Reason{Code: mri.WhyPlace, Part: "p", Args: []string{"a"}, Set: "s", Words: "w", Edition: "1", Evidence: src}
	limit := mri.Limit{Code: mri.ElementHeadSAR, Quantity: mri.Quantity{Amount: 3_200_000, Unit: mri.SAR, Printed: "3.2 W/kg"}, Words: "w", Set: "s"}
	cond := mri.Condition{Code: "battery", Phase: mri.Before, Args: []string{"a"}, Words: []string{"w"}, Sets: []string{"s"}}
	e := d.exam()
	e.Regions = []mri.ExamRegion{mri.RegionPlan("brain")}
	e.Regions[0].Words = "w"
	e.Laterality, e.Date, e.Checks = "left", "2026-01-01", map[string]mri.Truth{"battery": mri.Met}
	return mri.Verdict{Kind: mri.KindWithinIf, AsOf: implant.Instant(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)), Site: "north", Exam: e,
		Scanners: []mri.ScannerAnswer{
			{ID: "a", Site: "s", Name: "n", Truth: mri.Met, Ways: []mri.Way{{Sets: []string{"s"}, Limits: []mri.Limit{limit}, Confirm: []mri.Condition{cond}}}},
			{ID: "b", Truth: mri.NotMet, Reasons: []mri.Reason{reason}, EarliestChange: "2026-02-01"}},
		Limits: []mri.Limit{limit}, Confirm: []mri.Condition{cond}, Reasons: []mri.Reason{reason}, Combined: true,
		Cautions: []string{"x"}, Labels: []mri.LabelRef{{Document: "d", Title: "t", Edition: "1", Issued: "2026", Reviewed: "2026", Stale: true}},
		Trace: []mri.TraceLine{{Scanner: "a", Set: "s", Code: "c", Truth: mri.Met, Label: "l", Edition: "1", Seen: "s", Part: "p", ToConfirm: true}}}
}
