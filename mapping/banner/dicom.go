package banner

import (
	"encoding/json"
	"fmt"
	"strings"
	"unicode/utf8"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// Limits of DICOM value representations, in characters (DICOM PS3.5, table 6.2-1, seen through secondary summaries).
const (
	maxLO = 64
	maxLT = 10240
	// maxAlerts is how many values of Medical Alerts are sent; the headline is the first, what is left out is counted.
	maxAlerts = 16
)

// alerts are the first values of Medical Alerts, each at most 64 characters and complete by itself: a worklist may
// show only the first, or only its beginning.
var alerts = map[mri.Kind]string{
	mri.KindUnsafe:         "MR UNSAFE implant component is, or may be, in place",
	mri.KindOutside:        "IMPLANT OUTSIDE MR LABELLING: ask MR medical director first",
	mri.KindWithinIf:       "IMPLANT: CONFIRM ALL POINTS of the note before any MR",
	mri.KindNotEstablished: "IMPLANT? MR STATUS NOT ESTABLISHED: identify first",
	mri.KindNothing:        "Nothing recorded; NOT proof of none: screen the patient",
}

// withdrawnAlert stands in place of the alerts of an order that is over.
const withdrawnAlert = "Implant note of this order withdrawn; implant record stands"

// stateAlerts put the state of a part first and short, so that a cut loses the model and not the warning.
var stateAlerts = map[implant.State]string{
	implant.Connected: "IN PLACE", implant.NotConnected: "NOT CONNECTED", implant.Capped: "CAPPED", implant.Cut: "CUT, REST IN PLACE",
	implant.RemovedInPart: "FRAGMENT LEFT", implant.ReportedRemoved: "REMOVAL UNCONFIRMED", implant.SoughtNotFound: "NOT FOUND",
	implant.RemovalToCome: "IN PLACE, REMOVAL AHEAD", implant.StateUnknown: "STATE UNKNOWN",
}

// Alerts gives the values of Medical Alerts (0010,2000), LO, VM 1-n: the warning first, then what is in the body.
// Each value is at most 64 characters, without backslash or control characters. None is cut so that its warning is
// lost: a part's state stands before its name, and what is left out is counted.
func Alerts(n Note, withdrawn bool) []string {
	if withdrawn {
		return []string{withdrawnAlert}
	}
	n.Record = recordAsOf(n)
	out := []string{known2(alerts[n.Verdict.Kind], alerts[mri.KindNotEstablished])}
	var parts []string
	for _, p := range sortedParts(n.Record, true) {
		parts = append(parts, lo(partAlert(p)))
	}
	if room := maxAlerts - 3; len(parts) > room {
		parts = append(parts[:room], fmt.Sprintf("AND %d MORE PARTS: read the note on the order", len(parts)-room))
	}
	out = append(out, parts...)
	if len(n.Record.Questions) > 0 {
		out = append(out, fmt.Sprintf("%d OPEN QUESTIONS on the implant record: read the note", len(n.Record.Questions)))
	}
	return out
}

func partAlert(p *implant.Part) string {
	place := known2(strings.Join(placeWords(p.Site), " "), "place not known")
	return known2(stateAlerts[p.State], "STATE UNKNOWN") + ": " + KindName(p.Component.Kind) + ", " + place + ", " + known2(p.Component.Model, "model not known")
}

// lo makes a value of LO: no backslash, no control character, at most 64 characters; a cut ends in "...".
func lo(s string) string {
	s = strings.TrimSpace(strings.ReplaceAll(oneLine(s), "\\", "/"))
	if utf8.RuneCountInString(s) <= maxLO {
		return s
	}
	return string([]rune(s)[:maxLO-3]) + "..."
}

// comment makes the text for a comment attribute, LT: lines end in CR LF, at most 10,240 characters. A longer note
// begins with a headline that stands alone and says that it is not complete, and ends at the end of a line.
func comment(text, alone string) string {
	text = strings.ReplaceAll(strings.TrimRight(text, "\n"), "\n", "\r\n")
	if utf8.RuneCountInString(text) <= maxLT {
		return text
	}
	lines := strings.Split(text, "\r\n")
	out := alone + "\r\nNOT COMPLETE: too long for this field. Read the whole note on the order."
	left := maxLT - utf8.RuneCountInString(out)
	for _, l := range lines[1:] {
		if left -= utf8.RuneCountInString(l) + 2; left < 0 {
			break
		}
		out += "\r\n" + l
	}
	return out
}

// DICOM gives what a modality worklist item can carry, in the DICOM JSON model (PS3.18 Annex F): Medical Alerts and
// Requested Procedure Comments (0040,1400), in UTF-8. The caller adds who and which procedure the item is about.
func DICOM(n Note, withdrawn bool) ([]byte, error) {
	attribute := func(vr string, values ...string) object { return object{"vr": vr, "Value": values} }
	return json.Marshal(object{
		"00080005": attribute("CS", "ISO_IR 192"),
		"00102000": attribute("LO", Alerts(n, withdrawn)...),
		"00401400": attribute("LT", comment(Text(n, withdrawn), strings.ToUpper(Headline(n.Verdict.Kind)))),
	})
}
