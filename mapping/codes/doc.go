// Package codes holds the outside code systems we understand as tables, to and from our words: MR safety
// statements, actions on devices, kinds of device, body sites, reasons and complications, and which orders are
// for a magnetic resonance examination.
//
// A function that finds nothing says so (its last result is false) and the caller keeps the code as it came:
// most of the FHIR bindings concerned are of example strength, so an unknown code is ordinary, never an error.
// Words of prose are not read here (package opnote does that); the text functions of this package read labels:
// a display, a CodeableConcept.text, a device name. No rule that needs a record lives here.
//
// Each table names its source. R4 is the official FHIR R4 4.0.1 package, GPS the SNOMED CT Global Patient Set; M marks what was known from memory only.
package codes

import (
	"strings"

	"gaussline/mapping/implant"
)

// System URIs of the code systems we read (FHIR R4, terminology chapter, unless said otherwise).
const (
	SNOMED       = "http://snomed.info/sct"
	LOINC        = "http://loinc.org"
	DICOM        = "http://dicom.nema.org/resources/ontology/DCM"
	NCIt         = "urn:oid:2.16.840.1.113883.3.26.1.1" // as FHIR R4 and R5 have it
	DeviceAction = "http://hl7.org/fhir/device-action"
	V2Section    = "http://terminology.hl7.org/CodeSystem/v2-0074" // diagnostic service section
	ICD10PCS     = "http://www.cms.gov/Medicare/Coding/ICD10"      // M
	ICD10CM      = "http://hl7.org/fhir/sid/icd-10-cm"             // M
	IMDRF        = "urn:imdrf:aet"                                 // ours: the terminology has no published URI
	ImplantState = "http://terminology.hl7.org/CodeSystem/implantStatus"
)

// systemAliases brings the other spellings in use to the constants above.
var systemAliases = map[string]string{
	"urn:oid:2.16.840.1.113883.6.96":               SNOMED,
	"http://snomed.info/sct/900000000000207008":    SNOMED, // international edition
	"urn:oid:2.16.840.1.113883.6.1":                LOINC,
	"https://loinc.org":                            LOINC,
	"urn:oid:1.2.840.10008.2.16.4":                 DICOM,
	"http://dicom.nema.org/resources/ontology/dcm": DICOM,
	// NCI Thesaurus, as in the value set device-safety (R4 and R5; current build; legacy staging; the bare site).
	"2.16.840.1.113883.3.26.1.1":                            NCIt,
	"http://ncicb.nci.nih.gov/xml/owl/evs/thesaurus.owl":    NCIt,
	"http://ncithesaurus-stage.nci.nih.gov":                 NCIt,
	"http://ncithesaurus.nci.nih.gov":                       NCIt,
	"http://terminology.hl7.org/codesystem/v3-ncithesaurus": NCIt,
	"http://hl7.org/fhir/v2/0074":                           V2Section, // STU3 spelling
	"urn:oid:2.16.840.1.113883.18.20":                       V2Section, // M
	"http://hl7.org/fhir/sid/icd-10-pcs":                    ICD10PCS,  // M
	"urn:oid:2.16.840.1.113883.6.4":                         ICD10PCS,  // M
	"urn:oid:2.16.840.1.113883.6.90":                        ICD10CM,   // M
}

// System brings a system URI to the spelling of the constants of this package: blanks, a trailing slash or
// hash, letter case and known other spellings are evened out. An unknown URI comes back trimmed.
func System(uri string) string {
	s := strings.TrimSpace(uri)
	key := strings.TrimRight(strings.ToLower(s), "/#")
	if to, ok := systemAliases[key]; ok {
		return to
	}
	if strings.HasPrefix(key, "http://snomed.info/sct/") { // an edition or version of SNOMED CT
		return SNOMED
	}
	for _, known := range []string{SNOMED, LOINC, DICOM, NCIt, DeviceAction, V2Section, ICD10PCS, ICD10CM, ICD10, IMDRF, ImplantState} {
		if key == strings.ToLower(known) {
			return known
		}
	}
	return s
}

// key is how tables are asked: system as [System] has it and the code trimmed.
func key(c implant.Code) (system, code string) { return System(c.System), strings.TrimSpace(c.Code) }
