package codes

import (
	"testing"

	"gaussline/mapping/implant"
)

func TestMRSafetyUnderEverySystemURI(t *testing.T) {
	// Source: FHIR R4 ValueSet-device-safety.json; the URIs from the naming system v3-nciThesaurus.
	want := map[string]implant.MRStatus{"C106045": implant.MRSafe, "C106046": implant.MRConditional,
		"C106047": implant.MRUnsafe, "C113844": implant.LabelSilent, "C101673": "", "C106038": ""}
	for _, system := range []string{"urn:oid:2.16.840.1.113883.3.26.1.1", "http://ncicb.nci.nih.gov/xml/owl/EVS/Thesaurus.owl",
		"http://ncithesaurus-stage.nci.nih.gov", "http://ncithesaurus-stage.nci.nih.gov/", "http://ncicb.nci.nih.gov/xml/owl/EVS/Thesaurus.owl#"} {
		for code, status := range want {
			got, ok := MRSafety(implant.Code{System: system, Code: code})
			if got != status || ok != (status != "") {
				t.Errorf("%s#%s: %q %v, want %q", system, code, got, ok, status)
			}
		}
	}
	if _, ok := MRSafety(implant.Code{System: "http://example.org", Code: "C106045"}); ok {
		t.Error("a code of another system was taken for MR Safe")
	}
	for _, s := range []implant.MRStatus{implant.MRSafe, implant.MRConditional, implant.MRUnsafe, implant.LabelSilent} {
		c, ok := MRSafetyCode(s)
		if back, _ := MRSafety(c); !ok || back != s {
			t.Errorf("%q does not come back from its code", s)
		}
	}
}

func TestMRSafetyTextNeverLoosens(t *testing.T) {
	for text, want := range map[string]implant.MRStatus{
		"MR Unsafe": implant.MRUnsafe, "not MR safe": implant.MRUnsafe, "MRI contraindicated": implant.MRUnsafe,
		"MR safe": "", "MRI compatible": "", "MR Conditional": "", "safe in MRI up to 3T": "",
	} {
		got, mr := MRSafetyText(text)
		if got != want || !mr {
			t.Errorf("%q: %q %v, want %q true", text, got, mr, want)
		}
	}
	if _, mr := MRSafetyText("Contains latex"); mr {
		t.Error("a latex statement was taken for one about MR")
	}
}

func TestActions(t *testing.T) {
	// Source: facts, Procedure.focalDevice.action (FHIR R4 value set and code system).
	for _, tc := range []struct {
		system, code string
		want         implant.FactKind
	}{
		{SNOMED, "257867005", implant.Implanted}, {SNOMED, "129336009", implant.Implanted}, {SNOMED, "129338005", implant.Implanted},
		{SNOMED, "129303008", implant.Removed}, {SNOMED, "129416009", implant.Removed},
		{SNOMED, "282089006", implant.Exchanged}, {SNOMED, "713295009", implant.Exchanged},
		{SNOMED, "129426002", implant.Adjusted}, {SNOMED, "360146007", implant.Repositioned},
		{DeviceAction, "implanted", implant.Implanted}, {DeviceAction, "explanted", implant.Removed}, {DeviceAction, "manipulated", implant.Adjusted},
		{SNOMED, "1", ""}, {"http://example.org", "implanted", ""},
	} {
		if got, ok := Action(implant.Code{System: tc.system, Code: tc.code}); got != tc.want || ok != (tc.want != "") {
			t.Errorf("%s#%s: %q %v, want %q", tc.system, tc.code, got, ok, tc.want)
		}
	}
	if k, ok := ActionText(" Explanted. "); !ok || k != implant.Removed {
		t.Errorf("Explanted: %q %v", k, ok)
	}
	if _, ok := ActionText("planned removal of lead"); ok {
		t.Error("a sentence was taken for an action")
	}
}

func TestProcedureAct(t *testing.T) {
	// Source: facts, ICD-10-PCS (0JH70DZ is printed there) and GPS.
	for _, tc := range []struct {
		system, code string
		want         Act
	}{
		{ICD10PCS, "0JH70DZ", Act{implant.Implanted, implant.Generator, Back}},
		{ICD10PCS, "00HU3MZ", Act{implant.Implanted, implant.Lead, SpinalCanal}},
		{SNOMED, "307280005", Act{implant.Implanted, implant.OtherActive, Chest}},
		{SNOMED, "128538000", Act{implant.Removed, implant.Unidentified, ""}},
	} {
		if got, ok := ProcedureAct(implant.Code{System: tc.system, Code: tc.code}); !ok || got != tc.want {
			t.Errorf("%s: %+v %v, want %+v", tc.code, got, ok, tc.want)
		}
	}
	for _, code := range []string{"0JH70XZ", "0JH80DZ", "0JH7", ""} {
		if _, ok := ProcedureAct(implant.Code{System: ICD10PCS, Code: code}); ok {
			t.Errorf("%q was understood", code)
		}
	}
}

