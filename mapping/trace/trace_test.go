package trace

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gaussline/mapping/implant"
	_ "gaussline/testdata/seed"
)

func part(di, model, lot, serial string) Part {
	return Part{Component: implant.Component{Kind: implant.Lead, DI: di, Model: model, Lot: lot, Serial: serial}}
}

// The three classes and the semantics of ranges are taken from what 21 CFR 821.25 and 821.30
// ask to be known; that folding is "possible" and not "named" is common practice, no source.
func TestMatch(t *testing.T) {
	lots := func(rs ...Range) Query { return Query{Models: []string{"TB-L45"}, Lots: rs} }
	late := part("", "TB-L45", "L1", "")
	late.Implanted = "2026-05-03"
	month := late
	month.Implanted = "2026-05"
	doubted := part("", "TB-L45", "L9", "")
	doubted.Doubtful = true
	for _, c := range []struct {
		name string
		q    Query
		p    Part
		want Class
	}{
		{"lot fits", Query{Lots: []Range{{From: "L1"}}}, part("", "", "L1", ""), Named},
		{"lot differs", Query{Lots: []Range{{From: "L1"}}}, part("", "", "L2", ""), Excluded},
		{"lot written otherwise", Query{Lots: []Range{{From: "L-0042"}}}, part("", "", "l 0042", ""), Possible},
		{"lot with a zero less", Query{Lots: []Range{{From: "0042"}}}, part("", "", "42", ""), Possible},
		{"lot not recorded", Query{Lots: []Range{{From: "L1"}}}, part("", "", "", ""), Possible},
		{"lot recorded as unknown", Query{Lots: []Range{{From: "L1"}}}, part("", "", "n/a", ""), Possible},
		{"case-sensitive first", Query{Serials: []Range{{From: "ab1"}}}, part("", "", "", "AB1"), Possible},
		{"model and lot fit", lots(Range{From: "L1"}), part("", "TB-L45", "L1", ""), Named},
		{"lot fits, other model", lots(Range{From: "L1"}), part("", "TB-L60", "L1", ""), Excluded},
		{"lot fits, no device", lots(Range{From: "L1"}), part("", "", "L1", ""), Possible},
		{"nothing recorded", lots(Range{From: "L1"}), part("", "", "", ""), Possible},
		{"in the range", lots(Range{From: "L0098", To: "L0112"}), part("", "TB-L45", "L0100", ""), Named},
		{"ends of the range", lots(Range{From: "L0098", To: "L0112"}), part("", "TB-L45", "L0112", ""), Named},
		{"outside the range", lots(Range{From: "L0098", To: "L0112"}), part("", "TB-L45", "L0113", ""), Excluded},
		{"other width cannot be ordered", lots(Range{From: "L0098", To: "L0112"}), part("", "TB-L45", "L100", ""), Possible},
		{"other prefix cannot be ordered", lots(Range{From: "L0098", To: "L0112"}), part("", "TB-L45", "X0100", ""), Possible},
		{"other prefix of another model", lots(Range{From: "L0098", To: "L0112"}), part("", "TB-L60", "X0100", ""), Excluded},
		{"GTIN-13 and GTIN-14", Query{DIs: []string{"04012345678901"}}, part("4012345678901", "", "", ""), Named},
		{"GTIN of a packaging level", Query{DIs: []string{"04012345678901"}}, part("14012345678908", "", "", ""), Possible},
		{"HIBC unit and carton", Query{DIs: []string{"A999ABC1231"}}, part("A999ABC1230", "", "", ""), Possible},
		{"other device identifier", Query{DIs: []string{"A999ABC1231"}}, part("A999XYZ1231", "", "", ""), Excluded},
		{"model only where a DI is asked", Query{DIs: []string{"A999ABC1231"}}, part("", "TB-L45", "", ""), Possible},
		{"DI differs, model fits", Query{DIs: []string{"A999ABC1231"}, Models: []string{"TB-L45"}}, part("A999XYZ1231", "TB-L45", "", ""), Possible},
		{"model written otherwise", Query{Models: []string{"TB-L45"}}, part("", "tb l45", "", ""), Possible},
		{"kind differs", Query{Models: []string{"TB-L45"}, Kinds: []implant.Kind{implant.Generator}}, part("", "TB-L45", "", ""), Excluded},
		{"doubtful identity excludes nothing", lots(Range{From: "L1"}), doubted, Possible},
		{"date inside", Query{Implanted: Window{"2026-05", "2026-05"}}, late, Named},
		{"date outside", Query{Implanted: Window{"2026-05-04", ""}}, late, Excluded},
		{"a month overlaps the window", Query{Implanted: Window{"2026-05-04", ""}}, month, Possible},
		{"no date", Query{Implanted: Window{"2026-05-04", ""}}, part("", "", "", ""), Possible},
	} {
		if err := c.q.Check(); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		if got := c.q.Match(c.p); got.Class != c.want {
			t.Errorf("%s: %s, want %s: %+v", c.name, got.Class, c.want, got)
		} else if (c.want == Named) != (len(got.Reasons()) == 0) {
			t.Errorf("%s: %s for %q", c.name, got.Class, got.Reasons())
		}
	}
}

