package codes

import (
	"os"
	"strings"
	"testing"

	"gaussline/mapping/implant"

	"pgregory.net/rapid"

	_ "gaussline/testdata/seed"
)

func TestLOINCTable(t *testing.T) {
	// Source: ValueSet-c80-doc-typecodes.json of the official R4 package; "about 860 of them are MR or MRA by name".
	n := map[Modality]int{}
	for code, e := range loinc {
		n[e.modality]++
		if !LOINCValid(code) {
			t.Errorf("%s fails the check digit", code)
		}
	}
	if n[MR] != 860 || n[CT] != 726 || n[Ultrasound] != 449 || len(loinc) != 5124 {
		t.Errorf("counts %v of %d", n, len(loinc))
	}
}

func TestLOINCAgainstGatheredTables(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/codes/loinc.tsv")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(raw)) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if strings.HasPrefix(line, "#") {
			continue
		}
		n++
		m, ok := ModalityOf(implant.Code{System: LOINC, Code: f[0]})
		name, _ := LOINCName(f[0])
		if !ok || (m == MR) != (f[1] == "MR") || name != f[2] {
			t.Errorf("%s: %q %q, want %s %q", f[0], m, name, f[1], f[2])
		}
	}
	if n != 90 {
		t.Errorf("%d rows read, want 90", n)
	}
}

func TestLOINCValid(t *testing.T) {
	for code, want := range map[string]bool{"24968-0": true, "24968-1": false, "24629-8": true, "24692-8": false, "": false, "a-1": false, "24968": false} {
		if got := LOINCValid(code); got != want {
			t.Errorf("%q: %v", code, got)
		}
	}
}

func lo(code, display string) implant.Code {
	return implant.Code{System: LOINC, Code: code, Display: display}
}

func TestIsMRByCode(t *testing.T) {
	// Codes: facts, LOINC tables and other signals; the disagreements are those listed as seen in the wild.
	for name, tc := range map[string]struct {
		order Order
		want  implant.Tri
	}{
		"loinc MR":                    {Order{Codes: []implant.Code{lo("24968-0", "")}}, implant.Yes},
		"loinc MR, same text":         {Order{Codes: []implant.Code{lo("24968-0", "Spine Lumbar MRI")}, Texts: []string{"MRI L-spine"}}, implant.Yes},
		"loinc CT chest":              {Order{Codes: []implant.Code{lo("24627-2", "")}, Texts: []string{"Chest CT"}}, implant.No},
		"MR chest is next to it":      {Order{Codes: []implant.Code{lo("24629-8", "")}}, implant.Yes},
		"X-ray labelled MR Brain":     {Order{Codes: []implant.Code{lo("30746-2", "MR Brain")}}, implant.Maybe},
		"US labelled CT Head":         {Order{Codes: []implant.Code{lo("24558-9", "CT Head")}}, implant.No},
		"MR code, CT text":            {Order{Codes: []implant.Code{lo("24556-3", "")}, Texts: []string{"CT abdomen"}}, implant.Maybe},
		"two codings disagree":        {Order{Codes: []implant.Code{lo("24627-2", ""), lo("24629-8", "")}}, implant.Maybe},
		"MR guidance":                 {Order{Codes: []implant.Code{lo("36936-3", "")}}, implant.Yes},
		"MR spectroscopy":             {Order{Codes: []implant.Code{lo("37442-1", "")}}, implant.Yes},
		"mistyped check digit":        {Order{Codes: []implant.Code{lo("24968-1", "")}}, implant.Maybe},
		"snomed MRI":                  {Order{Codes: []implant.Code{{System: SNOMED, Code: "113091000"}}}, implant.Yes},
		"snomed unknown with display": {Order{Codes: []implant.Code{{System: SNOMED, Code: "999", Display: "MRI of lumbar spine"}}}, implant.Yes},
		"dicom MR in order detail":    {Order{Codes: []implant.Code{{System: DICOM, Code: "MR"}}}, implant.Yes},
		"dicom MR against CT code":    {Order{Codes: []implant.Code{lo("24627-2", ""), {System: DICOM, Code: "MR"}}}, implant.Maybe},
		"section NMR":                 {Order{Categories: []implant.Code{{System: V2Section, Code: "NMR"}}}, implant.Yes},
		"section NMR, CT text":        {Order{Categories: []implant.Code{{System: V2Section, Code: "NMR"}}, Texts: []string{"CT head"}}, implant.Maybe},
		"imaging, no modality":        {Order{Categories: []implant.Code{{System: SNOMED, Code: "363679005", Display: "Imaging"}}, Texts: []string{"Lumbar spine"}}, implant.Maybe},
		"radlex playbook, no words":   {Order{Codes: []implant.Code{{System: "http://www.radlex.org", Code: "RPID2589"}}}, implant.Maybe},
		"local code, no words":        {Order{Codes: []implant.Code{{System: "http://example.org/local", Code: "X7734"}}}, implant.Maybe},
		"local code like MR":          {Order{Codes: []implant.Code{{System: "http://example.org/local", Code: "MRLSP", Display: "L-spine w/wo"}}}, implant.Maybe},
		"local code with its text":    {Order{Codes: []implant.Code{{System: "http://example.org/tests", Code: "LIPID"}}, Texts: []string{"Lipid panel"}}, implant.No},
		"nothing at all":              {Order{}, implant.Maybe},
		"laboratory":                  {Order{Categories: []implant.Code{{System: SNOMED, Code: "108252007"}}, Codes: []implant.Code{{System: "http://example.org/tests", Code: "LIPID"}}}, implant.No},
		"laboratory that says MRI":    {Order{Categories: []implant.Code{{System: SNOMED, Code: "108252007"}}, Texts: []string{"MRI"}}, implant.Yes},
		"CT with MRI in a remark":     {Order{Codes: []implant.Code{lo("24627-2", "")}, Remarks: []string{"please change to MRI if possible"}}, implant.Maybe},
	} {
		got, why := IsMR(tc.order)
		if got != tc.want || why == "" {
			t.Errorf("%s: %s (%s), want %s", name, got, why, tc.want)
		}
	}
}

