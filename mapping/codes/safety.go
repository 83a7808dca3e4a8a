package codes

import (
	"strings"

	"gaussline/mapping/implant"
)

// Source: FHIR R4 ValueSet-device-safety.json; the two latex codes of that set say nothing about MR.
var mrSafety = map[string]implant.MRStatus{
	"C106045": implant.MRSafe,
	"C106046": implant.MRConditional,
	"C106047": implant.MRUnsafe,
	"C113844": implant.LabelSilent,
}

var otherSafety = map[string]bool{
	"C101673": true, // contains natural rubber latex
	"C106038": true, // not made with natural rubber latex
}

// MRSafety gives the MR status that an NCI Thesaurus code of the device-safety value set states, under any
// spelling of its system.
func MRSafety(c implant.Code) (implant.MRStatus, bool) {
	system, code := key(c)
	if system != NCIt {
		return "", false
	}
	s, ok := mrSafety[strings.ToUpper(code)]
	return s, ok
}

// MRSafetyCode gives the code for an MR status in the system that FHIR R4 names; ok is false for statuses that
// the value set has no code for.
func MRSafetyCode(s implant.MRStatus) (c implant.Code, ok bool) {
	switch s {
	case implant.MRSafe:
		return implant.Code{System: NCIt, Code: "C106045", Display: "Magnetic Resonance Safe"}, true
	case implant.MRConditional:
		return implant.Code{System: NCIt, Code: "C106046", Display: "Magnetic Resonance Conditional"}, true
	case implant.MRUnsafe:
		return implant.Code{System: NCIt, Code: "C106047", Display: "Magnetic Resonance Unsafe"}, true
	case implant.LabelSilent:
		return implant.Code{System: NCIt, Code: "C113844", Display: "Labeling does not Contain MRI Safety Information"}, true
	}
	return implant.Code{}, false
}

// NotAboutMR says that a safety code is known and is about something other than MR.
func NotAboutMR(c implant.Code) bool {
	system, code := key(c)
	return system == NCIt && otherSafety[strings.ToUpper(code)]
}

// MRSafetyText reads a safety statement that is text only. Only the cautious statements are taken as a status:
// "unsafe" in any wording is MR Unsafe. Every other wording about MR, "MR Conditional" too, is words to quote
// and ask about (mr is true, status empty): an uncoded "safe" or "compatible" may be of the older marking,
// which meant something else, and a condition without its text is no condition.
// Source for the older marking: ASTM F2503 replaced it in August 2005.
func MRSafetyText(s string) (status implant.MRStatus, mr bool) {
	w := words(s)
	about := hasAny(w, "mr", "mri", "magnetic", "magnet", "mrt", "irm", "rm")
	if !about {
		return "", false
	}
	joined := " " + strings.Join(w, " ") + " "
	for _, p := range []string{" unsafe ", " not safe ", " not mr safe ", " not mri safe ", " contraindicated ",
		" incompatible ", " not compatible ", " not mr compatible ", " not mri compatible "} {
		if strings.Contains(joined, p) {
			return implant.MRUnsafe, true
		}
	}
	return "", true
}
