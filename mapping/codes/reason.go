package codes

import (
	"strings"

	"gaussline/mapping/implant"
)

// Our words for why a system was revised or explanted and for what went wrong. Several may hold at once.
// Source: facts, taxonomy from the literature (pain therapy implants).
const (
	LostRelief      = "lost-relief" // inadequate or lost pain relief
	Infection       = "infection"
	PocketPain      = "pocket-pain" // pain at pocket or lead site
	Migration       = "lead-migration"
	Fracture        = "lead-fracture"
	Disconnection   = "disconnection"
	Malfunction     = "generator-malfunction"
	BatteryEnd      = "battery-depletion"
	Resolved        = "resolution" // pain resolved, therapy no longer needed
	MRNeeded        = "mr-needed"
	OtherSurgery    = "other-surgery"
	Erosion         = "erosion"
	Allergy         = "allergy"
	NerveInjury     = "neurological-injury"
	Haematoma       = "haematoma"
	BadStimulation  = "uncomfortable-stimulation"
	RechargeBurden  = "recharge-burden"
	Preference      = "patient-preference"
	Upgrade         = "upgrade"
	Seroma          = "seroma"
	CSFLeak         = "csf-leak"
	Dehiscence      = "dehiscence"
	Burn            = "burn" // burn or burning sensation
	Overheating     = "overheating"
	Interference    = "interference" // electromagnetic
	Impedance       = "impedance"    // too high or too low
	RetainedPart    = "retained-fragment"
	Malposition     = "malposition"
	MechanicalOther = "mechanical-other"
)

// Source: IMDRF adverse event terminology, annexes A, C, E, F as of March 2023 (each looked up in a listing).
var imdrf = map[string]string{
	"A0104": Migration, "A010402": Migration, "A010401": Migration, "A051201": Migration,
	"A0401": Fracture, "A040101": Fracture,
	"A0501": Disconnection, "A1203": Disconnection, "A1205": Disconnection, "A1206": Disconnection,
	"A0705": BatteryEnd, "A070504": BatteryEnd, "A160601": BatteryEnd, "A0706": RechargeBurden,
	"A0713": BadStimulation, "A071301": LostRelief, "A071302": BadStimulation, "A071303": LostRelief, "A071209": BadStimulation,
	"A0720": Interference, "A072001": Interference, "C0901": Interference, "C0903": Interference, "C0305": Interference, "C03": Interference,
	"A072201": Impedance, "A072202": Impedance, "A1005": Overheating, "A1304": Malfunction, "A150202": Malposition,
	"A0105": LostRelief, "A0103": MechanicalOther,
	"E1906": Infection, "E1901": Infection, "E2115": Infection, "E172001": Infection, "E1719": Infection,
	"E1713": Erosion, "E2109": PocketPain, "E2110": LostRelief, "E2103": BadStimulation, "E0138": BadStimulation,
	"E0307": Seroma, "E0505": Haematoma, "E0106": CSFLeak, "E012202": NerveInjury, "E1704": Burn, "E1705": Burn,
	"E2008": RetainedPart, "E2340": Dehiscence, "E0402": Allergy, "F0101": LostRelief,
}

// Source: facts, ICD-10-CM; longest prefix wins, the point is left out. Z18 (retained fragment) is M.
var icd10cm = []struct{ prefix, word string }{
	{"T85110", Fracture}, {"T85111", Fracture}, {"T85112", Fracture}, {"T85113", Malfunction}, {"T85118", MechanicalOther},
	{"T85120", Migration}, {"T85121", Migration}, {"T85122", Migration}, {"T85123", Migration}, {"T85128", Migration},
	{"T8519", MechanicalOther},
	{"T8573", Infection}, {"T85840", PocketPain}, {"Z18", RetainedPart},
}

// Reason gives our word for a code of why, or of what went wrong.
func Reason(c implant.Code) (string, bool) {
	system, code := key(c)
	code = strings.ToUpper(code)
	switch {
	case system == ICD10CM:
		code = strings.ReplaceAll(code, ".", "")
		for _, e := range icd10cm {
			if strings.HasPrefix(code, e.prefix) {
				return e.word, true
			}
		}
	case system == IMDRF || strings.Contains(strings.ToLower(system), "imdrf"):
		w, ok := imdrf[code]
		return w, ok
	}
	return "", false
}

// IMDRFCode gives the adverse event code we write for one of our words; ok is false where that terminology has
// no term we could verify.
func IMDRFCode(word string) (code string, ok bool) {
	code, ok = imdrfOut[word]
	return code, ok
}

// Source: as imdrf.
var imdrfOut = map[string]string{
	LostRelief: "E2110", Infection: "E1906", PocketPain: "E2109", Migration: "A010402", Fracture: "A040101",
	Disconnection: "A1203", BatteryEnd: "A0705", RechargeBurden: "A0706", BadStimulation: "A0713", Interference: "A072001",
	Overheating: "A1005", Malposition: "A150202", Erosion: "E1713", Seroma: "E0307", Haematoma: "E0505", CSFLeak: "E0106",
	Burn: "E1704", RetainedPart: "E2008", Dehiscence: "E2340", Allergy: "E0402",
}

// Words for a reason, whole words of a label. Common practice, no source.
var reasonWords = []struct{ word, phrase string }{
	{Infection, "infection"}, {Infection, "infected"}, {Migration, "migration"}, {Migration, "migrated"},
	{Fracture, "lead fracture"}, {Fracture, "fractured lead"}, {Disconnection, "disconnection"},
	{BatteryEnd, "battery depletion"}, {BatteryEnd, "battery depleted"}, {BatteryEnd, "elective replacement indicator"},
	{BatteryEnd, "end of life"}, {BatteryEnd, "end of service"},
	{LostRelief, "loss of efficacy"}, {LostRelief, "lost efficacy"}, {LostRelief, "lack of efficacy"},
	{LostRelief, "inadequate relief"}, {LostRelief, "inadequate pain relief"}, {LostRelief, "loss of relief"},
	{PocketPain, "pocket pain"}, {PocketPain, "pain at pocket"}, {Erosion, "erosion"}, {Seroma, "seroma"},
	{Haematoma, "haematoma"}, {Haematoma, "hematoma"}, {MRNeeded, "mri needed"}, {MRNeeded, "needs mri"}, {MRNeeded, "need for mri"},
	{Malfunction, "malfunction"}, {Allergy, "allergy"}, {Dehiscence, "dehiscence"}, {CSFLeak, "csf leak"},
	{Preference, "patient preference"}, {Preference, "patient request"}, {Upgrade, "upgrade"}, {RetainedPart, "retained fragment"},
	{Resolved, "no longer needed"}, {Resolved, "pain resolved"}, {Resolved, "resolution of pain"},
}

// ReasonText finds our word in the text of a reason or complication; the first of the table that occurs. A text
// with a word of denial ("no infection", "ruled out") is not understood.
func ReasonText(s string) (string, bool) {
	w := words(s)
	if hasAny(w, "no", "not", "without", "ruled", "denies", "exclude", "excluded") {
		if !strings.Contains(phrase(s), " no longer ") {
			return "", false
		}
	}
	p := phrase(s)
	for _, e := range reasonWords {
		if strings.Contains(p, " "+e.phrase+" ") {
			return e.word, true
		}
	}
	return "", false
}

// NotSuccessful says that a procedure outcome code is "unsuccessful" or "partially successful".
// Source: FHIR R4 ValueSet-procedure-outcome.json.
func NotSuccessful(c implant.Code) bool {
	system, code := key(c)
	return system == SNOMED && (code == "385671000" || code == "385670004")
}
