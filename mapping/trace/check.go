package trace

import "gaussline/mapping/implant"

// Place says where a part is, as recorded.
type Place string

// Places.
const (
	InPlace   Place = "in place"                    // or nothing believable says otherwise
	InPart    Place = "in place in part"            // a fragment is retained, or it was cut
	Doubted   Place = "reported out, not confirmed" // counts as in place
	WasThere  Place = "removed"
	NeverWent Place = "not implanted"
	Unsure    Place = "not known"
)

// PlaceOf gives the place of a part from its state.
func PlaceOf(s implant.State) Place {
	switch s {
	case implant.RemovedWhole:
		return WasThere
	case implant.NeverImplanted:
		return NeverWent
	case implant.ReportedRemoved, implant.SoughtNotFound, implant.RemovalToCome:
		return Doubted
	case implant.RemovedInPart, implant.Cut:
		return InPart
	case implant.Connected, implant.NotConnected, implant.Capped:
		return InPlace
	}
	return Unsure
}

// ToCheck lists what a person should do to settle an answer, in the order in which it helps.
func ToCheck(a Answer, s implant.State, deceased bool) (out []string) {
	say := map[string]string{
		"device":    "Read model and device identifier from the operation's label sheet, the patient's device card or the device's telemetry.",
		"lot":       "Read the lot from the operation's label sheet, the patient's device card or the supplier's delivery note.",
		"serial":    "Read the serial number from the operation's label sheet, the patient's device card or the device's telemetry.",
		"kind":      "Find out what kind of part it is: operation note or imaging.",
		"expiry":    "Read the expiry date from the operation's label sheet.",
		"implanted": "Find the date of implantation: operation note or theatre list.",
	}
	for _, f := range a.Fields {
		if f.Fits == implant.Maybe {
			out = append(out, say[f.Name])
		}
	}
	switch PlaceOf(s) {
	case Doubted, Unsure:
		out = append(out, "Confirm by operation note or imaging whether the part is still in the body.")
	case InPart:
		out = append(out, "A piece is retained: find out which from the operation note.")
	case WasThere:
		out = append(out, "Find out where the removed part went: kept, returned to the maker, or disposed of.")
	case NeverWent:
		out = append(out, "Recorded as not implanted: find out where the part went.")
	}
	if deceased {
		out = append(out, "The patient is recorded as dead: check before anybody is written to.")
	}
	return out
}
