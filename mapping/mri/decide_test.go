package mri

import (
	"encoding/json"
	"slices"
	"testing"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// TestKleene: the truth tables of Kleene's strong logic (Introduction to Metamathematics, 1952, section 64; from memory).
func TestKleene(t *testing.T) {
	vals := []Truth{NotMet, Unknown, Met}
	and := [3][3]Truth{{NotMet, NotMet, NotMet}, {NotMet, Unknown, Unknown}, {NotMet, Unknown, Met}}
	or := [3][3]Truth{{NotMet, Unknown, Met}, {Unknown, Unknown, Met}, {Met, Met, Met}}
	for i, a := range vals {
		for j, b := range vals {
			if a.And(b) != and[i][j] || a.Or(b) != or[i][j] {
				t.Errorf("%s with %s", a, b)
			}
		}
		var back Truth
		text, _ := a.MarshalText()
		if err := back.UnmarshalText(text); err != nil || back != a {
			t.Errorf("%s reads back as %s", a, back)
		}
	}
	if err := new(Truth).UnmarshalText([]byte("perhaps")); err == nil {
		t.Error("perhaps was read")
	}
	var zero Truth
	if zero != Unknown {
		t.Error("what nobody stated must be unknown")
	}
}

func TestCaution(t *testing.T) {
	want := map[Kind]int{KindNothing: 0, KindWithinIf: 1, KindOutside: 2, KindNotEstablished: 2, KindUnsafe: 2, "": 2, "new": 2}
	for k, c := range want {
		if k.Caution() != c {
			t.Errorf("%q: %d", k, k.Caution())
		}
	}
}

// TestTrace: an explanation has a line for every labelled condition with the label's words and edition and the
// evidence, and changes nothing else.
func TestTrace(t *testing.T) {
	labels, scanners := demo(t)
	exam := examOf(codes.Brain)
	plain := Decide(g210(), exam, labels, scanners, Policy{}, asOf)
	traced := Decide(g210(), exam, labels, scanners, Policy{Trace: true}, asOf)
	has := func(scanner, set, code string, truth Truth, seen string) bool {
		return slices.ContainsFunc(traced.Trace, func(l TraceLine) bool {
			return l.Scanner == scanner && l.Set == set && l.Code == code && l.Truth == truth && l.Seen == seen && l.Edition == "4"
		})
	}
	const sys = "TBD-MR-01/tb-g210-two-leads"
	for _, ok := range []bool{
		has("north-1", sys+"#head-extremity", ElementField, Met, "1.5 T"), has("north-2", sys+"#head-extremity", ElementField, NotMet, "3 T"),
		has("harbour-1", sys+"#head-extremity", ElementSpatialGradient, NotMet, "25 T/m"), has("", sys+"#head-extremity", ElementHealing, Met, "2025-02-03"),
		has("", sys+"#head-extremity", CheckImpedance, Unknown, ""), has("", sys, ElementPlace+" level", Met, "L3"), has("", sys, ElementCombination, Met, ""),
		has("", sys+"#body-above-c7", ElementRegion, Met, codes.Brain), has("", sys, ElementStale, Met, "2026-03-02"),
	} {
		if !ok {
			b, _ := json.MarshalIndent(traced.Trace, "", " ")
			t.Fatalf("a line is missing in %s", b)
		}
	}
	traced.Trace = nil
	a, _ := json.Marshal(plain)
	b, _ := json.Marshal(traced)
	if string(a) != string(b) {
		t.Errorf("the trace changes the verdict:\n%s\n%s", a, b)
	}
}

// TestNoScannerKnown: where no scanner is known, a set that fails is no reason beside another of the same label that is
// met as far as it can be judged. Where none is, what fails is said.
func TestNoScannerKnown(t *testing.T) {
	labels, _ := demo(t)
	codesOf := func(v Verdict) (out []string) {
		for _, r := range v.Reasons {
			out = append(out, r.Code)
		}
		return out
	}
	v := Decide(g210(), examOf(codes.LumbarBack), labels, nil, Policy{}, asOf)
	if v.Kind != KindOutside || !slices.Contains(codesOf(v), WhyRegionOutside) || !slices.Contains(codesOf(v), WhyNoScanner) {
		t.Errorf("lumbar: %s %v", v.Kind, codesOf(v))
	}
	// The label has a set for the knee, and another that the knee is outside of.
	v = Decide(g210(), examOf(codes.Knee), labels, nil, Policy{}, asOf)
	if v.Kind != KindNotEstablished || !slices.Equal(codesOf(v), []string{WhyNoScanner}) {
		t.Errorf("knee: %s %v", v.Kind, codesOf(v))
	}
}

// TestVerdictReadsBack: what is stored reads back to the same bytes.
func TestVerdictReadsBack(t *testing.T) {
	labels, scanners := demo(t)
	v := Decide(twoSystems(), examOf(codes.Brain), labels, scanners, Policy{Trace: true}, asOf)
	a, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var back Verdict
	if err := json.Unmarshal(a, &back); err != nil {
		t.Fatal(err)
	}
	if b, _ := json.Marshal(back); string(a) != string(b) {
		t.Errorf("\n%s\n%s", a, b)
	}
}

// TestInputsStay: deciding writes nothing into its inputs.
func TestInputsStay(t *testing.T) {
	labels, scanners := demo(t)
	rec := twoSystems()
	rec.Questions = []implant.Question{{ID: "b"}, {ID: "a", MR: true}}
	slices.Reverse(rec.Parts)
	slices.Reverse(scanners)
	all := func() string {
		b, _ := json.Marshal([]any{rec, labels, scanners})
		return string(b)
	}
	before := all()
	Decide(rec, examOf(codes.Brain), labels, scanners, Policy{Trace: true}, asOf)
	if all() != before {
		t.Error("an input was changed")
	}
}

// TestCautions: each verdict carries the cautions of RULES.md.
func TestCautions(t *testing.T) {
	labels, scanners := demo(t)
	always := []string{CautionDecisionSupport, CautionNoClearance, CautionRecord, CautionRescreen, CautionEmergency}
	past := examOf(codes.Brain)
	past.Date = "2026-01-01"
	later := examOf(codes.Brain)
	later.Date = "2027-10-01"
	asks := g210()
	asks.Questions = []implant.Question{{ID: "q", Code: implant.AskLabelOldWords}}
	for _, c := range []struct {
		name string
		rec  implant.Record
		exam Exam
		want []string
	}{
		{"nothing", implant.Record{}, examOf(codes.Brain), []string{CautionNoRecord}},
		{"within", g210(), examOf(codes.Brain), []string{CautionLabelOfTheDay, CautionDeviceCheck}},
		{"outside", g210(), examOf(codes.LumbarBack), []string{CautionIdentify}},
		{"two", twoSystems(), examOf(codes.Brain), []string{CautionCombined}},
		{"past", g210(), past, []string{CautionPlannedDatePast}},
		{"due", g210(), later, []string{CautionReviewDue}},
		{"old words", asks, examOf(codes.Brain), []string{CautionOldWords, CautionQuestions}},
	} {
		v := Decide(c.rec, c.exam, labels, scanners, Policy{}, asOf)
		for _, code := range append(always, c.want...) {
			if !slices.Contains(v.Cautions, code) {
				t.Errorf("%s: no caution %s in %v", c.name, code, v.Cautions)
			}
		}
	}
}

// TestRemovalYetToCome: a part whose removal is dated after the moment of the decision is still in. A day may run 14
// hours ahead of UTC (IANA time zone database).
func TestRemovalYetToCome(t *testing.T) {
	labels, scanners := demo(t)
	for removed, want := range map[implant.When]Kind{
		implant.Day(asOf.AddDate(0, 0, -1)): KindNothing, implant.Day(asOf): KindNothing,
		implant.Day(asOf.AddDate(0, 0, 2)): KindNotEstablished, implant.Day(asOf.AddDate(1, 0, 0))[:4]: KindNotEstablished,
	} {
		rec := g210()
		for i := range rec.Parts {
			rec.Parts[i].State, rec.Parts[i].Removed = implant.RemovedWhole, removed
		}
		v := Decide(rec, examOf(codes.Brain), labels, scanners, Policy{}, asOf)
		if v.Kind != want || rec.Parts[0].State != implant.RemovedWhole {
			t.Errorf("removed %s: %s, want %s", removed, v.Kind, want)
		}
	}
}