func TestIsMRByText(t *testing.T) {
	// Traps and the rest: common practice, no source; languages from memory.
	for text, want := range map[string]implant.Tri{
		"MRI brain": implant.Yes, "MR L-Sp": implant.Yes, "MRA head": implant.Yes, "MRCP": implant.Yes, "MRV": implant.Yes,
		"fMRI": implant.Yes, "MR arthrogram left shoulder": implant.Yes, "MR guided biopsy": implant.Yes, "MR guidance for biopsy": implant.Yes,
		"Kernspin LWS": implant.Yes, "MRT Schädel": implant.Yes, "IRM lombaire": implant.Yes, "RMN columna": implant.Yes,
		"Resonancia magnética lumbar": implant.Yes, "Magneettikuvaus": implant.Yes, "МРТ": implant.Yes, "磁共振": implant.Yes,
		"PET/MR whole body": implant.Yes, "MRI2024 lumbar": implant.Yes, "mr lumbar spine": implant.Yes, "MR korsrygg": implant.Yes,
		"M.R.I. knee": implant.Yes, "m.r.i knee": implant.Yes, "Magentic resonanse knee": implant.Maybe, "C.T. head": implant.No,
		"Magentic resonanse lumbar spine, spinal cord stimulation in place": implant.Maybe,
		"Magnetic stimulation, then magentic resonanse of the brain":        implant.Maybe,
		"Transcranial magnetic stimulation":                                 implant.No, "magnetic resonance imaging": implant.Yes, "CMRI": implant.Yes,
		"MRLSPINE": implant.Maybe, "RM lombare": implant.Maybe, "3 Tesla lumbar": implant.Maybe, "MRI or CT lumbar": implant.Maybe,
		"Lumbar spine with contrast": implant.Maybe, "L-spine": implant.Maybe, "Left knee": implant.Maybe, "whole body scan": implant.Maybe,
		"पेट की जांच": implant.Maybe,
		"CT lumbar":   implant.No, "X-ray chest": implant.No, "US abdomen": implant.No, "Echo for severe MR": implant.No,
		"Mammography": implant.No, "mitral regurgitation (MR) follow-up": implant.No, "MR number 12345 blood test": implant.No,
		"Refer to Mr Smith": implant.No, "Physiotherapy of chest": implant.No, "Peanut IgG": implant.No, "MRSA screen": implant.No,
		"bone scan": implant.No, "PET": implant.No,
	} {
		got, why := IsMR(Order{Texts: []string{text}})
		if got != want {
			t.Errorf("%q: %s (%s), want %s", text, got, why, want)
		}
	}
}

