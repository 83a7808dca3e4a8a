// Package implant holds the words of the trade that every other room uses: component, site, fact and its
// source, event, open question, referral, record. It holds no rule that needs more than one value to decide
// (those live in history, mri and registry), no code system (codes) and no input or output of any kind.
//
// Three conventions run through the package:
//
//   - A zero value means "not stated". Nothing is filled in that no source said.
//   - Times are [When] values: a date keeps the precision its source gave it.
//   - Keys (of sources, devices, patients) are opaque strings made by intake; equal strings are the same thing.
package implant
