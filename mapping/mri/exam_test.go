package mri

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
	_ "gaussline/testdata/seed"
)

func regionsOf(e Exam) (out []string) {
	for _, r := range e.Regions {
		out = append(out, r.Region)
	}
	return out
}

func TestExamOf(t *testing.T) {
	loinc := func(code, display string) implant.Code {
		return implant.Code{System: codes.LOINC, Code: code, Display: display}
	}
	for _, c := range []struct {
		name string
		r    implant.Referral
		want []string
	}{
		{"code alone", implant.Referral{Codes: []implant.Code{loinc("30657-1", "")}}, []string{codes.Brain}},
		{"code with the older name", implant.Referral{Codes: []implant.Code{loinc("30679-5", "Spine Lumbar MRI WO contrast")}}, []string{codes.LumbarBack}},
		{"whole spine code", implant.Referral{Codes: []implant.Code{loinc("30854-4", "")}}, []string{codes.CervicalBack, codes.LumbarBack, codes.ThoracicBack}},
		{"text alone", implant.Referral{Text: "MRI brain with contrast"}, []string{codes.Brain}},
		{"two regions in the text", implant.Referral{Text: "MR brain and lumbar spine"}, []string{codes.Brain, codes.LumbarBack}},
		{"whole spine in the text", implant.Referral{Text: "MRI whole spine"}, []string{codes.CervicalBack, codes.LumbarBack, codes.ThoracicBack}},
		{"code and text differ: both count", implant.Referral{Codes: []implant.Code{loinc("24802-1", "Knee MRI")}, Text: "MRI lumbar spine"}, []string{codes.Knee, codes.LumbarBack}},
		{"body site", implant.Referral{Text: "MRI", BodySites: []implant.Code{{System: codes.SNOMED, Code: "36470004"}}}, []string{codes.LumbarBack}},
		{"body site in words", implant.Referral{Text: "MRI", BodySites: []implant.Code{{Display: "left knee"}}}, []string{codes.Knee}},
		{"German", implant.Referral{Text: "MRT LWS"}, []string{codes.LumbarBack}},
		{"German with umlaut", implant.Referral{Text: "MRT der Halswirbelsäule"}, []string{codes.CervicalBack}},
		{"French", implant.Referral{Text: "IRM du genou"}, []string{codes.Knee}},
		{"no region named", implant.Referral{Text: "MRI please"}, nil},
		{"unknown code", implant.Referral{Codes: []implant.Code{loinc("99999-9", "")}}, nil},
		{"vessels without a place", implant.Referral{Codes: []implant.Code{{System: codes.SNOMED, Code: "241663008"}}}, nil},
		{"whole body procedure", implant.Referral{Codes: []implant.Code{{System: codes.SNOMED, Code: "426252008"}}}, []string{codes.WholeBody}},
		{"MRCP", implant.Referral{Text: "MRCP"}, []string{codes.Abdomen}},
	} {
		if got := regionsOf(ExamOf(c.r)); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, wanted %v", c.name, got, c.want)
		}
	}
	e := ExamOf(implant.Referral{Occurrence: "2026-12", Laterality: implant.Left, Text: "knee"})
	if e.Date != "2026-12" || e.Laterality != implant.Left || e.Regions[0].Isocentre.From != "mid-thigh" {
		t.Errorf("%+v", e)
	}
}

// TestExamTables: every code satisfies LOINC's check digit (mod 10, LOINC users' guide), every
// region has a plan, every plan lies on known landmarks with its centre inside.
func TestExamTables(t *testing.T) {
	if len(loincRegions) != 67 {
		t.Errorf("%d LOINC codes; 67 were listed", len(loincRegions))
	}
	for code, regions := range loincRegions {
		if !luhn(code) {
			t.Errorf("%s: check digit", code)
		}
		if m, ok := codes.ModalityOf(implant.Code{System: codes.LOINC, Code: code}); !ok || string(m) != "MR" {
			t.Errorf("%s is %q in the table of modalities", code, m)
		}
		for _, r := range regions {
			if _, ok := regionPlans[r]; !ok {
				t.Errorf("%s: no plan for %s", code, r)
			}
		}
	}
	for name, p := range regionPlans {
		iso := p.Isocentre.stretch()
		if c := spanStretch(p.Centre, p.Centre); !iso.ok || len(p.Coils) == 0 || p.Centre != "" && (!c.ok || !c.within(iso)) {
			t.Errorf("%s: %+v", name, p)
		}
	}
	for name, r := range regionStretch {
		if !r.stretch().ok {
			t.Errorf("%s: %v", name, r)
		}
	}
	for _, r := range foreignWords {
		if _, ok := regionPlans[r]; !ok {
			t.Errorf("no plan for %s", r)
		}
	}
}

// luhn is the mod-10 check of LOINC codes, "24590-2".
func luhn(code string) bool {
	sum, double := 0, true
	digits := code[:len(code)-2]
	for i := len(digits) - 1; i >= 0; i-- {
		n := int(digits[i] - '0')
		if double {
			if n *= 2; n > 9 {
				n -= 9
			}
		}
		sum += n
		double = !double
	}
	return (10-sum%10)%10 == int(code[len(code)-1]-'0')
}

