package codes

import (
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// Source: GPS (concepts available under CC-BY).
var snomedKind = map[string]implant.Kind{
	"14106009":  implant.OtherActive,  // cardiac pacemaker: which part is not said
	"72506001":  implant.OtherActive,  // implantable defibrillator
	"424921004": implant.OtherActive,  // permanent cardiac pacemaker
	"118378005": implant.Generator,    // pacemaker pulse generator
	"360129009": implant.Lead,         // pacemaker lead
	"25937001":  implant.Generator,    // neurostimulator
	"43252007":  implant.OtherActive,  // cochlear prosthesis
	"69805005":  implant.OtherActive,  // insulin pump
	"65818007":  implant.Hardware,     // stent
	"77720000":  implant.Hardware,     // clip
	"102314001": implant.Hardware,     // embolisation coil
	"257409000": implant.Hardware,     // vena cava filter
	"258593008": implant.Unidentified, // ventricular shunt: some have a valve set by a magnet
	"268460000": implant.Hardware,     // intra-uterine device
	"2282003":   implant.Hardware,     // breast implant
	"304120007": implant.Hardware,     // total hip prosthesis
	"40388003":  implant.Unidentified, // implant
	"53350007":  implant.Unidentified, // prosthesis
}

// Kind gives the sort of part that a Device.type code names. Codes of the European nomenclature (EMDN) and of
// the US classification are known by their shape under any system, as neither has a FHIR URI that could be
// verified; J0210 and the US codes name a system or a lead without saying which, so they give OtherActive.
// A code of SNOMED CT's root ("implant", "prosthesis") gives Unidentified and true.
func Kind(c implant.Code) (implant.Kind, bool) {
	system, code := key(c)
	if system == SNOMED {
		k, ok := snomedKind[code]
		return k, ok
	}
	lower := strings.ToLower(system)
	switch {
	case strings.Contains(lower, "emdn"):
		return emdnKind(strings.ToUpper(code))
	case strings.Contains(lower, "fda") || strings.Contains(lower, "product-code"):
		switch strings.ToUpper(code) {
		case "QLK", "LGW", "GZB":
			return implant.OtherActive, true
		}
	}
	return "", false
}

// Source: facts, EMDN release V2 category J.
func emdnKind(code string) (implant.Kind, bool) {
	switch {
	case strings.HasPrefix(code, "J020203"), strings.HasPrefix(code, "J019001"):
		return implant.Lead, true
	case strings.HasPrefix(code, "J0202020"), strings.HasPrefix(code, "J020201"):
		return implant.Generator, true
	case strings.HasPrefix(code, "J0207"):
		return "", false // programmers stay outside
	case strings.HasPrefix(code, "J04"):
		return implant.Pump, true
	case strings.HasPrefix(code, "J"):
		return implant.OtherActive, true
	}
	return "", false
}

// kindWords is read from top to bottom: what names the smaller part comes first ("lead anchor" is an anchor,
// "pacemaker lead" a lead). GMDN term names and common practice.
var kindWords = []struct {
	kind  implant.Kind
	words []string
}{
	{"", []string{"programmer", "charger", "recharger", "remote", "introducer", "sheath", "stylet", "tunneler",
		"tunneller", "tunnelling tool", "external", "control unit", "test lead", "screener"}},
	{implant.Anchor, []string{"anchor", "anchors", "suture sleeve", "sleeve", "boot", "anchoring"}},
	{implant.Adaptor, []string{"adaptor", "adapter", "adaptors", "adapters"}},
	{implant.Extension, []string{"extension", "extensions", "lead extension"}},
	{implant.Lead, []string{"lead", "leads", "electrode", "electrodes", "paddle"}},
	{implant.Catheter, []string{"catheter", "catheters"}},
	{implant.Pump, []string{"pump", "pumps"}},
	{implant.Generator, []string{"generator", "generators", "ipg", "neurostimulator", "stimulator", "neurostimulators",
		"stimulators", "battery", "pulse generator"}},
	{implant.OtherActive, []string{"pacemaker", "defibrillator", "icd", "cochlear", "loop recorder", "scs", "pns", "dbs"}},
	{implant.Hardware, []string{"screw", "screws", "cage", "cages", "spacer", "spacers", "rod", "rods", "plate", "plates",
		"cement", "stent", "stents", "hip prosthesis", "knee prosthesis", "joint prosthesis", "arthroplasty", "mesh"}},
}

// KindText finds the kind of part in a device name or type text. Accessories that stay outside the body
// (programmer, charger, introducer) give "" and false: they are not understood as an implant, and the caller
// keeps the words.
func KindText(s string) (implant.Kind, bool) {
	p := phrase(s)
	for _, e := range kindWords {
		for _, w := range e.words {
			if strings.Contains(p, " "+w+" ") {
				return e.kind, e.kind != ""
			}
		}
	}
	return "", false
}

// KindNamed gives the kind that a word names by itself, in any case, singular or plural: our own word for it, or one of
// the words that devices are told by. Unlike [KindText] it takes nothing else beside the word.
func KindNamed(s string) (implant.Kind, bool) {
	word := strings.TrimSpace(phrase(s))
	named := func(w string) bool { return word == w || word == w+"s" }
	for _, k := range implant.Kinds() {
		if named(strings.TrimSpace(phrase(string(k)))) {
			return k, true
		}
	}
	for _, e := range kindWords {
		if e.kind != "" && slices.ContainsFunc(e.words, named) {
			return e.kind, true
		}
	}
	return "", false
}

// Function gives our word for a device-implantStatus code: functional, non-functional, disabled or unknown.
// Source: FHIR R4 CodeSystem implantStatus (required binding of the extension device-implantStatus).
func Function(code string) (string, bool) {
	switch c := strings.TrimSpace(code); c {
	case "functional", "non-functional", "disabled", "unknown":
		return c, true
	}
	return "", false
}
