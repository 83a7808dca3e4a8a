package intake

import (
	"slices"
	"testing"

	"gaussline/mapping/implant"
)

// What tells of an implant in passing makes it possible; what denies it, measures something or was an error does not.
// The elements are those of HL7 FHIR R4; which words speak of an implant is tried in package opnote.
func TestToldInPassing(t *testing.T) {
	const (
		about = `,"subject":{"reference":"Patient/p"},`
		order = `{"resourceType":"ServiceRequest","id":"o","status":"active","intent":"order","code":{"text":"MRI knee"}` + about
		xray  = `{"resourceType":"DiagnosticReport","id":"d","status":"final","code":{"text":"X-ray lumbar spine"}` + about
	)
	for name, tc := range map[string]struct {
		raw  string
		want implant.Kind
	}{
		"problem":                     {`{"resourceType":"Condition","id":"c"` + about + `"code":{"coding":[{"display":"Presence of neurostimulator"}]}}`, implant.Generator},
		"problem, in German":          {`{"resourceType":"Condition","id":"c"` + about + `"code":{"text":"Rückenmarkstimulator in situ"}}`, implant.Generator},
		"problem, note":               {`{"resourceType":"Condition","id":"c"` + about + `"code":{"text":"Back pain"},"note":[{"text":"Has an intrathecal pump."}]}`, implant.Pump},
		"problem without an implant":  {`{"resourceType":"Condition","id":"c"` + about + `"code":{"text":"Chronic low back pain"}}`, ""},
		"problem refuted":             {`{"resourceType":"Condition","id":"c"` + about + `"verificationStatus":{"coding":[{"code":"refuted"}]},"code":{"text":"Presence of neurostimulator"}}`, ""},
		"problem in error":            {`{"resourceType":"Condition","id":"c"` + about + `"verificationStatus":{"coding":[{"code":"entered-in-error"}]},"code":{"text":"Presence of neurostimulator"}}`, ""},
		"flag":                        {`{"resourceType":"Flag","id":"f","status":"active"` + about + `"code":{"text":"Implanted spinal cord stimulator"}}`, implant.Generator},
		"our own flag":                {`{"resourceType":"Flag","id":"f","status":"active"` + about + `"code":{"coding":[{"system":"` + implant.VerdictSystem + `","code":"outside-label"}],"text":"IMPLANT IN PLACE: OUTSIDE THE MR LABELLING"}}`, ""},
		"observed":                    {`{"resourceType":"Observation","id":"o","status":"final"` + about + `"code":{"text":"Implanted neurostimulator"},"valueBoolean":true}`, implant.Generator},
		"observed, by name":           {`{"resourceType":"Observation","id":"o","status":"final"` + about + `"code":{"text":"Retained lead fragment"}}`, implant.Lead},
		"observed, in its value":      {`{"resourceType":"Observation","id":"o","status":"final"` + about + `"code":{"text":"Finding"},"valueString":"Pulse generator over the left iliac wing"}`, implant.Generator},
		"observed, in a component":    {`{"resourceType":"Observation","id":"o","status":"final"` + about + `"code":{"text":"MR screening"},"component":[{"code":{"text":"Pacemaker"},"valueCodeableConcept":{"text":"Yes"}}]}`, implant.OtherActive},
		"observed absent":             {`{"resourceType":"Observation","id":"o","status":"final"` + about + `"code":{"text":"Implanted neurostimulator"},"valueBoolean":false}`, ""},
		"measured without a category": {`{"resourceType":"Observation","id":"o","status":"final"` + about + `"code":{"text":"Lead in blood"},"valueQuantity":{"value":12}}`, ""},
		"asked, yes":                  {`{"resourceType":"QuestionnaireResponse","id":"q","status":"completed"` + about + `"item":[{"linkId":"1","item":[{"linkId":"1.1","text":"Do you have a nerve stimulator?","answer":[{"valueBoolean":true}]}]}]}`, implant.Generator},
		"asked, no":                   {`{"resourceType":"QuestionnaireResponse","id":"q","status":"completed"` + about + `"item":[{"linkId":"1","text":"Do you have a nerve stimulator?","answer":[{"valueBoolean":false}]}]}`, ""},
		"asked, coded no":             {`{"resourceType":"QuestionnaireResponse","id":"q","status":"completed"` + about + `"item":[{"linkId":"1","text":"Pacemaker?","answer":[{"valueCoding":{"display":"No"}}]}]}`, ""},
		"asked, no, of a pump":        {`{"resourceType":"QuestionnaireResponse","id":"q","status":"completed"` + about + `"item":[{"linkId":"1","text":"Do you have a pump for medicines?","answer":[{"valueBoolean":false}]}]}`, ""},
		"asked, not answered":         {`{"resourceType":"QuestionnaireResponse","id":"q","status":"completed"` + about + `"item":[{"linkId":"1","text":"Do you have a nerve stimulator?"}]}`, ""},
		"reason, display":             {order + `"reasonCode":[{"coding":[{"display":"Neurostimulator in situ"}]}]}`, implant.Generator},
		"instruction":                 {order + `"patientInstruction":"Bring the remote control of your spinal cord stimulator."}`, implant.Generator},
		"supporting information":      {order + `"supportingInfo":[{"display":"Implanted spinal cord stimulator"}]}`, implant.Generator},
		"reason, by reference":        {order + `"reasonReference":[{"display":"Spinal cord stimulator in situ"}]}`, implant.Generator},
		"reason, contained":           {order + `"contained":[{"resourceType":"Condition","id":"c","code":{"text":"Spinal cord stimulator in situ"}` + about + `"clinicalStatus":{"coding":[{"code":"active"}]}}],"reasonReference":[{"reference":"#c"}]}`, implant.Generator},
		"order without":               {order + `"reasonCode":[{"coding":[{"display":"Low back pain"}]}]}`, ""},
		"conclusion, coded":           {xray + `"conclusionCode":[{"text":"Retained lead fragment L3"}]}`, implant.Lead},
		"result, contained":           {xray + `"contained":[{"resourceType":"Observation","id":"o","status":"final","code":{"text":"Finding"},"valueString":"Pulse generator over left iliac wing"}],"result":[{"reference":"#o"}]}`, implant.Generator},
		"report, narrative alone":     {xray + `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Pulse generator over the left iliac wing.</div>"}}`, implant.Generator},
		"item used":                   {`{"resourceType":"Procedure","id":"x","status":"completed","code":{"text":"Pain procedure"}` + about + `"usedCode":[{"text":"Spinal cord stimulator lead"}]}`, implant.Lead},
	} {
		s := readOne(t, tc.raw)
		i := slices.IndexFunc(s.Facts, func(f implant.Fact) bool { return f.Kind == implant.PresentByWord })
		switch {
		case tc.want == "" && i >= 0:
			t.Errorf("%s: %+v", name, s.Facts[i])
		case tc.want != "" && (i < 0 || s.Facts[i].Component.Kind != tc.want || s.Patient != "ehr|Patient/p"):
			t.Errorf("%s: %+v", name, s)
		}
	}
	it, err := item(`{"resourceType":"Observation","id":"l","status":"final","category":[{"coding":[{"code":"laboratory"}]}]` + about + `"code":{"text":"Lead"},"valueString":"positive"}`)
	if err != nil {
		t.Fatal(err)
	}
	if got := Read(Envelope{Sender: "ehr"}, []Item{it}); len(got) != 0 {
		t.Errorf("a laboratory value: %+v", got)
	}
}
