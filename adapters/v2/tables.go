package v2

// Statuses of a ServiceRequest.
const (
	active  = "active"
	onHold  = "on-hold"
	revoked = "revoked"
)

// ofControl is the status that an order control code (table 0119) gives an order. Codes that only answer an
// earlier message, or that ask for something other than an order, are not in it and are refused: what was stated
// before them stands. Source: HL7's mapping of order control codes in the version 2 to FHIR guide for NW, CA, DC
// and HD (from memory); the others follow from the meaning in table 0119.
var ofControl = map[string]string{
	"NW": active, "SN": active, "XO": active, "XX": active, "XR": active, "RO": active, "PA": active, "CH": active,
	"RL": active, "OE": active, "OR": active, "SC": active,
	"HD": onHold, "OH": onHold, "HR": onHold,
	"CA": revoked, "DC": revoked, "OC": revoked, "OD": revoked, "CR": revoked, "DR": revoked,
	"RP": revoked, "RU": revoked, "RQ": revoked,
}

// byStatus are the control codes whose order stands as ORC-5 says.
var byStatus = map[string]bool{"XO": true, "XX": true, "XR": true, "SN": true, "SC": true}

// ofStatus is the status of ORC-5 (table 0038). "Error, order not found" says nothing about the order.
var ofStatus = map[string]string{"A": active, "IP": active, "SC": active, "HD": onHold, "CM": "completed",
	"CA": revoked, "DC": revoked, "RP": revoked, "ER": "unknown"}

// ofPriority is the request priority of TQ1-9, OBR-27.6 or OBR-5 (table 0485 and its predecessor).
var ofPriority = map[string]string{"S": "stat", "A": "asap", "R": "routine", "P": "urgent", "T": "urgent"}

// ofSex is the administrative gender of table 0001.
var ofSex = map[string]string{"M": "male", "F": "female", "O": "other", "A": "other", "N": "other", "U": "unknown"}

// ofClass is the encounter class (v3-ActCode) of table 0004.
var ofClass = map[string]string{"I": "IMP", "O": "AMB", "E": "EMER", "P": "PRENC"}

// codings are the URIs of the coding systems named in table 0396.
var codings = map[string]string{
	"LN": "http://loinc.org", "SCT": "http://snomed.info/sct", "SNM3": "http://snomed.info/sct",
	"DCM": dicom, "RADLEX": "http://www.radlex.org", "RPID": "http://www.radlex.org",
	"I10": "http://hl7.org/fhir/sid/icd-10", "I10C": "http://hl7.org/fhir/sid/icd-10-cm", "I10P": "http://www.cms.gov/Medicare/Coding/ICD10",
	"C4": "http://www.ama-assn.org/go/cpt",
}

// Code systems and extensions of what we write.
const (
	dicom          = "http://dicom.nema.org/resources/ontology/DCM"
	v2Section      = "http://terminology.hl7.org/CodeSystem/v2-0074"
	v2Identifier   = "http://terminology.hl7.org/CodeSystem/v2-0203"
	v2Event        = "http://terminology.hl7.org/CodeSystem/v2-0003"
	v3ActCode      = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
	supportingInfo = "http://hl7.org/fhir/5.0/StructureDefinition/extension-ServiceRequest.supportingInfo"
	er7            = "x-application/hl7-v2+er7"
)