// A word that names a kind by itself is taken in any case and number; anything beside it is not.
func TestKindNamed(t *testing.T) {
	for word, want := range map[string]implant.Kind{
		"lead": implant.Lead, "Lead": implant.Lead, "LEADS": implant.Lead, "pulse generator": implant.Generator, "Pulse Generators": implant.Generator,
		"generators": implant.Generator, "IPG": implant.Generator, "other-active": implant.OtherActive, "Other active": implant.OtherActive,
		"unidentified": implant.Unidentified, "leed": "", "lead anchor": "", "not a lead": "", "test lead": "", "programmer": "", "": "",
	} {
		if got, ok := KindNamed(word); got != want || ok != (want != "") {
			t.Errorf("%q: %q %v, want %q", word, got, ok, want)
		}
	}
}

func TestKindText(t *testing.T) {
	// GMDN term names and common practice.
	for text, want := range map[string]implant.Kind{
		"Implantable pulse generator": implant.Generator, "IPG": implant.Generator, "Spinal cord stimulator": implant.Generator,
		"pacemaker lead": implant.Lead, "Lead extension": implant.Extension, "lead anchor": implant.Anchor,
		"Implantable electrical stimulation lead suture sleeve": implant.Anchor,
		"Neural-tissue electrical stimulation lead adaptor":     implant.Adaptor,
		"intrathecal pump": implant.Pump, "pump catheter": implant.Catheter, "pedicle screw": implant.Hardware,
		"Pacemaker": implant.OtherActive, "patient programmer": "", "leader board": "", "": "",
	} {
		if got, ok := KindText(text); got != want || ok != (want != "") {
			t.Errorf("%q: %q %v, want %q", text, got, ok, want)
		}
	}
}

func TestLevel(t *testing.T) {
	for text, want := range map[string]string{
		"L3": "L3", "L2/3": "L2-L3", "T8-T9": "T8-T9", "T8/9": "T8-T9", "Th8": "T8", "L5/S1": "L5-S1", "L5/1": "L5-S1",
		"lead at L 3 left": "L3", "S2": "S2", "C5-6": "C5-C6", "T12": "T12", "L2 to L4": "L2-L4", "at L3, tip L3": "L3",
		"T1 weighted": "", "T2w": "", "T13": "", "L35": "", "C8": "", "L3 and L5": "", "T2-weighted imaging": "", "none": "", "HL3": "",
	} {
		if got, ok := Level(text); got != want || ok != (want != "") {
			t.Errorf("%q: %q %v, want %q", text, got, ok, want)
		}
	}
}

func TestSiteText(t *testing.T) {
	for text, want := range map[string]implant.Site{
		"Left lumbar paraspinal L3": {Region: LumbarBack, Side: implant.Left, Level: "L3"},
		"right upper buttock":       {Region: Buttock, Side: implant.Right},
		"left and right flank":      {Region: Flank},
		"both knees":                {Region: Knee, Side: implant.Bilateral},
		"spine at T8/9":             {Region: ThoracicBack, Level: "T8-T9"},
		"epidural space T9":         {Region: SpinalCanal, Level: "T9"},
		"somewhere":                 {},
	} {
		want.Words = text
		if got := SiteText(text); got != want {
			t.Errorf("%q: %+v, want %+v", text, got, want)
		}
	}
}

func TestMergeSitesKeepsConflictsOpen(t *testing.T) {
	got, conflicts := MergeSites(implant.Site{Region: LumbarBack, Side: implant.Left, Words: "left lumbar"}, implant.Site{Side: implant.Right, Words: "right"})
	if got.Side != "" || got.Region != LumbarBack || got.Words != "left lumbar; right" || len(conflicts) != 1 || conflicts[0] != "side" {
		t.Errorf("%+v %v", got, conflicts)
	}
}

func TestBodySite(t *testing.T) {
	// Source: facts, SNOMED CT body structures.
	for code, want := range map[string]implant.Site{
		"36470004": {Region: LumbarBack, Level: "L3"}, "723979003": {Region: Buttock, Side: implant.Left},
		"419465000": {Side: implant.Right}, "51440002": {Side: implant.Bilateral},
	} {
		if got, ok := BodySite(implant.Code{System: "http://snomed.info/sct/", Code: code}); !ok || got != want {
			t.Errorf("%s: %+v %v, want %+v", code, got, ok, want)
		}
	}
}

func TestReasons(t *testing.T) {
	// Source: facts, IMDRF annexes and ICD-10-CM.
	for _, tc := range []struct{ system, code, want string }{
		{IMDRF, "A010402", Migration}, {"http://example.org/imdrf", "E2115", Infection}, {ICD10CM, "T85.734A", Infection},
		{ICD10CM, "T85.112", Fracture}, {ICD10CM, "M54.50", ""}, {IMDRF, "F02", ""},
	} {
		if got, ok := Reason(implant.Code{System: tc.system, Code: tc.code}); got != tc.want || ok != (tc.want != "") {
			t.Errorf("%s: %q %v, want %q", tc.code, got, ok, tc.want)
		}
	}
	for word, code := range imdrfOut {
		if got, ok := Reason(implant.Code{System: IMDRF, Code: code}); !ok || got != word {
			t.Errorf("%s -> %s -> %s", word, code, got)
		}
	}
	for text, want := range map[string]string{"Pocket infection": Infection, "no infection": "", "therapy no longer needed": Resolved,
		"Battery depletion (ERI)": BatteryEnd, "follow-up": ""} {
		if got, _ := ReasonText(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}
