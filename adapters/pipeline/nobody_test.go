package pipeline_test

import (
	"testing"

	"gaussline/adapters/pipeline"
)

// What tells of an implant and names no patient is kept for a person to settle; what tells of none is not. FHIR R4
// lets an Observation be without a subject.
func TestToldOfNobody(t *testing.T) {
	w := newWorkbench(t)
	for body, want := range map[string]int{
		`{"resourceType":"Observation","id":"o","status":"final","code":{"text":"Retained lead fragment"}}`:                                                   1,
		`{"resourceType":"Observation","id":"o","status":"final","code":{"text":"Retained lead fragment"},"subject":{"reference":"Patient/1"}}`:               0,
		`{"resourceType":"Observation","id":"o","status":"final","code":{"text":"Gait"},"valueString":"steady"}`:                                              0,
		`{"resourceType":"Condition","id":"c","code":{"text":"Presence of neurostimulator"},"subject":{"display":"Invented Person"}}`:                         1,
		`{"resourceType":"Flag","id":"f","status":"active","code":{"text":"Implanted spinal cord stimulator"},"subject":{"display":"Invented Person"}}`:       1,
		`{"resourceType":"QuestionnaireResponse","id":"q","status":"completed","item":[{"linkId":"1","text":"Pacemaker?","answer":[{"valueBoolean":true}]}]}`: 1,
	} {
		m := pipeline.Message{ID: pipeline.MessageID("hillside", []byte(body)), Sender: "hillside", Body: []byte(body), ReceivedAt: storyTime}
		if got := w.Reader.Read(m).Rejects; len(got) != want {
			t.Errorf("%s: %d rejects, want %d", body, len(got), want)
		}
	}
}
