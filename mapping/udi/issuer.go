package udi

import "strings"

const namingSystem = "http://hl7.org/fhir/NamingSystem/"

// IssuerOf gives the agency an issuer URI means. FHIR R4's own text, its examples and R5 spell the same system
// differently, so the family is accepted, letter case aside; also the object identifiers in use in HL7 v2 and CDA.
// It is empty for anything else.
func IssuerOf(uri string) Issuer {
	switch strings.ToLower(strings.TrimSpace(uri)) {
	case namingLower + "gs1-di", namingLower + "gs1", "urn:oid:2.51.1.1", "2.51.1.1":
		return GS1
	case namingLower + "hibcc-di", namingLower + "hibcc-dii", namingLower + "hibcc",
		"urn:oid:1.0.15961.10.816", "1.0.15961.10.816":
		return HIBCC
	case namingLower + "iccbba-other-di", namingLower + "iccbba-other",
		namingLower + "iccbba-blood-di", namingLower + "iccbba-blood", namingLower + "iccbba-di", namingLower + "iccbba",
		"urn:oid:2.16.840.1.113883.6.18.1.17", "2.16.840.1.113883.6.18.1.17",
		"urn:oid:2.16.840.1.113883.6.18.1.34", "2.16.840.1.113883.6.18.1.34":
		return ICCBBA
	case namingLower + "ifa-gmbh-di", namingLower + "ifa-gmbh", namingLower + "ifa-di", namingLower + "ifa":
		return IFA
	}
	return ""
}

const namingLower = "http://hl7.org/fhir/namingsystem/"

// URI gives the one URI we write for an agency, spelt as FHIR R4's Device.udiCarrier.issuer has it (the odd "dI"
// is the standard's); IFA's is R5's, R4 has none. It is empty for the empty Issuer.
func URI(i Issuer) string {
	switch i {
	case GS1:
		return namingSystem + "gs1-di"
	case HIBCC:
		return namingSystem + "hibcc-dI"
	case ICCBBA:
		return namingSystem + "iccbba-other-di"
	case IFA:
		return namingSystem + "ifa-gmbh-di"
	}
	return ""
}
