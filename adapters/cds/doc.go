// Package cds answers a person who is ordering an examination, at the moment of ordering: CDS Hooks 2.0 services for
// the hooks order-select and order-sign.
//
// What is asked for is read from the draft orders that come with the call; the answer rests on the stored record
// alone, with the words of package banner. Nothing that a call carries is kept, and nothing that the asker's system
// sends along can make an answer less cautious. A patient without a record gets a card that says so: an empty answer
// would read as "no implant".
//
// It does not look for records by name, take facts in, or decide: see fhirapi, pipeline and package mri.
//
// Source of every rule of the interface: the CDS Hooks 2.0 specification (cds-hooks.hl7.org/2.0), named as "CDS" in
// the comments.
package cds