func TestCheckRefuses(t *testing.T) {
	for name, q := range map[string]Query{
		"nothing":                 {},
		"range without a product": {Lots: []Range{{From: "L1", To: "L2"}}},
		"range of two prefixes":   {Models: []string{"m"}, Lots: []Range{{From: "A1", To: "B2"}}},
		"range of two widths":     {Models: []string{"m"}, Lots: []Range{{From: "L9", To: "L10"}}},
		"range backwards":         {Models: []string{"m"}, Lots: []Range{{From: "L2", To: "L1"}}},
		"blank lot":               {Lots: []Range{{From: "unknown"}}},
		"blank model":             {Models: []string{"-"}},
		"no kind":                 {Kinds: []implant.Kind{"Lead"}},
		"no date":                 {Expiry: Window{From: "soon"}},
		"window backwards":        {Expiry: Window{From: "2026", To: "2025"}},
		"too many":                {Models: slices.Repeat([]string{"m"}, MaxValues+1)},
	} {
		if q.Check() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// Knowing less of a part never excludes it where knowing more did not: what is blanked makes the class no more certain.
func TestLessKnownExcludesNothing(t *testing.T) {
	value := rapid.SampledFrom([]string{"", "L1", "L2", "l-1", "L0100", "X7", "n/a", "A999ABC1230", "A999ABC1231", "04012345678901"})
	rapid.Check(t, func(t *rapid.T) {
		q := Query{DIs: rapid.SliceOfN(value, 0, 2).Draw(t, "di"), Models: rapid.SliceOfN(value, 0, 2).Draw(t, "model")}
		for _, v := range rapid.SliceOfN(value, 0, 2).Draw(t, "lots") {
			q.Lots = append(q.Lots, Range{From: v})
		}
		if q.Check() != nil {
			return
		}
		p := part(value.Draw(t, "part di"), value.Draw(t, "part model"), value.Draw(t, "part lot"), "")
		less := p
		switch rapid.IntRange(0, 2).Draw(t, "blank") {
		case 0:
			less.Component.DI, less.Component.Model = "", ""
		case 1:
			less.Component.Lot = "unknown"
		case 2:
			less.Doubtful = true
		}
		if a, b := q.Match(p), q.Match(less); a.Class != Excluded && b.Class == Excluded {
			t.Fatalf("%+v of %+v is excluded when less is known: %+v", q, less, b)
		}
	})
}

// The levels of a product are found by exact search: what Match calls perhaps the same product is in the list.
// 4012345678901 is a GTIN-13 whose check digit is right by GS1 General Specifications 7.9; the HIBC is HIBCC's own example.
func TestLevels(t *testing.T) {
	for di, want := range map[string][]string{"04012345678901": {"4012345678901", "14012345678908"}, "A999ABC1230": {"A999ABC1230", "A999ABC1235"}} {
		for _, w := range want {
			if !slices.Contains(Levels(di), w) {
				t.Errorf("levels of %s: %q lacks %s", di, Levels(di), w)
			}
		}
	}
}

func TestToCheck(t *testing.T) {
	a := Query{Lots: []Range{{From: "L1"}}}.Match(part("", "", "", ""))
	got := strings.Join(ToCheck(a, implant.ReportedRemoved, true), "\n")
	for _, want := range []string{"Read the lot", "still in the body", "dead"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
	for _, s := range []implant.State{"", implant.StateUnknown, implant.ReportedRemoved, implant.SoughtNotFound, implant.Cut, implant.RemovedInPart, implant.Capped} {
		if p := PlaceOf(s); p == WasThere || p == NeverWent {
			t.Errorf("state %q is taken for out of the body", s)
		}
	}
}
