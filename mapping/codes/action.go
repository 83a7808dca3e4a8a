package codes

import (
	"strings"

	"gaussline/mapping/implant"
)

// Actions on a focal device. Source: FHIR R4 ValueSet-device-action.json and its SNOMED CT expansion;
// 129336009 and 129338005 are in field use and not in that expansion (seen in messages; from memory).
var snomedAction = map[string]implant.FactKind{
	"257867005": implant.Implanted, // insertion
	"425362007": implant.Implanted, // surgical insertion
	"129325002": implant.Implanted, // introduction
	"129371009": implant.Implanted, // fixation
	"278312000": implant.Implanted, // reattachment
	"129337000": implant.Implanted, // replantation
	"129336009": implant.Implanted, // implantation
	"129338005": implant.Implanted, // surgical implantation

	"129303008": implant.Removed, // removal
	"129306000": implant.Removed, // surgical removal
	"360325005": implant.Removed, // simple removal
	"129415008": implant.Removed, // extraction
	"129416009": implant.Removed, // surgical extraction

	"282089006": implant.Exchanged, // replacement: old or new is not said
	"713295009": implant.Exchanged, // surgical replacement

	"129426002": implant.Adjusted,     // adjustment
	"360146007": implant.Repositioned, // repositioning
	"129408000": implant.Adjusted,     // manipulative procedure
	"386746003": implant.Adjusted,     // maintenance
}

// Source: FHIR R4 CodeSystem-device-action.json. "manipulated" is: stays in; place, settings or function changed.
var hl7Action = map[string]implant.FactKind{
	"implanted":   implant.Implanted,
	"explanted":   implant.Removed,
	"manipulated": implant.Adjusted,
}

// Action gives what a focalDevice.action code says was done with the device.
func Action(c implant.Code) (implant.FactKind, bool) {
	system, code := key(c)
	switch system {
	case SNOMED:
		k, ok := snomedAction[code]
		return k, ok
	case DeviceAction:
		k, ok := hl7Action[strings.ToLower(code)]
		return k, ok
	}
	return "", false
}

// Plain words for an action, whole label only. Common practice, no source.
var actionWords = map[string]implant.FactKind{
	"implanted": implant.Implanted, "implantation": implant.Implanted, "implant": implant.Implanted,
	"inserted": implant.Implanted, "insertion": implant.Implanted, "placed": implant.Implanted, "placement": implant.Implanted,
	"explanted": implant.Removed, "explantation": implant.Removed, "explant": implant.Removed,
	"removed": implant.Removed, "removal": implant.Removed,
	"replaced": implant.Exchanged, "replacement": implant.Exchanged, "exchanged": implant.Exchanged, "exchange": implant.Exchanged,
	"manipulated": implant.Adjusted, "adjusted": implant.Adjusted, "adjustment": implant.Adjusted, "reprogrammed": implant.Adjusted,
	"repositioned": implant.Repositioned, "repositioning": implant.Repositioned,
	"capped": implant.WasCapped, "disconnected": implant.Disconnected, "left in place": implant.LeftInPlace, "left in situ": implant.LeftInPlace,
}

// ActionText reads an action that is text only, when the whole text is one of the plain words.
func ActionText(s string) (implant.FactKind, bool) {
	k, ok := actionWords[strings.TrimSpace(phrase(s))]
	return k, ok
}

// ActionCode gives the code of FHIR R4's own device-action system for what was done; ok is false where that
// system has no word for it.
func ActionCode(k implant.FactKind) (c implant.Code, ok bool) {
	switch k {
	case implant.Implanted:
		return implant.Code{System: DeviceAction, Code: "implanted", Display: "Implanted"}, true
	case implant.Removed:
		return implant.Code{System: DeviceAction, Code: "explanted", Display: "Explanted"}, true
	case implant.Adjusted, implant.Repositioned:
		return implant.Code{System: DeviceAction, Code: "manipulated", Display: "Manipulated"}, true
	}
	return implant.Code{}, false
}

// Act is what a procedure code by itself says was done with a kind of device.
type Act struct {
	Fact   implant.FactKind
	Kind   implant.Kind
	Region string // where, if the code says so
}

// Source: GPS; 25267002 from FHIR R4 Procedure-example-implant.json.
var snomedAct = map[string]Act{
	"307280005": {implant.Implanted, implant.OtherActive, Chest}, // implantation of pacemaker
	"25267002":  {implant.Implanted, implant.OtherActive, Chest}, // insertion of intracardiac pacemaker
	"233170003": {implant.Implanted, implant.OtherActive, Chest}, // implantation of automatic defibrillator
	"395218007": {implant.Implanted, implant.OtherActive, Chest}, // implantation of internal defibrillator
	"62881002":  {implant.Removed, implant.OtherActive, Chest},   // removal of pacemaker
	"233171004": {implant.Removed, implant.OtherActive, Chest},   // removal of defibrillator
	"128538000": {implant.Removed, implant.Unidentified, ""},     // removal of device
	"72010008":  {implant.Removed, implant.Hardware, ""},         // removal of internal fixation
	"27315000":  {implant.Removed, implant.Hardware, Chest},      // removal of breast implant
}

// Source: facts, ICD-10-PCS (code listings; removal and revision of generators M).
var pcsAct = map[string]Act{
	"00HU0MZ": {implant.Implanted, implant.Lead, SpinalCanal}, "00HU3MZ": {implant.Implanted, implant.Lead, SpinalCanal},
	"00HU4MZ": {implant.Implanted, implant.Lead, SpinalCanal},
	"00HV0MZ": {implant.Implanted, implant.Lead, SpinalCanal}, "00HV3MZ": {implant.Implanted, implant.Lead, SpinalCanal},
	"00HV4MZ": {implant.Implanted, implant.Lead, SpinalCanal},
	"01HY0MZ": {implant.Implanted, implant.Lead, ""}, "01HY3MZ": {implant.Implanted, implant.Lead, ""},
	"01HY4MZ": {implant.Implanted, implant.Lead, ""},
	"00WU0MZ": {implant.Adjusted, implant.Lead, SpinalCanal}, "00WU3MZ": {implant.Adjusted, implant.Lead, SpinalCanal},
	"00PU0MZ": {implant.Removed, implant.Lead, SpinalCanal}, "00PU3MZ": {implant.Removed, implant.Lead, SpinalCanal},
	"01PY0MZ": {implant.Removed, implant.Lead, ""}, "01PY3MZ": {implant.Removed, implant.Lead, ""},
	"0JPT0MZ": {implant.Removed, implant.Generator, ""}, "0JPT3MZ": {implant.Removed, implant.Generator, ""},
	"0JWT0MZ": {implant.Adjusted, implant.Generator, ""}, "0JWT3MZ": {implant.Adjusted, implant.Generator, ""},
}

// ProcedureAct gives what a procedure code says by itself, without any device named.
func ProcedureAct(c implant.Code) (Act, bool) {
	system, code := key(c)
	switch system {
	case SNOMED:
		a, ok := snomedAct[code]
		return a, ok
	case ICD10PCS:
		code = strings.ToUpper(code)
		if a, ok := pcsAct[code]; ok {
			return a, true
		}
		// 0JH7 (subcutaneous tissue, back), approach 0 or 3, device B, C, D, E (arrays) or M (generator).
		if len(code) == 7 && strings.HasPrefix(code, "0JH7") && code[6] == 'Z' &&
			strings.ContainsRune("03", rune(code[4])) && strings.ContainsRune("BCDEM", rune(code[5])) {
			return Act{implant.Implanted, implant.Generator, Back}, true
		}
	}
	return Act{}, false
}