func TestIsMRLongTextIsNotLost(t *testing.T) {
	if got, why := IsMR(Order{Texts: []string{"CT " + strings.Repeat("x ", maxLabel) + " MRI"}}); got == implant.No {
		t.Errorf("%s (%s)", got, why)
	}
}

func TestIsMRRemarksOnOtherServices(t *testing.T) {
	// Common practice, no source: such orders tell of earlier images and must pass untouched.
	for name, tc := range map[string]struct {
		order Order
		want  implant.Tri
	}{
		"physiotherapy":       {Order{Texts: []string{"Physiotherapy"}, Remarks: []string{"MRI showed a prolapse"}}, implant.No},
		"biopsy":              {Order{Texts: []string{"Biopsy of colon"}, Remarks: []string{"mass seen on scan"}}, implant.No},
		"MR guided biopsy":    {Order{Texts: []string{"MR guided biopsy"}}, implant.Yes},
		"laboratory":          {Order{Categories: []implant.Code{{System: SNOMED, Code: "108252007"}}, Remarks: []string{"before MRI"}}, implant.No},
		"not said what for":   {Order{Texts: []string{"Please see"}, Remarks: []string{"needs MRI lumbar"}}, implant.Maybe},
		"imaging, remark MRI": {Order{Texts: []string{"Lumbar spine imaging, physical examination normal"}, Remarks: []string{"MRI"}}, implant.Maybe},
		"nothing but a hint":  {Order{Remarks: []string{"scan please"}}, implant.Maybe},
		"gadolinium allergy":  {Order{Texts: []string{"CT lumbar"}, Remarks: []string{"allergic to gadolinium"}}, implant.No},
	} {
		if got, why := IsMR(tc.order); got != tc.want {
			t.Errorf("%s: %s (%s), want %s", name, got, why, tc.want)
		}
	}
}

func TestIsMRRemarks(t *testing.T) {
	for remark, want := range map[string]implant.Tri{
		"back pain": implant.No, "Mr Smith has had back pain": implant.No, "severe MR, LVEF 50": implant.No,
		"compare MRI of 2020": implant.Maybe, "MR lumbar please": implant.Maybe,
	} {
		if got, why := IsMR(Order{Texts: []string{"CT lumbar"}, Remarks: []string{remark}}); got != want {
			t.Errorf("%q: %s (%s), want %s", remark, got, why, want)
		}
	}
}

// Adding a signal of MR never makes the answer No; order of the parts never matters.
func TestIsMRMonotone(t *testing.T) {
	pool := []string{"CT head", "MRI", "MR L-Sp", "x-ray", "imaging", "Physiotherapy", "mitral", "Mr Smith", "US", "RM", ""}
	rapid.Check(t, func(t *rapid.T) {
		texts := rapid.SliceOfN(rapid.SampledFrom(pool), 0, 5).Draw(t, "texts")
		with, _ := IsMR(Order{Texts: append([]string{"MRI brain"}, texts...)})
		if with == implant.No {
			t.Fatal("an order that says MRI was answered No")
		}
		a, whyA := IsMR(Order{Texts: texts})
		b, whyB := IsMR(Order{Texts: reversed(texts)})
		if a != b || whyA != whyB {
			t.Fatalf("%s %q against %s %q", a, whyA, b, whyB)
		}
	})
}

func reversed(in []string) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[len(in)-1-i] = s
	}
	return out
}

func FuzzIsMR(f *testing.F) {
	f.Add("MRI", "24968-0", "Mr Smith 5")
	f.Fuzz(func(t *testing.T, text, code, remark string) {
		got, why := IsMR(Order{Texts: []string{text}, Codes: []implant.Code{{System: LOINC, Code: code, Display: remark}}, Remarks: []string{remark}})
		if why == "" || (got != implant.Yes && got != implant.No && got != implant.Maybe) {
			t.Fatalf("%q %q", got, why)
		}
		SiteText(text)
		KindText(text)
		ReasonText(text)
	})
}
