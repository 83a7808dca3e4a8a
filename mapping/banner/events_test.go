package banner

import (
	"strings"
	"testing"

	"gaussline/mapping/implant"
)

// A removal that the record does not believe is not told as one. Common practice, no source; a
// removal is believed only on evidence that names what was removed whole.
func TestEventsDoNotTellAnUnconfirmedRemovalAsOne(t *testing.T) {
	for state, want := range map[implant.State]string{
		implant.RemovedWhole:    "2026-05-01: explanted whole; taken out: Lead L1",
		implant.ReportedRemoved: "2026-05-01: reported explanted whole, UNCONFIRMED; reported out, UNCONFIRMED: Lead L1",
		implant.RemovedInPart:   "2026-05-01: reported explanted whole, UNCONFIRMED; out IN PART, fragment retained: Lead L1",
		implant.StateUnknown:    "2026-05-01: reported explanted whole, UNCONFIRMED; reported out, UNCONFIRMED: Lead L1",
		implant.Connected:       "2026-05-01: reported explanted whole, UNCONFIRMED; reported out, UNCONFIRMED: Lead L1",
		implant.SoughtNotFound:  "2026-05-01: reported explanted whole, UNCONFIRMED; reported out, UNCONFIRMED: Lead L1",
	} {
		rec := implant.Record{Parts: []implant.Part{{ID: "l", State: state, Component: implant.Component{Kind: implant.Lead, Model: "L1"}}},
			Events: []implant.Event{{Kind: implant.EventExplanted, At: "2026-05-01", Out: []string{"l"}}}}
		if got := strings.Join(Events(rec), "\n"); got != want {
			t.Errorf("%s:\n got %s\nwant %s", state, got, want)
		}
	}
	rec := implant.Record{Parts: []implant.Part{{ID: "l", State: implant.ReportedRemoved, Component: implant.Component{Kind: implant.Lead, Model: "L1"}}},
		Events: []implant.Event{{Kind: implant.EventPartlyExplanted, Out: []string{"l", "not in the record"}, In: []string{"l"}, Parts: []string{"l"}, Reasons: []string{"lost-relief", "mr-needed"}}}}
	if got, want := Events(rec)[0], "date not known: PARTLY explanted; put in: Lead L1; reported out, UNCONFIRMED: Lead L1; reported out, UNCONFIRMED: A part; concerns: Lead L1; reason: lost relief; reason: MR needed"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// The sentence on a verdict outside the labelling is true where no label names any part: it claims no set that exists.
func TestOutsideClaimsNoLabelThatExists(t *testing.T) {
	m := Meaning("outside-label")
	if strings.Contains(m, "exists") || !strings.HasPrefix(m, "No labelled set of conditions") || !strings.Contains(m, "left in place") || !strings.Contains(m, "The MR medical director decides.") {
		t.Error(m)
	}
}
