package pipeline_test

import (
	"context"
	"strings"
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

const icd10cm = `"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":`

// Senders tell of implants in resources of many types, in words or in codes. The elements are those of HL7 FHIR R4, the
// ICD-10-CM codes those of the codes table with its sources; what each should lead to is the house rule: possible, never
// certain, and an order is a plan.
func TestToldElsewhere(t *testing.T) {
	nothing, open := string(mri.KindNothing), string(mri.KindNotEstablished)
	for name, c := range map[string]struct {
		rs     []string
		kind   string
		states string
		asks   implant.QuestionCode
	}{
		"assessed":             {[]string{res("ClinicalImpression", "x", "2026-05-01", `"status":"completed","summary":"Spinal cord stimulator in situ, working well."`)}, open, "generator unknown", ""},
		"assessed, finding":    {[]string{res("ClinicalImpression", "x", "2026-05-01", `"status":"completed","finding":[{"itemCodeableConcept":{"text":"Intrathecal pump in situ"}}]`)}, open, "pump unknown", ""},
		"assessed, error":      {[]string{res("ClinicalImpression", "x", "2026-05-01", `"status":"entered-in-error","summary":"Spinal cord stimulator in situ."`)}, nothing, "", ""},
		"plan of care":         {[]string{res("CarePlan", "x", "2026-05-01", `"status":"active","intent":"plan","description":"Patient has an implanted neurostimulator"`)}, open, "generator unknown", ""},
		"plan of care, to do":  {[]string{res("CarePlan", "x", "2026-05-01", `"status":"active","intent":"plan","activity":[{"detail":{"status":"not-started","description":"Plan to implant a spinal cord stimulator."}}]`)}, nothing, "", ""},
		"allergy list":         {[]string{res("AllergyIntolerance", "x", "2026-05-01", `"code":{"text":"Spinal cord stimulator: no MRI"}`)}, open, "generator unknown", ""},
		"allergy":              {[]string{res("AllergyIntolerance", "x", "2026-05-01", `"code":{"text":"Penicillin"}`)}, nothing, "", ""},
		"visit":                {[]string{`{"resourceType":"Encounter","id":"x","status":"finished","class":{"code":"AMB"},"subject":` + ofPatient + `,"reasonCode":[{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"Z45.42"}]}]}`}, open, "generator unknown", ""},
		"ordered":              {[]string{res("DeviceRequest", "x", "2026-05-01", `"status":"active","intent":"order","authoredOn":"2026-05-01","codeCodeableConcept":{"text":"Spinal cord stimulator"}`)}, nothing, "", implant.AskOrdered},
		"ordered, put in":      {told(system(), []string{res("DeviceRequest", "x", "2024-02-01", `"status":"active","intent":"order","authoredOn":"2024-02-01","codeCodeableConcept":{"text":"Spinal cord stimulator"}`)}), "", "g connected, l connected, r connected", ""},
		"ordered, completed":   {[]string{res("DeviceRequest", "x", "2026-05-01", `"status":"completed","intent":"order","codeCodeableConcept":{"text":"Spinal cord stimulator"}`)}, open, "generator unknown", ""},
		"ordered, revoked":     {[]string{res("DeviceRequest", "x", "2026-05-01", `"status":"revoked","intent":"order","codeCodeableConcept":{"text":"Spinal cord stimulator"}`)}, nothing, "", ""},
		"ordered, and has one": {[]string{res("DeviceRequest", "x", "2026-05-01", `"status":"active","intent":"order","codeCodeableConcept":{"text":"Wheelchair"},"note":[{"text":"Has a sacral nerve stimulator."}]`)}, open, "other-active unknown", ""},
		"wheelchair":           {[]string{res("DeviceRequest", "x", "2026-05-01", `"status":"active","intent":"order","codeCodeableConcept":{"text":"Wheelchair"}`)}, nothing, "", ""},
		// Types that are not read leave a question where their words tell of an implant, and only then.
		"study":          {[]string{res("ImagingStudy", "x", "2026-05-01", `"status":"available","description":"XR spine: two epidural leads at T8"`)}, open, "", implant.AskToldElsewhere},
		"picture":        {[]string{res("Media", "x", "2026-05-01", `"status":"completed","content":{"contentType":"image/png"},"note":[{"text":"Scar over the pulse generator, left buttock."}]`)}, open, "", implant.AskToldElsewhere},
		"claim, by code": {[]string{res("EpisodeOfCare", "x", "2026-05-01", `"status":"active","diagnosis":[{"condition":{"display":"x"},"role":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"Z96.82"}]}}]`)}, "", "", ""},
		"consent":        {[]string{res("Consent", "x", "2026-05-01", `"status":"active","scope":{"text":"Consent for implantation of a spinal cord stimulator"}`)}, nothing, "", ""},
		"in error":       {[]string{res("ImagingStudy", "x", "2026-05-01", `"status":"entered-in-error","description":"two epidural leads"`)}, nothing, "", ""},
		"the mother":     {[]string{`{"resourceType":"FamilyMemberHistory","id":"x","status":"completed","patient":` + ofPatient + `,"relationship":{"text":"mother"},"note":[{"text":"Has a spinal cord stimulator."}]}`}, nothing, "", ""},
		"other matters":  {[]string{res("Communication", "x", "2026-05-01", `"status":"completed","payload":[{"contentString":"Please call about the appointment"}]`)}, nothing, "", ""},
		// Codes alone.
		"problem Z96.82":   {[]string{res("Condition", "x", "2026-05-01", icd10cm+`"Z96.82"}]}`)}, open, "generator unknown", ""},
		"problem T85.112A": {[]string{res("Condition", "x", "2026-05-01", icd10cm+`"T85.112A"}]}`)}, open, "lead unknown", ""},
		"problem I10":      {[]string{res("Condition", "x", "2026-05-01", icd10cm+`"I10"}]}`)}, nothing, "", ""},
		"problem refuted":  {[]string{res("Condition", "x", "2026-05-01", icd10cm+`"Z96.82"}]},"verificationStatus":{"coding":[{"code":"refuted"}]}`)}, nothing, "", ""},
		"value, SNOMED":    {[]string{res("Observation", "x", "2026-05-01", `"status":"final","code":{"text":"Finding"},"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"25937001"}]}`)}, open, "generator unknown", ""},
		"absent, SNOMED":   {[]string{res("Observation", "x", "2026-05-01", `"status":"final","code":{"text":"Absence of"},"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"25937001"}]}`)}, nothing, "", ""},
	} {
		o := tellStory(t, c.rs...)
		if c.kind != "" && o.kind != c.kind || c.states != o.states() || c.asks != "" && !o.asks(c.asks) {
			t.Errorf("%s: %s, %q\n%s", name, o.kind, o.states(), o.banner)
		}
		for _, q := range []implant.QuestionCode{implant.AskOrdered, implant.AskToldElsewhere} {
			if c.asks != q && o.asks(q) && name != "claim, by code" {
				t.Errorf("%s: asks %s", name, q)
			}
		}
	}
	if o := tellStory(t, res("EpisodeOfCare", "x", "2026-05-01", `"status":"active","diagnosis":[{"condition":{"display":"x"},"role":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"Z96.82"}]}}]`)); !o.asks(implant.AskToldElsewhere) {
		t.Errorf("a code in a type that is not read: %s", o.banner)
	}
}

// A resource that could not be read leaves a mark on the record where it may have told of an implant, or nobody can know;
// one whose words can all be seen and name no part does not. The refusal is kept in any case. The rule is ours.
func TestMarkOfWhatCouldNotBeRead(t *testing.T) {
	bad := `,"status":"bogus"`
	for name, c := range map[string]struct {
		raw  string
		mark bool
	}{
		"problem of a stimulator":    {res("Condition", "x", "2026-05-01", `"code":["spinal cord stimulator"]`), true},
		"problem, other language":    {res("Condition", "x", "2026-05-01", `"code":["Rückenmarkstimulator"]`), true},
		"problem of blood pressure":  {res("Condition", "x", "2026-05-01", `"code":["essential hypertension"]`), false},
		"problem by code":            {res("Condition", "x", "2026-05-01", `"severity":7,"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"Z96.82"}]},"note":[{"text":"see chart"}]`), true},
		"problem without words":      {res("Condition", "x", "2026-05-01", `"severity":7,"code":{"coding":[{"system":"urn:x","code":"7"}]}`), true},
		"observed":                   {res("Observation", "x", "2026-05-01", `"code":{"text":"Finding"},"valueString":"Two leads at T8"`+bad), true},
		"observed, sodium":           {res("Observation", "x", "2026-05-01", `"code":{"text":"Sodium in serum"}`+bad), false},
		"laboratory, lead":           {res("Observation", "x", "2026-05-01", `"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"laboratory"}]}],"code":{"text":"Lead in blood"}`+bad), false},
		"flag":                       {res("Flag", "x", "2026-05-01", `"code":{"text":"Neurostimulator"}`+bad), true},
		"flag, fall":                 {res("Flag", "x", "2026-05-01", `"code":{"text":"Risk of falls"}`+bad), false},
		"answers":                    {res("QuestionnaireResponse", "x", "2026-05-01", `"item":[{"linkId":"1","text":"Implants?","answer":[{"valueString":"pacemaker"}]}]`+bad), true},
		"answers of another subject": {res("QuestionnaireResponse", "x", "2026-05-01", `"item":[{"linkId":"1","text":"Do you smoke?","answer":[{"valueString":"never"}]}]`+bad), false},
		"cut off":                    {strings.TrimSuffix(res("Flag", "x", "2026-05-01", `"code":{"text":"Risk of falls"}`), "}}"), true},
		"procedure":                  {res("Procedure", "x", "2026-05-01", `"code":{"text":"Appendicectomy"}`+bad), true},
	} {
		w := newWorkbench(t)
		w.tell(t, resourceMessage("hillside", patient1()), resourceMessage("hillside", c.raw))
		var rec implant.Record
		var rejects []pipeline.Rejected
		ctx := context.Background()
		err := w.Store.View(ctx, func(r pipeline.Reader) (err error) {
			if rec, err = r.Record(ctx, "hillside|Patient/1"); err != nil {
				return err
			}
			rejects, err = r.Rejects(ctx, "")
			return err
		})
		o := outcome{rec: rec}
		if err != nil || len(rejects) != 1 || o.asks(implant.AskMessageUnread) != c.mark {
			t.Errorf("%s: %d rejects, questions %+v (%v)", name, len(rejects), rec.Questions, err)
		}
	}
}

// A problem list still names what was taken out. Recorded before the removal, the entry is asked about and settles
// nothing; what nothing dates, and what is recorded afterwards, keeps the cautious reading. The rule is ours.
func TestProblemListAfterTheRemoval(t *testing.T) {
	nothing, open := string(mri.KindNothing), string(mri.KindNotEstablished)
	entry := `"code":{"text":"Spinal cord stimulator in situ"}`
	for name, c := range map[string]struct {
		raw, kind string
		asks      implant.QuestionCode
		quiet     bool
	}{
		"recorded before":           {res("Condition", "x", "2026-05-01", `"recordedDate":"2024-05-01",`+entry), nothing, implant.AskStillListed, false},
		"last written before":       {res("Condition", "x", "2025-05-01", entry), nothing, implant.AskStillListed, false},
		"by code, recorded before":  {res("Condition", "x", "", `"recordedDate":"2024-05-01",`+icd10cm+`"Z96.82"}]}`), nothing, implant.AskStillListed, false},
		"taken off the list":        {res("Condition", "x", "", `"recordedDate":"2024-05-01","clinicalStatus":{"coding":[{"code":"resolved"}]},`+entry), nothing, "", true},
		"no date at all":            {res("Condition", "x", "", entry), open, implant.AskStatesConflict, false},
		"recorded after":            {res("Condition", "x", "", `"recordedDate":"2026-03-01",`+entry), open, implant.AskIdentityUnknown, false},
		"last written after":        {res("Condition", "x", "2026-05-01", entry), open, implant.AskIdentityUnknown, false},
		"recorded in the same year": {res("Condition", "x", "", `"recordedDate":"2026",`+entry), open, implant.AskStatesConflict, false},
	} {
		o := tellStory(t, told(system(), []string{allOut(""), c.raw})...)
		if o.kind != c.kind || c.asks != "" && !o.asks(c.asks) || c.quiet && len(o.rec.Questions) > 0 {
			t.Errorf("%s: %s\n%s", name, o.kind, o.banner)
		}
		if c.asks == implant.AskStillListed && !strings.Contains(o.banner, "An undated problem-list entry, recorded before the removal, still names an implant. (recorded 202") {
			t.Errorf("%s:\n%s", name, o.banner)
		}
	}
	// While a part is in, the entry is no news.
	if o := tellStory(t, told(system(), []string{res("Condition", "x", "2025-05-01", entry)})...); o.asks(implant.AskStillListed) {
		t.Errorf("nothing was removed:\n%s", o.banner)
	}
}
