package codes

import (
	"strings"

	"gaussline/mapping/implant"
)

// ICD10 is the classification of the World Health Organization; national editions have URIs of their own.
const ICD10 = "http://hl7.org/fhir/sid/icd-10" // M

// Codes of diagnosis lists that say by themselves that an implant is, or was when they were given, in the body; longest
// prefix wins, the point and the seventh character (A initial, D subsequent, S sequela) are left out.
//
// Source of Z96.82, Z45.42, T85.11, T85.12, T85.19, T85.73, T85.84 and their parts: facts, ICD-10-CM, with the checks
// stated there (T85.11 in pattern and T85.84 in meaning from memory). M: from memory, no source at hand.
var icd10cmPresence = []struct {
	prefix string
	kind   implant.Kind
	words  string
}{
	{"Z9682", implant.Generator, "presence of neurostimulator"},
	{"Z4542", implant.Generator, "adjustment and management of neurostimulator"},
	{"T85110", implant.Lead, "mechanical breakdown of a brain stimulator lead"},
	{"T85111", implant.Lead, "mechanical breakdown of a peripheral nerve stimulator lead"},
	{"T85112", implant.Lead, "mechanical breakdown of a spinal cord stimulator lead"},
	{"T85113", implant.Generator, "mechanical breakdown of a stimulator generator"},
	{"T85120", implant.Lead, "displacement of a brain stimulator lead"},
	{"T85121", implant.Lead, "displacement of a peripheral nerve stimulator lead"},
	{"T85122", implant.Lead, "displacement of a spinal cord stimulator lead"},
	{"T85123", implant.Generator, "displacement of a stimulator generator"},
	{"T85190", implant.Lead, "other mechanical complication of a brain stimulator lead"},
	{"T85191", implant.Lead, "other mechanical complication of a peripheral nerve stimulator lead"},
	{"T85192", implant.Lead, "other mechanical complication of a spinal cord stimulator lead"},
	{"T85731", implant.Lead, "infection of a brain stimulator lead"},
	{"T85732", implant.Lead, "infection of a peripheral nerve stimulator lead"},
	{"T85733", implant.Lead, "infection of a spinal cord stimulator lead"},
	{"T85734", implant.Generator, "infection of a stimulator generator"},
	{"T851", implant.OtherActive, "complication of an implanted stimulator of the nervous system"},
	{"T8573", implant.OtherActive, "infection of a device of the nervous system"},
	{"T8584", implant.OtherActive, "pain due to a device of the nervous system"},
	{"Z950", implant.OtherActive, "presence of cardiac pacemaker"},                     // M
	{"Z95810", implant.OtherActive, "presence of cardiac defibrillator"},               // M
	{"Z450", implant.OtherActive, "adjustment and management of cardiac device"},       // M
	{"Z451", implant.Pump, "adjustment and management of infusion pump"},               // M
	{"Z4549", implant.OtherActive, "adjustment of a device of the nervous system"},     // M
	{"Z4541", implant.Unidentified, "adjustment of a cerebrospinal fluid device"},      // M
	{"Z9689", implant.Unidentified, "presence of other specified functional implants"}, // M
	{"Z969", implant.Unidentified, "presence of functional implant, unspecified"},      // M
	{"Z9621", implant.OtherActive, "presence of cochlear implant"},                     // M
	{"Z9641", implant.OtherActive, "presence of insulin pump"},                         // M: worn outside, often
}

// The same of the World Health Organization's classification and its national editions other than ICD-10-CM. All M.
var icd10Presence = []struct {
	prefix string
	kind   implant.Kind
	words  string
}{
	{"T851", implant.OtherActive, "mechanical complication of an implanted stimulator of the nervous system"},
	{"Z950", implant.OtherActive, "presence of electronic cardiac devices"},
	{"Z450", implant.OtherActive, "adjustment and management of cardiac device"},
	{"Z451", implant.Pump, "adjustment and management of infusion pump"},
	{"Z962", implant.Unidentified, "presence of otological and audiological implants"},
	{"Z968", implant.Unidentified, "presence of other specified functional implants"},
	{"Z969", implant.Unidentified, "presence of functional implant, unspecified"},
}

// Presence gives the kind of implant whose presence a diagnosis code tells of by itself, and words for the code. A
// device named as a diagnosis (SNOMED CT, see [Kind]) tells of itself. False says that the code is not in our tables,
// not that there is nothing.
func Presence(c implant.Code) (kind implant.Kind, words string, ok bool) {
	system, code := key(c)
	if system == SNOMED {
		kind, ok = Kind(c)
		return kind, "SNOMED CT " + code, ok
	}
	code = strings.ReplaceAll(strings.ToUpper(code), ".", "")
	table := icd10Presence
	lower := strings.ToLower(system)
	switch {
	case system == ICD10CM:
		table = icd10cmPresence
	case system == ICD10 || strings.Contains(lower, "icd-10") || strings.Contains(lower, "icd10"):
	default:
		return "", "", false
	}
	best := ""
	for _, e := range table {
		if strings.HasPrefix(code, e.prefix) && len(e.prefix) > len(best) {
			best, kind, words, ok = e.prefix, e.kind, e.words, true
		}
	}
	return kind, words, ok
}
