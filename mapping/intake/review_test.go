package intake

import (
	"slices"
	"testing"

	"gaussline/mapping/implant"
)

// An explant that is "completed" on a day after its source last wrote it has not happened by what the source knows:
// it takes nothing out. Removal is believed only on evidence (design, the rule of the record).
func TestRemovalDatedAfterItWasWritten(t *testing.T) {
	for on, whole := range map[string]bool{"2026-03-01": true, "2026-03-02": true, "2026-03": true, "2027-03-01": false} {
		s := readOne(t, `{"resourceType":"Procedure","id":"x","meta":{"lastUpdated":"2026-03-01T10:00:00Z"},"status":"completed","subject":{"reference":"Patient/p"},
			"performedDateTime":"`+on+`","focalDevice":[{"action":{"coding":[{"system":"http://hl7.org/fhir/device-action","code":"explanted"}]},"manipulated":{"reference":"Device/d"}}]}`)
		i := slices.IndexFunc(s.Facts, func(f implant.Fact) bool { return f.Kind == implant.Removed })
		if i < 0 || (s.Facts[i].Value == "whole") != whole {
			t.Errorf("%s: %+v", on, s.Facts)
		}
		asked := slices.ContainsFunc(s.Facts, func(f implant.Fact) bool { return f.Value == string(implant.AskDateDoubtful) })
		if asked == whole {
			t.Errorf("%s: asked %v", on, asked)
		}
	}
}
