// Package identity answers which patient records are about one person. [Clusters] joins on what is certain
// enough to act on: a shared business identifier, a link that a source states, a pair a reviewer gave.
// [Doubts] says where people so joined contradict each other. [Probable] finds likely matches that nothing
// certain joins (Fellegi–Sunter weights, Jaro–Winkler names): they are questions for a person, never joined
// here.
//
// Two errors are possible, and neither is harmless: a false join puts a stranger's implant on a record, a missed
// join hides a patient's own. So a join that looks wrong is kept, with its doubt said aloud, until a person parts
// it; and a match that only looks right is said aloud and not made.
//
// The package knows no implants and no FHIR; it keeps nothing between calls.
package identity
