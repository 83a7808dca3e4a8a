// Package banner puts a verdict as each reader needs it: the warning on the referral, the FHIR message to
// radiology, plain text. Every sentence that a clinician sees is in one table (words.go, questions.go).
//
// It decides nothing: what to say comes from package mri and the record. The words follow three rules: no verdict
// reads as a clearance, every number has its unit, and what is not known is said to be not known.
package banner