func TestLevels(t *testing.T) {
	for text, want := range map[string]stretch{
		"L3": {23, 23, true}, "T8-T9": {16, 17, true}, "T12-L1": {20, 21, true}, "L5-S1": {25, 27, true}, "C1": {2, 2, true}, "L6": {26, 26, true},
		"": {}, "L7": {}, "T13": {}, "L0": {}, "L03": {}, "L+3": {}, "T9-T8": {}, "L3?": {}, "L2/3": {}, "D8": {}, "S6": {}, "l3": {},
	} {
		if got := levelStretch(text); got != want {
			t.Errorf("%q is %v, wanted %v", text, got, want)
		}
	}
	for i, n := range landmarkNames {
		if s := levelStretch(n); s.ok && s.from != i {
			t.Errorf("%s is at %d and read as %d", n, i, s.from)
		}
	}
}

// What the words around an order ask for is added to what the order names. Common practice, no source.
func TestExamOfTheWordsAroundAnOrder(t *testing.T) {
	whole := []string{codes.Brain, codes.CervicalBack, codes.LumbarBack, codes.ThoracicBack}
	with := func(more ...string) []string { return slices.Sorted(slices.Values(append(more, codes.Brain))) }
	for note, want := range map[string][]string{
		"please also do lumbar":                                              with(codes.LumbarBack),
		"incl. whole spine":                                                  whole,
		"Headache since May. Incl. whole spine if possible":                  whole,
		"lumbar spine":                                                       with(codes.LumbarBack),
		"and knee":                                                           with(codes.Knee),
		"Low back pain, please do lumbar and cervical":                       with(codes.LumbarBack, codes.CervicalBack),
		"extend down to L2":                                                  with(codes.LumbarBack),
		"please include T12-L1":                                              with(codes.ThoracicBack, codes.LumbarBack),
		"45 years, fell; cervical spine please":                              with(codes.CervicalBack),
		"bitte auch LWS":                                                     with(codes.LumbarBack),
		"inclure le genou":                                                   with(codes.Knee),
		"?cauda equina, exclude a thoracic lesion":                           with(codes.ThoracicBack),
		"had a fall, please scan cervical spine":                             with(codes.CervicalBack),
		"please cover the spine too":                                         with(codes.Spine),
		"Pain in the low back, radiating into the left leg":                  with(),
		"Spinal cord stimulator, thoracic lead with its tip at T8":           with(),
		"Generator in the left buttock. Headache":                            with(),
		"Previous lumbar MR 2019 was normal":                                 with(),
		"Include T1 and T2 axial":                                            with(),
		"Contrast please":                                                    with(),
		"Stimulator in the lumbar region; please also do the thoracic spine": with(codes.ThoracicBack),
		"": with(),
	} {
		r := implant.Referral{Text: "MR brain", Remarks: []string{note}}
		e := ExamOf(r)
		if got := regionsOf(e); !slices.Equal(got, want) {
			t.Errorf("%q: %v, wanted %v", note, got, want)
		}
		for _, x := range e.Regions {
			if (x.Region == codes.Brain) != (x.Words == "") || x.Words != "" && !x.Isocentre.stretch().ok {
				t.Errorf("%q: %+v", note, x)
			}
		}
	}
	// A reason or an instruction names regions that nobody asks for; only words of asking count there.
	for reason, want := range map[string][]string{
		"Low back pain": with(), "Breast cancer": with(), "lumbar disc": with(), "Please remove jewellery from the neck": with(),
		"Low back pain, include lumbar spine": with(codes.LumbarBack), "headache; scan whole spine": whole,
	} {
		if got := regionsOf(ExamOf(implant.Referral{Text: "MR brain", Reasons: []string{reason}})); !slices.Equal(got, want) {
			t.Errorf("reason %q: %v, wanted %v", reason, got, want)
		}
	}
	// A general word beside the order takes no special one away, and the other way round.
	if got := regionsOf(ExamOf(implant.Referral{Text: "MR spine", Remarks: []string{"lumbar spine please"}})); !slices.Equal(got, []string{codes.LumbarBack, codes.Spine}) {
		t.Errorf("spine, and lumbar beside it: %v", got)
	}
	// Where the order names no region, words around it do not make the region known.
	if got := ExamOf(implant.Referral{Text: "MRI", Remarks: []string{"also knee"}}); len(got.Regions) != 0 {
		t.Errorf("an unknown region became known: %+v", got.Regions)
	}
}

// Whatever stands around an order, no region that it names itself is lost.
func TestWordsAroundAnOrderNeverNarrow(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		words := rapid.SliceOf(rapid.SampledFrom(strings.Fields("please also do not no lumbar spine brain whole knee previous MR only instead of pain . ; T8 - L2 include")))
		r := implant.Referral{Text: strings.Join(words.Draw(rt, "order"), " ")}
		before := regionsOf(ExamOf(r))
		r.Remarks = []string{strings.Join(words.Draw(rt, "note"), " "), rapid.String().Draw(rt, "other")}
		r.Reasons = []string{strings.Join(words.Draw(rt, "reason"), " ")}
		after := regionsOf(ExamOf(r))
		if (len(before) == 0) != (len(after) == 0) || !slices.IsSorted(after) {
			rt.Fatalf("%v became %v", before, after)
		}
		for _, region := range before {
			if !slices.Contains(after, region) {
				rt.Fatalf("%q: %s is lost by %q", r.Text, region, r.Remarks)
			}
		}
	})
}
