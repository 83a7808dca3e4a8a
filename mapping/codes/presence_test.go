package codes

import (
	"testing"

	"gaussline/mapping/implant"
)

// Source: facts, ICD-10-CM (Z96.82, Z45.42, T85 with the checks stated there) and the Global Patient Set (25937001,
// 14106009); the rest from memory.
func TestPresence(t *testing.T) {
	for _, c := range []struct {
		system, code string
		want         implant.Kind
		ok           bool
	}{
		{ICD10CM, "Z96.82", implant.Generator, true},
		{ICD10CM, "z9682", implant.Generator, true},
		{"urn:oid:2.16.840.1.113883.6.90", "Z45.42", implant.Generator, true},
		{ICD10CM, "T85.112A", implant.Lead, true},
		{ICD10CM, "T85.734D", implant.Generator, true},
		{ICD10CM, "T85.199S", implant.OtherActive, true},
		{ICD10CM, "T85.840A", implant.OtherActive, true},
		{ICD10CM, "Z96.89", implant.Unidentified, true},
		{ICD10CM, "Z95.0", implant.OtherActive, true},
		{ICD10, "Z96.8", implant.Unidentified, true},
		{"http://fhir.de/CodeSystem/bfarm/icd-10-gm", "T85.1", implant.OtherActive, true},
		{SNOMED, "25937001", implant.Generator, true},
		{SNOMED, "14106009", implant.OtherActive, true},
		{ICD10CM, "M54.50", "", false},
		{ICD10CM, "Z96.641", "", false}, // artificial hip, from memory
		{ICD10CM, "I10", "", false},
		{LOINC, "Z96.82", "", false},
	} {
		kind, words, ok := Presence(implant.Code{System: c.system, Code: c.code})
		if kind != c.want || ok != c.ok || ok && words == "" {
			t.Errorf("%s %s: %q %q %v", c.system, c.code, kind, words, ok)
		}
	}
}
