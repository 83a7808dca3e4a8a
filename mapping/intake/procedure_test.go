package intake

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// proc makes a Procedure about Patient/p with more members.
func proc(status, more string) string {
	if more != "" {
		more = "," + more
	}
	return fmt.Sprintf(`{"resourceType":"Procedure","id":"x","status":%q,"subject":{"reference":"Patient/p"}%s}`, status, more)
}

func focal(action string) string {
	if action != "" {
		action = `"action":` + action + `,`
	}
	return `"focalDevice":[{` + action + `"manipulated":{"reference":"Device/d","display":"left lead"}}]`
}

func coded(system, code string) string {
	return fmt.Sprintf(`{"coding":[{"system":%q,"code":%q}]}`, system, code)
}

func TestProcedureActions(t *testing.T) {
	// Source: FHIR R4 Procedure.focalDevice.action, its SNOMED CT value set and the device-action code system.
	hl7, sct := codes.DeviceAction, codes.SNOMED
	for name, tc := range map[string]struct {
		json  string
		kind  implant.FactKind
		value string
		sure  implant.Certainty
		doubt implant.QuestionCode
	}{
		"implanted, own code system": {proc("completed", focal(coded(hl7, "implanted"))), implant.Implanted, "", "", ""},
		"implanted, SNOMED":          {proc("completed", focal(coded(sct, "257867005"))), implant.Implanted, "", "", ""},
		"explanted":                  {proc("completed", focal(coded(hl7, "explanted"))), implant.Removed, "whole", "", ""},
		"removed, SNOMED":            {proc("completed", focal(coded(sct, "129303008"))), implant.Removed, "whole", "", ""},
		"removed, text only":         {proc("completed", focal(`{"text":"Explanted"}`)), implant.Removed, "", "", ""},
		"removed, in progress":       {proc("in-progress", focal(coded(hl7, "explanted"))), implant.Removed, "", implant.Probable, ""},
		"implanted, in progress":     {proc("in-progress", focal(coded(hl7, "implanted"))), implant.Implanted, "", implant.Probable, ""},
		"implanted, status unknown":  {proc("unknown", focal(coded(hl7, "implanted"))), implant.Implanted, "", implant.Possible, ""},
		"replacement":                {proc("completed", focal(coded(sct, "282089006"))), implant.Exchanged, "", "", ""},
		"manipulated":                {proc("completed", focal(coded(hl7, "manipulated"))), implant.Adjusted, "", "", ""},
		"repositioned":               {proc("completed", focal(coded(sct, "360146007"))), implant.Repositioned, "", "", ""},
		"no action":                  {proc("completed", focal("")), implant.Mentioned, "", "", implant.AskActionMissing},
		"no action, implant code": {proc("completed", `"code":`+coded(sct, "307280005")+`,`+focal("")),
			implant.Implanted, "", "", ""},
		"no action, removal code": {proc("completed", `"code":`+coded(sct, "128538000")+`,`+focal("")),
			implant.Removed, "", "", implant.AskActionMissing},
		"unknown action":      {proc("completed", focal(coded(sct, "1234567"))), implant.Mentioned, "", "", implant.AskCodeUnknown},
		"not done":            {proc("not-done", focal(coded(hl7, "implanted"))), implant.Planned, "not-done", "", ""},
		"preparation":         {proc("preparation", focal(coded(hl7, "explanted"))), implant.Planned, "preparation", "", ""},
		"stopped":             {proc("stopped", focal(coded(hl7, "implanted"))), implant.Mentioned, "", "", implant.AskNotDone},
		"on hold":             {proc("on-hold", focal(coded(hl7, "explanted"))), implant.Mentioned, "", "", implant.AskNotDone},
		"code against words":  {proc("completed", focal(`{"coding":[{"system":"`+hl7+`","code":"explanted","display":"Implanted"}]}`)), implant.Mentioned, "", "", implant.AskActionAmbiguous},
		"two codes disagree":  {proc("completed", focal(`{"coding":[{"system":"`+hl7+`","code":"explanted"},{"system":"`+sct+`","code":"257867005"}]}`)), implant.Mentioned, "", "", implant.AskActionAmbiguous},
		"explanted, modified": {proc("completed", `"modifierExtension":[{"url":"http://example.org/x","valueBoolean":true}],`+focal(coded(hl7, "explanted"))), implant.Removed, "", "", implant.AskCodeUnknown},
	} {
		s := readOne(t, tc.json)
		f := s.Facts[len(s.Facts)-1]
		if f.Kind == implant.Doubt {
			f = s.Facts[len(s.Facts)-2]
		}
		if f.Kind != tc.kind || f.Value != tc.value || f.Certainty != tc.sure || f.Component.Ref != "ehr|Device/d" {
			t.Errorf("%s: %+v", name, f)
		}
		if ds := doubts(s); tc.doubt == "" && len(ds) > 0 || tc.doubt != "" && !hasDoubt(s, tc.doubt) {
			t.Errorf("%s: doubts %v, want %q", name, ds, tc.doubt)
		}
		if s.Patient != "ehr|Patient/p" || len(s.Mentions) != 1 || s.Mentions[0] != "ehr|Device/d" {
			t.Errorf("%s: patient %q mentions %v", name, s.Patient, s.Mentions)
		}
	}
}

