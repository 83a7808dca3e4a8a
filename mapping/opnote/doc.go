// Package opnote reads the prose of procedure notes, letters and imaging reports. [Read] turns a note into
// findings, each with the byte span it rests on, and into the questions a careful reader would ask. [Text] turns
// the bytes of an attachment into the plain text that Read takes.
//
// The method is the published one for clinical prose, extended: one pass cuts the text into words, one pass finds
// the phrases of a lexicon, headings give sections, punctuation gives sentences and clauses, and the scope of each
// statement (done today, history, plan, denied, somebody else's, copied forward) is found with trigger phrases and
// their reach, after NegEx (Chapman et al., J Biomed Inform 2001;34:301-310) and ConText (Harkema et al., J Biomed
// Inform 2009;42:839-851). On top of that a clause is read for who did what to which part.
//
// Two rules of safety run through the package. A part that is or may be in the body is never left out: doubt gives
// a reported presence, marked possible. And prose alone never proves a complete removal: [implant.Removed] has the
// value "whole" only where the note says so of an identified part and nothing in the same note says otherwise.
//
// The lexicons are tab-separated files under lexicon/. Nothing here knows FHIR, and nothing decides what becomes of
// a finding: intake turns the current ones into facts.
package opnote
