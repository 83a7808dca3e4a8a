// Package history folds the statements of sources into one implant record per patient, and gives its state on
// a day. The record is a pure function of the set of statements: any order and any number of copies of the same
// messages give the same record, byte for byte. Its parts are a function of the statements of one patient; its questions
// are one of those and of the parts that the records of other people have of the same devices.
//
// The work goes in this order: which version of each source counts (current.go), which mentions are one part
// (join.go), which part a sentence without a reference means (match.go), what became of each part (state.go),
// which parts make a system (system.go), what happened when (event.go), what the records of
// others have of the same devices (across.go), and what is left open (question.go).
//
// What does not live here: reading of FHIR or prose (intake, opnote), MR decisions (mri), who a patient is
// (identity), sentences for people (banner).
package history
