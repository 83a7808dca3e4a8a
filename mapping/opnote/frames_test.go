package opnote

import (
	"strings"
	"testing"

	"gaussline/mapping/implant"
)

// Ways of writing that a part did not come out, or not here, or not yet. None may give a removal of it, in any kind of
// document. The wording is our own; that each is no removal is plain English.
const notRemoved = `We decided not to remove the PART.
I elected not to explant the PART.
No attempt was made to remove the PART.
The PART should be removed at some point.
The PART will be removed next week.
The PART is due to be removed.
The plan is for removal of the PART.
She is awaiting removal of the PART.
She wants the PART removed.
The PART might have to be removed.
The PART may need removing.
If the infection recurs the PART will need to be removed.
Unless it settles the PART must be removed.
Removal of the PART was considered but not undertaken.
Removal of the PART was declined.
He declined removal of the PART.
We talked about having the PART removed.
There was no need to remove the PART.
The PART did not need removing.
Rather than remove the PART we left it.
Instead of removing the PART we cleaned it.
The PART was to have been removed today.
The PART was never removed.
The PART has yet to be removed.
The PART has not yet been removed.
The PART remains to be removed.
The PART still needs to come out.
The PART could be removed at the same sitting.
Removing the PART would require a laminectomy.
The risks of removing the PART were explained.
It is not clear whether the PART was removed.
I do not know if they removed the PART.
Has the PART been removed?
Please remove the PART.
Referred for removal of the PART.
On the waiting list for PART removal.
Consent: removal of PART.
Her sister had a PART removed.
Another patient had the PART removed.
In general the PART is removed under sedation.
The manufacturer advises that the PART be removed before MRI.
The PART was dissected free but not removed.
It was decided to leave rather than remove the PART.
We were unable to remove the PART.
The PART was too adherent to be removed.
Attempted removal of the PART was unsuccessful.
We stopped short of removing the PART.
Prior to removal of the PART bloods will be taken.
The dressing was removed from over the PART.
The sutures holding the PART were removed.
The cap was removed from the PART.
All but the PART was removed.
Everything except the PART was removed.
Explant of the PART postponed.
PART removal abandoned.
TCI 12 June for PART removal.
Date for PART removal: 3 July.
The PART to be taken out when the infection settles.
Return to theatre in two weeks for removal of the PART.
Next step: PART extraction.
For PART removal.
PART removed: no
[ ] PART removed  [x] PART left in place`

// Ways of writing that a part is or may be there. Each must give a finding that says so.
const inPlace = `The PART is still in place.
PART in situ.
There is a PART in the left flank.
Has a PART.
She has had a PART since 2019.
Status post PART placement 2018.
PART implanted 2017.
PART put in by Dr Smith in 2016.
The PART was not removed.
The PART was left alone.
The PART was not touched.
The PART is working well.
The PART no longer works.
The PART was switched off.
The PART is palpable.
Pain over the PART.
The PART was replaced in 2020.
We could not find the PART.
The PART could not be removed.
Possible PART on the film.
Cannot exclude a retained PART.
Old PART noted.
Please note this patient has a PART.
PART: yes
[x] PART
Unchanged position of the PART.
Nothing was done to the PART.
Only the PART was left.
Everything was removed apart from the PART.
The surgeon did not take out the PART.
He thinks the PART is still there.
It is not known whether the PART is still there.
Diathermy avoided because of the PART.
PART serial 12345.
PART card shown.
New PART implanted today.
Removal of the PART was deferred.
Listed for removal of the PART.
If the PART is removed we can scan.`

var frameParts = []string{"generator", "lead", "stimulator", "pump", "extension", "IPG", "electrode", "battery", "paddle lead", "neurostimulator"}

// eachFrame reads every frame with every part in every kind of document.
func eachFrame(frames string, f func(text, part string, fs []Finding)) {
	for _, frame := range strings.Split(frames, "\n") {
		for _, part := range frameParts {
			text := "The patient is well known to us.\n\n" + strings.ReplaceAll(frame, "PART", part)
			for _, typ := range []string{TypeProcedure, TypeDischarge, TypeClinic, TypeImaging, TypeUnknown} {
				f(typ+": "+text, part, Read(Note{Text: text, Type: typ, Date: "2026-05-03"}).Findings)
			}
		}
	}
}

func TestNotRemovedIsNoRemoval(t *testing.T) {
	eachFrame(notRemoved, func(text, part string, fs []Finding) {
		for i := range fs {
			f := &fs[i]
			if fact(f) && (f.Kind == implant.Removed || f.Kind == implant.ReportedGone) && strings.Contains(f.Component.Words, part) {
				t.Errorf("%q gives %s (%s)", text, f.Kind, f.Why)
			}
		}
	})
}

func TestInPlaceIsFound(t *testing.T) {
	eachFrame(inPlace, func(text, part string, fs []Finding) {
		for i := range fs {
			if fact(&fs[i]) && presenceKinds[string(fs[i].Kind)] {
				return
			}
		}
		t.Errorf("%q: nothing in place", text)
	})
}
