package opnote

import (
	"testing"

	"gaussline/mapping/implant"
)

// Sentences that hold the words of a removal and tell of none. Common practice, no source; written as a list of ways to
// be misread, before the rules that they test.
func TestNotTakenOut(t *testing.T) {
	for _, c := range []struct{ typ, title, text string }{
		{TypeProcedure, "Revision", "The generator was removed from its pocket, cleaned, and reinserted."},
		{TypeProcedure, "Revision", "Leads were drawn out of the pocket and cleaned, then plugged into the new extension."},
		{TypeProcedure, "Revision", "The lead had pulled out of its anchor and was advanced again."},
		{TypeProcedure, "Revision", "The lead was freed and pulled out of the extension."},
		{TypeProcedure, "Fusion", "The leads were retracted out of the field with a vessel loop."},
		{TypeProcedure, "Decompression", "The paddle was elevated, the bone beneath it removed, and the paddle returned."},
		{TypeProcedure, "Revision", "Battery came out easily for inspection and went back in."},
		{TypeProcedure, "Revision", "The generator, which I had in my hand at that point still wired, was dropped back in its pocket."},
		{TypeProcedure, "Implant", "Excess lead was removed from the pocket and coiled."},
		{TypeProcedure, "Implant", "Guidewire in, dilators up, wire out."},
		{TypeProcedure, "Refill", "The pump was emptied and the old drug taken out."},
		{TypeProcedure, "Explant", "Patient arrived for lead explant and IPG removal. Case cancelled before anaesthesia."},
		{TypeDischarge, "Discharge", "The generator was lifted out, rinsed, and put back where it had been."},
		{TypeClinic, "Review", "The stimulator was taken off the list of reasons."},
		{TypeClinic, "Review", "The lead came out of position. The stim cut out yesterday."},
		{TypeUnknown, "", "Has a stimulator. Battery removed from hearing aid."},
		{TypeUnknown, "", "Pump alarm removed from wrist."},
		{TypeImaging, "CT", "Leads have been removed from the field of view by cropping."},
	} {
		for _, f := range Read(Note{Type: c.typ, Title: c.title, Text: c.text, Date: "2026-05-03"}).Findings {
			if fact(&f) && (f.Kind == implant.Removed || f.Kind == implant.ReportedGone) && f.Component.Kind != implant.Anchor {
				t.Errorf("%q gives %s %s (%s)", c.text, f.Kind, f.Component.Kind, f.Why)
			}
		}
	}
}

// A part whose name or whose sentence is unusual is or may be in place.
func TestUnusualNamesAreThere(t *testing.T) {
	for _, c := range []struct {
		typ, text string
		kind      implant.Kind
	}{
		{TypeUnknown, "PMH: T2DM, \"nerve zapper\" implanted 2022 Leeds, R hip pocket.", implant.Unidentified},
		{TypeUnknown, "\"Tens thing sewn in\" in her back.", implant.Unidentified},
		{TypeUnknown, "There is a box in my tummy that drips the spasm medicine.", implant.Pump},
		{TypeClinic, "Dear Colleague,\nMrs W has her cord stimulator (2018) switched off.", implant.Generator},
		{TypeImaging, "A ring-like density at L1 may be an anchor.", implant.Anchor},
		{TypeProcedure, "A lead was delivered to the left L2 medial branch, and its fellow to the right.", implant.Lead},
		{TypeProcedure, "The intrathecal catheter was cracked. I tied it off and left it.", implant.Catheter},
		{TypeClinic, "If her stimulator troubles her she will ring.", implant.Generator},
	} {
		found := false
		for _, f := range Read(Note{Type: c.typ, Text: c.text, Date: "2026-05-03"}).Findings {
			found = found || fact(&f) && presenceKinds[string(f.Kind)] && f.Component.Kind == c.kind
		}
		if !found {
			t.Errorf("%q: no %s that is or may be in place", c.text, c.kind)
		}
	}
}
