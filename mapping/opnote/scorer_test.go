package opnote

import (
	"testing"

	"gaussline/mapping/implant"
)

// TestScorer tries single findings on single lines. What is expected is in testdata/notes/README.md, "How a finding
// matches a line".
func TestScorer(t *testing.T) {
	const text = "Generator put in. Lead brought up to T8. STICKERS: TB-1, serial 77. Left flank."
	at := func(f Finding, words string) Finding {
		f.Start, f.End = span(text, words)
		return f
	}
	generator := implant.Component{Kind: implant.Generator, Serial: "77"}
	lead := implant.Component{Kind: implant.Lead}
	tests := []struct {
		name         string
		line         string
		finding      Finding
		found, wrong int
	}{
		{"the serial of a list, hung on the act", `kind=described | part=generator | serial=77 | quote="STICKERS"`,
			at(Finding{Kind: implant.Implanted, Component: generator}, "put in"), 1, 1},
		{"another serial", `kind=described | part=generator | serial=78 | quote="STICKERS"`,
			at(Finding{Kind: implant.Implanted, Component: generator}, "put in"), 0, 1},
		{"a planned part elsewhere gives no place", `kind=located | part=generator | side=left | quote="Left flank"`,
			at(Finding{Kind: implant.Planned, Component: generator, Site: implant.Site{Side: implant.Left}}, "put in"), 0, 0},
		{"an act still needs its words", `kind=implanted | part=generator | quote="Left flank"`,
			at(Finding{Kind: implant.Implanted, Component: generator}, "put in"), 0, 0},
		{"a tip told as a level", `kind=implanted | part=lead | tip=T8 | quote="brought up to T8"`,
			at(Finding{Kind: implant.Implanted, Component: lead, Site: implant.Site{Level: "T8"}}, "Lead brought up"), 1, 0},
		{"a level told as a tip", `kind=implanted | part=lead | level=T8 | quote="Lead brought"`,
			at(Finding{Kind: implant.Implanted, Component: lead, Site: implant.Site{Tip: "T8"}}, "Lead"), 1, 0},
		{"another level", `kind=implanted | part=lead | level=T9 | quote="Lead brought"`,
			at(Finding{Kind: implant.Implanted, Component: lead, Site: implant.Site{Level: "T8"}}, "Lead"), 0, 1},
		{"a maker left out beside the model", `kind=described | part=generator | maker=Tarnbeck | model=TB-1 | quote="STICKERS"`,
			at(Finding{Kind: implant.Described, Component: implant.Component{Kind: implant.Generator, Model: "TB-1"}}, "TB-1"), 1, 0},
		{"another maker", `kind=described | part=generator | maker=Tarnbeck | model=TB-1 | quote="STICKERS"`,
			at(Finding{Kind: implant.Described, Component: implant.Component{Kind: implant.Generator, Model: "TB-1", Maker: "Morvane"}}, "TB-1"), 0, 0},
		{"no part named is an unidentified one", `kind=denied | part=unidentified | quote="Left flank"`,
			at(Finding{Kind: implant.DeniedPresence}, "Left flank"), 1, 0},
		{"an anchor is no unidentified part", `kind=denied | part=unidentified | quote="Left flank"`,
			at(Finding{Kind: implant.DeniedPresence, Component: implant.Component{Kind: implant.Anchor}}, "Left flank"), 0, 0},
		{"words of the codes that are the same", `kind=reason | value=pain-at-site | quote="Left flank"`,
			at(Finding{Kind: implant.Reason, Value: "pocket-pain"}, "Left flank"), 1, 0},
		{"and those that are not", `kind=reason | value=pain-at-site | quote="Left flank"`,
			at(Finding{Kind: implant.Reason, Value: "erosion"}, "Left flank"), 0, 1},
	}
	for _, tt := range tests {
		c := corpusNote{name: tt.name, note: Note{Text: text}, lines: expectations(t, tt.name, []byte(tt.line))}
		s := &score{kinds: map[string]*tally{}}
		scoreFindings(s, c, []*Finding{&tt.finding}, nil)
		if all := s.total(); all.found != tt.found || all.false != tt.wrong {
			t.Errorf("%s: found %d, false %d; want %d and %d", tt.name, all.found, all.false, tt.found, tt.wrong)
		}
	}
}

// TestTwoSides: one line of both sides is met by a left and a right finding, not by one of them, nor by two of a side.
func TestTwoSides(t *testing.T) {
	const text = "Leads left and right, both at L3."
	lead := func(side implant.Side, level string) *Finding {
		return &Finding{Kind: implant.Implanted, Component: implant.Component{Kind: implant.Lead, Count: 1},
			Site: implant.Site{Side: side, Level: level}, End: len(text)}
	}
	tests := []struct {
		name         string
		findings     []*Finding
		found, wrong int
	}{
		{"left and right", []*Finding{lead(implant.Left, "L3"), lead(implant.Right, "L3")}, 1, 0},
		{"left alone", []*Finding{lead(implant.Left, "L3")}, 0, 1},
		{"left twice", []*Finding{lead(implant.Left, "L3"), lead(implant.Left, "L3")}, 0, 2},
		{"another level on the right", []*Finding{lead(implant.Left, "L3"), lead(implant.Right, "L4")}, 0, 2},
	}
	for _, tt := range tests {
		c := corpusNote{name: tt.name, note: Note{Text: text},
			lines: expectations(t, tt.name, []byte(`kind=implanted | part=lead | count=2 | side=bilateral | level=L3 | quote="Leads left and right"`))}
		s := &score{kinds: map[string]*tally{}}
		scoreFindings(s, c, tt.findings, nil)
		if all := s.total(); all.want != 1 || all.found != tt.found || all.false != tt.wrong {
			t.Errorf("%s: %d of %d found, %d false; want %d and %d", tt.name, all.found, all.want, all.false, tt.found, tt.wrong)
		}
	}
}

// TestAgreementOfOne: an annotator compared with himself agrees wholly, and one who says nothing finds nothing.
func TestAgreementOfOne(t *testing.T) {
	first, _ := doubles(t, "test")
	same, none := &score{kinds: map[string]*tally{}}, &score{kinds: map[string]*tally{}}
	for i := range first {
		fs, qs := findings(&first[i], &first[i])
		scoreFindings(same, first[i], fs, qs)
		scoreFindings(none, first[i], nil, nil)
	}
	if a := same.total(); a.found != a.want || a.want == 0 || len(same.missed) > 0 || len(same.invented) > 0 {
		t.Errorf("with himself: %d of %d, missed %v, invented %v, misses %v", a.found, a.want, same.missed, same.invented, same.misses)
	}
	if a := none.total(); a.found != 0 || len(none.missed) != none.presentWant {
		t.Errorf("with nobody: found %d, missed %d of %d", a.found, len(none.missed), none.presentWant)
	}
}
