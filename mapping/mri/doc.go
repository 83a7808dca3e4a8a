// Package mri decides what the labelling kept by a site says about one patient, one MR examination and the
// site's scanners: labelling × record × requested exam × scanner → [Verdict], in three-valued logic.
//
// What lives here: the labelling and scanner files as values, units of labels, landmarks along the body, the
// conditions and how they combine. What does not: sentences for clinicians (package banner has one for each
// code here), FHIR, DICOM, CDS Hooks, how a record comes about (history), and what a code of an outside system
// means (codes).
//
// # How it decides
//
// Every labelled condition is [Met], [NotMet] or [Unknown] (Kleene). A condition set of a label is the AND of
// its conditions, a label the OR of its sets, a site the OR of its scanners, a body the AND of all that is in it.
// Two sorts of unknown are told apart:
//
//   - What only the day can tell (impedance, battery, MR mode, fever, position, the limits the operator
//     enters, ...) is never in the record, the order or the scanner file. It goes to the list to confirm.
//   - What one of those inputs should hold and does not (model, level, date, region of the exam, a number of
//     the scanner) keeps the answer open: not established.
//
// So making an input less known can turn "met" to "not established", never "not met" to "met". Three kinds of
// verdict stop ("MR Unsafe", "outside the label", "not established") and none of the three is milder than
// another: an unidentified device is treated as unsafe until identified. See [Kind.Caution].
//
// Sources: the rules R1 to R21, the arithmetic of combining conditions and the cautions are in RULES.md beside this
// file, each with what it rests on; each rule is named where it is applied.
package mri
