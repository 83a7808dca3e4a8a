package mri

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"gaussline/mapping/implant"
)

// lintable is a file without complaints.
func lintable() Labelling {
	s := ConditionSet{ID: "s", Fields: []string{"1.5 T"}, SpatialGradient: "20 T/m", SlewRate: "200 T/m/s", WholeBodySAR: "2 W/kg",
		Coils: []string{"body"}, Modes: []string{"normal"}, Region: &RegionRule{WholeBody: true}}
	return Labelling{Format: LabellingFormat,
		Documents:  []Document{{ID: "d", Maker: "Tarnbeck Devices", Edition: "1", Issued: "2025-01-01", Reviewed: "2026-01-01"}},
		Systems:    []System{{ID: "a", Document: "d", Parts: []Slot{{Kind: implant.Generator, Models: []string{"TB-1"}, Min: 1, Max: 1}}, Sets: []ConditionSet{s}}},
		Components: []ComponentLabel{{ID: "b", Document: "d", Kind: implant.Hardware, Models: []string{"TB-2"}, Status: implant.MRConditional, Sets: []ConditionSet{s}}}}
}

func TestLintExplains(t *testing.T) {
	if c := Lint(lintable()); len(c) != 0 {
		t.Fatalf("the good file: %v", c)
	}
	set := func(l *Labelling) *ConditionSet { return &l.Systems[0].Sets[0] }
	comp := func(l *Labelling) *ComponentLabel { return &l.Components[0] }
	for _, c := range []struct {
		name, path, text string
		severity         Severity
		spoil            func(*Labelling)
	}{
		{"format", "format", "this program reads", SeverityError, func(l *Labelling) { l.Format = "x" }},
		{"gauss", "spatial-gradient", "gauss per centimetre", SeverityError, func(l *Labelling) { set(l).SpatialGradient = "3000 gauss" }},
		{"slew as gradient", "spatial-gradient", "slew rate", SeverityError, func(l *Labelling) { set(l).SpatialGradient = "200 T/m/s" }},
		{"zero", "whole-body-sar", "no scan could", SeverityError, func(l *Labelling) { set(l).WholeBodySAR = "0 W/kg" }},
		{"sense SAR", "whole-body-sar", "First Level", SeverityWarning, func(l *Labelling) { set(l).WholeBodySAR = "20 W/kg" }},
		{"sense gradient", "spatial-gradient", "unusual", SeverityWarning, func(l *Labelling) { set(l).SpatialGradient = "2000 T/m" }},
		{"sense field", "fields", "no scanner's field", SeverityWarning, func(l *Labelling) { set(l).Fields = []string{"1.5 G"} }},
		{"silent field", "sets[0]", "silent on field-strength", SeverityWarning, func(l *Labelling) { set(l).Fields = nil }},
		{"silent RF", "sets[0]", "silent on rf-exposure", SeverityWarning, func(l *Labelling) { set(l).WholeBodySAR = "" }},
		{"silent slew", "sets[0]", "asked on every scan", SeverityWarning, func(l *Labelling) { set(l).SlewRate = "" }},
		{"region says nothing", "region", "says nothing", SeverityError, func(l *Labelling) { set(l).Region = &RegionRule{} }},
		{"region both", "region", "which?", SeverityError, func(l *Labelling) { set(l).Region.Regions = []string{"head"} }},
		{"region word", "region", "no region word", SeverityError, func(l *Labelling) { set(l).Region = &RegionRule{Regions: []string{"noddle"}} }},
		{"landmark", "exclude", "landmark", SeverityError, func(l *Labelling) { set(l).Region.Exclude = []Span{{"T13", "L1"}} }},
		{"span upside down", "exclude", "below", SeverityError, func(l *Labelling) { set(l).Region.Exclude = []Span{{"L1", "T1"}} }},
		{"coil", "transmitCoils", "is not one of", SeverityError, func(l *Labelling) { set(l).Coils = []string{"chest"} }},
		{"check", "sets[0]", "is not one of", SeverityError, func(l *Labelling) { set(l).Before = []string{"hope"} }},
		{"after", "after", "is not one of", SeverityError, func(l *Labelling) { set(l).After = []string{"hope"} }},
		{"other active", "otherActive", "barred, allowed", SeverityError, func(l *Labelling) { set(l).OtherActive = "maybe" }},
		{"first level", "modes", "milder", SeverityWarning, func(l *Labelling) { set(l).Modes = []string{"first-level"} }},
		{"abandoned state", "abandoned", "not a state", SeverityError, func(l *Labelling) {
			set(l).Abandoned = []Allowance{{Kind: implant.Lead, States: []implant.State{implant.Connected}}}
		}},
		{"set id", "sets[1].id", "used twice", SeverityError, func(l *Labelling) { l.Systems[0].Sets = append(l.Systems[0].Sets, *set(l)) }},
		{"no sets", "sets", "at least one", SeverityError, func(l *Labelling) { l.Systems[0].Sets = nil }},
		{"too many sets", "sets", "the limit", SeverityError, func(l *Labelling) { l.Systems[0].Sets = make([]ConditionSet, maxSetsPerLabel+1) }},
		{"model twice", "models", "two slots", SeverityError, func(l *Labelling) {
			l.Systems[0].Parts = append(l.Systems[0].Parts, Slot{Kind: implant.Lead, Models: []string{"tb\u20111"}, Min: 1, Max: 1})
		}},
		{"slot numbers", "parts[0]", "min 2 and max 1", SeverityError, func(l *Labelling) { l.Systems[0].Parts[0].Min = 2 }},
		{"leads", "leadsMin", "more than", SeverityError, func(l *Labelling) { l.Systems[0].LeadsMin, l.Systems[0].LeadsMax = 3, 2 }},
		{"kind", "kind", "no kind", SeverityError, func(l *Labelling) { l.Systems[0].Parts[0].Kind = "gadget" }},
		{"side", "sides", "not left", SeverityError, func(l *Labelling) { l.Systems[0].Parts[0].Sides = []implant.Side{"both"} }},
		{"length", "lengths", "not a unit", SeverityError, func(l *Labelling) { l.Systems[0].Parts[0].Lengths = []string{"45 T"} }},
		{"system id", "systems[1].id", "used twice", SeverityError, func(l *Labelling) { l.Systems = append(l.Systems, l.Systems[0]) }},
		{"document missing", "document", "not in this file", SeverityError, func(l *Labelling) { l.Systems[0].Document = "e" }},
		{"document twice", "documents[1].id", "used twice", SeverityError, func(l *Labelling) { l.Documents = append(l.Documents, l.Documents[0]) }},
		{"maker", "maker", "no maker", SeverityError, func(l *Labelling) { l.Documents[0].Maker = "" }},
		{"never reviewed", "reviewed", "nobody has compared", SeverityWarning, func(l *Labelling) { l.Documents[0].Reviewed = "" }},
		{"reviewed first", "reviewed", "before it was issued", SeverityWarning, func(l *Labelling) { l.Documents[0].Reviewed = "2024" }},
		{"date", "issued", "no date", SeverityError, func(l *Labelling) { l.Documents[0].Issued = "soon" }},
		{"no issue", "issued", "no date of issue", SeverityWarning, func(l *Labelling) { l.Documents[0].Issued = "" }},
		{"edition", "edition", "no edition", SeverityWarning, func(l *Labelling) { l.Documents[0].Edition = "" }},
		{"withdrawn", "withdrawn", "not established", SeverityWarning, func(l *Labelling) { l.Documents[0].Withdrawn = true }},
		{"MR Safe generator", "status", "non-conducting", SeverityError, func(l *Labelling) {
			*comp(l) = ComponentLabel{"c", "d", "", implant.Generator, []string{"G"}, nil, implant.MRSafe, nil, ""}
		}},
		{"MR Safe of old", "status", "before August 2005", SeverityWarning, func(l *Labelling) {
			comp(l).Status, comp(l).Sets, l.Documents[0].Issued = implant.MRSafe, nil, "2004"
		}},
		{"MR Safe with conditions", "sets", "has no conditions", SeverityError, func(l *Labelling) { comp(l).Status = implant.MRSafe }},
		{"MR Unsafe with conditions", "sets", "no conditions under which", SeverityError, func(l *Labelling) { comp(l).Status = implant.MRUnsafe }},
		{"conditional lead alone", "status", "combination", SeverityError, func(l *Labelling) { comp(l).Kind = implant.Lead }},
		{"conditional without conditions", "sets", "without conditions", SeverityError, func(l *Labelling) { comp(l).Sets = nil }},
		{"old words as status", "status", "not a status", SeverityError, func(l *Labelling) { comp(l).Status = "MR compatible" }},
	} {
		l := lintable()
		c.spoil(&l)
		found := false
		for _, x := range Lint(l) {
			found = found || x.Severity == c.severity && strings.Contains(x.Path, c.path) && strings.Contains(x.Text, c.text)
		}
		if !found {
			t.Errorf("%s: %v", c.name, Lint(l))
		}
		b, _ := json.Marshal(l)
		_, err := ParseLabelling(b)
		if refused := errors.Is(err, ErrLabelling); refused != (c.severity == SeverityError) {
			t.Errorf("%s: parsed with %v", c.name, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, s := range []string{"", "{", "[]", `{"format":"gaussline-labelling-1","documents":[],"colour":1}`, `{"format":"gaussline-labelling-1","documents":[]} x`} {
		if _, err := ParseLabelling([]byte(s)); !errors.Is(err, ErrLabelling) {
			t.Errorf("%q: %v", s, err)
		}
	}
	for _, s := range []string{"", `{"format":"x","scanners":[]}`, `{"format":"gaussline-scanners-1","scanners":[{"id":""}]}`,
		`{"format":"gaussline-scanners-1","scanners":[{"id":"a"},{"id":"a"}]}`, `{"format":"gaussline-scanners-1","scanners":[{"id":"a","field":"3000"}]}`,
		`{"format":"gaussline-scanners-1","scanners":[{"id":"a","magnet":"big"}]}`, `{"format":"gaussline-scanners-1","scanners":[{"id":"a","b1rms":"perhaps"}]}`,
		`{"format":"gaussline-scanners-1","scanners":[{"id":"a","spatialGradient":"200 T/m/s"}]}`} {
		if _, err := ParseScanners([]byte(s)); !errors.Is(err, ErrLabelling) {
			t.Errorf("%q: %v", s, err)
		}
	}
}

// TestUnparsedIsUnknown: a label or scanner that no parser has read decides nothing.
func TestUnparsedIsUnknown(t *testing.T) {
	labels, scanners := demo(t)
	exam := examOf("brain")
	if v := Decide(g210(), exam, []Labelling{lintable()}, scanners, Policy{}, asOf); v.Kind != KindNotEstablished {
		t.Errorf("a labelling made by hand: %s", v.Kind)
	}
	if v := Decide(g210(), exam, labels, []Scanner{{ID: "x", Field: "1.5 T", Magnet: "cylindrical"}}, Policy{}, asOf); v.Kind != KindNotEstablished {
		t.Errorf("a scanner made by hand: %s", v.Kind)
	}
}

// A complaint is found by name, not by counting in a list.
func TestWhere(t *testing.T) {
	l := lintable()
	for path, want := range map[string]string{
		"documents[0].issued": "document d, edition 1", "systems[0].sets[0].spatialGradient": "document d, edition 1; system a; set s",
		"systems[0]": "document d, edition 1; system a", "components[0].sets[0]": "document d, edition 1; component b; set s",
		"format": "", "systems": "", "systems[9].sets[0]": "", "documents[1]": "", "systems[0].sets[7]": "document d, edition 1; system a",
	} {
		if got := l.Where(path); got != want {
			t.Errorf("%s is at %q, wanted %q", path, got, want)
		}
	}
	l.Systems[0].Document = "e"
	if got := l.Where("systems[0]"); got != "document e, not in this file; system a" {
		t.Errorf("a document that is not there: %q", got)
	}
	l.Systems[0].Sets[0].SlewRate = "20 T/m"
	for _, c := range Lint(l) {
		if strings.Contains(c.Text, "silent on") {
			t.Errorf("a number that cannot be read is told as silence too: %v", c)
		}
	}
}