func TestRemovalIsNotWholeWhereARestIsSpokenOf(t *testing.T) {
	// Source: facts, partial-explant conventions ("explanted" alone is no proof); the sentences are ours.
	explant := focal(coded(codes.DeviceAction, "explanted"))
	for _, more := range []string{
		`"note":[{"text":"Lead broke on traction, a fragment was retained."}]`,
		// even a rest that is denied waits for a person: rules misread denials
		`"note":[{"text":"Removed in toto, no retained fragments, tips intact."}]`,
		`"note":[{"text":"Distal electrode could not be retrieved."}]`,
		`"outcome":{"text":"Partial removal"}`,
		`"outcome":` + coded(codes.SNOMED, "385670004"),
		`"complication":[` + coded(codes.IMDRF, "E2008") + `]`,
		`"complication":[{"text":"retained lead tip"}]`,
		`"code":{"text":"Partial explant of stimulator"}`,
		`"followUp":[{"text":"leads remain in situ"}]`,
		`"text":{"status":"extensions","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">it was <b>cut</b></div>"}`,
	} {
		s := readOne(t, proc("completed", explant+","+more))
		coded := slices.IndexFunc(s.Facts, func(f implant.Fact) bool { return f.Kind == implant.Removed && f.Basis == implant.Coded })
		if coded < 0 || s.Facts[coded].Value != "" || !hasDoubt(s, implant.AskRemovalDoubtful) {
			t.Errorf("%s: %+v %v", more, s.Facts, doubts(s))
		}
	}
	for _, more := range []string{
		`"reasonCode":[{"text":"failed back surgery syndrome"}]`,
		`"outcome":` + coded(codes.SNOMED, "385669000"),
	} {
		s := readOne(t, proc("completed", explant+","+more))
		coded := slices.IndexFunc(s.Facts, func(f implant.Fact) bool { return f.Kind == implant.Removed && f.Basis == implant.Coded })
		if coded < 0 || s.Facts[coded].Value != "whole" {
			t.Errorf("%s: %+v", more, s.Facts)
		}
	}
	display := proc("completed", `"focalDevice":[{"action":`+coded(codes.DeviceAction, "explanted")+`,"manipulated":{"display":"old lead"}}]`)
	s := readOne(t, display)
	if f := one(t, s, implant.Removed); f.Value != "" || f.Component.Kind != implant.Lead || !hasDoubt(s, implant.AskDeviceMissing) {
		t.Errorf("display only: %+v %v", f, doubts(s))
	}
}

func TestProcedureTime(t *testing.T) {
	// Source: FHIR R4 Procedure.performed[x]; dateTime precision rules.
	for performed, want := range map[string]implant.When{
		`"performedDateTime":"2024"`:                                                                 "2024",
		`"performedDateTime":"2024-05"`:                                                              "2024-05",
		`"performedDateTime":"2024-05-03"`:                                                           "2024-05-03",
		`"performedDateTime":"2024-05-03T00:30:00+02:00"`:                                            "2024-05-02T22:30:00Z",
		`"performedPeriod":{"start":"2024-05-03","end":"2024-05-04"}`:                                "2024-05-03/2024-05-04",
		`"performedPeriod":{"start":"2024-05-03T08:00:00Z"}`:                                         "2024-05-03T08:00:00Z",
		`"performedPeriod":{"start":"2024-05-05","end":"2024-05-04"}`:                                "",
		`"performedString":"spring of last year"`:                                                    "",
		`"performedAge":{"value":54,"unit":"years","system":"http://unitsofmeasure.org","code":"a"}`: "",
		`"performedRange":{"low":{"value":50,"unit":"a"},"high":{"value":55,"unit":"a"}}`:            "",
	} {
		s := readOne(t, proc("completed", performed+","+focal(coded(codes.DeviceAction, "implanted"))))
		f := one(t, s, implant.Implanted)
		if f.At != want || hasDoubt(s, implant.AskDateDoubtful) != (want == "") {
			t.Errorf("%s: %q, doubts %v", performed, f.At, doubts(s))
		}
	}
}

func TestProcedureSiteReasonsAndUse(t *testing.T) {
	s := readOne(t, proc("completed", `"performedDateTime":"2024-05-03",
		"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"36470004","display":"L3 vertebra"}],"text":"left L3"}],
		"reasonCode":[{"text":"battery depletion"},{"coding":[{"system":"http://example.org","code":"Q7"}]}],
		"complication":[{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T85.734A"}]}],
		"usedReference":[{"reference":"Device/scope"}],
		"partOf":[{"reference":"Procedure/0"}],"report":[{"reference":"DocumentReference/n"}],
		"performer":[{"actor":{"reference":"Practitioner/1"}}],"location":{"reference":"Location/1"},`+
		focal(coded(codes.DeviceAction, "implanted"))))
	f := one(t, s, implant.Implanted)
	if f.Site.Region != codes.LumbarBack || f.Site.Level != "L3" || f.Site.Side != implant.Left || !strings.Contains(f.Site.Words, "left L3") {
		t.Errorf("site %+v", f.Site)
	}
	if f.Source.Path != "Procedure.focalDevice[0].action" || f.Basis != implant.Coded {
		t.Errorf("source %+v", f.Source)
	}
	rs := facts(s, implant.Reason)
	if len(rs) != 2 || rs[0].Value != codes.BatteryEnd || rs[1].Value != "" || rs[1].Source.Quote != "Q7" {
		t.Errorf("reasons %+v", rs)
	}
	if c := one(t, s, implant.Complication); c.Value != codes.Infection {
		t.Errorf("complication %+v", c)
	}
	if m := one(t, s, implant.Mentioned); m.Component.Ref != "ehr|Device/scope" || !strings.Contains(m.Source.Path, "usedReference") {
		t.Errorf("used %+v", m)
	}
	want := "ehr|Device/d ehr|Device/scope ehr|DocumentReference/n ehr|Procedure/0"
	if got := strings.Join(s.Mentions, " "); got != want {
		t.Errorf("mentions %q, want %q", got, want)
	}
}

func TestProcedureByCodeAlone(t *testing.T) {
	// Source: SNOMED CT code as in the official example Procedure-example-implant; ICD-10-PCS from facts.
	s := readOne(t, proc("completed", `"code":`+coded(codes.SNOMED, "25267002")))
	if f := one(t, s, implant.Implanted); f.Component.Kind != implant.OtherActive || f.Component.Ref != "" {
		t.Errorf("%+v", f)
	}
	s = readOne(t, proc("completed", `"code":`+coded("http://www.cms.gov/Medicare/Coding/ICD10", "0JPT0MZ")))
	if f := one(t, s, implant.Removed); f.Component.Kind != implant.Generator || f.Value != "" {
		t.Errorf("%+v", f)
	}
}

func TestProcedureVoid(t *testing.T) {
	s := readOne(t, proc("entered-in-error", focal(coded(codes.DeviceAction, "implanted"))))
	if !s.Void || len(s.Facts) > 0 || s.Patient == "" {
		t.Errorf("%+v", s)
	}
}

func TestUnknownExtensionIsAFinding(t *testing.T) {
	s := readOne(t, proc("completed", `"extension":[{"url":"http://example.org/batch","valueString":"7"}]`))
	if len(s.Findings) != 1 || s.Findings[0].Words != "http://example.org/batch" || s.Findings[0].Severity != "information" {
		t.Errorf("%+v", s.Findings)
	}
}

func TestProcedureByCodeAloneNotDone(t *testing.T) {
	code := `"code":` + coded(codes.SNOMED, "25267002")
	if f := one(t, readOne(t, proc("not-done", code)), implant.Planned); f.Component.Kind != implant.OtherActive {
		t.Errorf("%+v", f)
	}
	s := readOne(t, proc("stopped", code))
	if len(facts(s, implant.Implanted)) > 0 || !hasDoubt(s, implant.AskNotDone) {
		t.Errorf("%+v", s.Facts)
	}
}

func TestSitesThatDisagree(t *testing.T) {
	s := readOne(t, proc("completed", focal(coded(codes.DeviceAction, "implanted"))+`,"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"723979003","display":"right buttock"}]}]`))
	if f := one(t, s, implant.Implanted); f.Site.Side != "" || f.Site.Region != codes.Buttock || !hasDoubt(s, implant.AskSideConflict) {
		t.Errorf("%+v %v", f.Site, doubts(s))
	}
	s = readOne(t, proc("completed", focal(coded(codes.DeviceAction, "implanted"))+`,"bodySite":[{"text":"left L3"},{"text":"right buttock"}]`))
	if f := one(t, s, implant.Implanted); f.Site.Side != "" || f.Site.Region != "" || f.Site.Words != "left L3; right buttock" || hasDoubt(s, implant.AskSideConflict) {
		t.Errorf("%+v %v", f.Site, doubts(s))
	}
	s = readOne(t, proc("completed", focal(coded(codes.DeviceAction, "implanted"))+`,"bodySite":[{"coding":[{"system":"http://example.org/sites","code":"Z9"}]}]`))
	if f := one(t, s, implant.Implanted); f.Site.Words != "http://example.org/sites|Z9" {
		t.Errorf("%+v", f.Site)
	}
}
