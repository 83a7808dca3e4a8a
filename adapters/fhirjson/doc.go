// Package fhirjson turns FHIR R4 JSON into R4 protos and back. It is the only importer of
// github.com/google/fhir/go/jsonformat, whose faults it covers (each is pinned by a test in this folder):
// it refuses what that library lets through silently and mends what it refuses needlessly.
//
// The way of a message: [Split] looks at the bytes once, without protos, and gives the resources as exact slices of
// what was received; [Decode] reads one of them. Whatever was mended or left out on the way is a finding; what
// cannot be read is a [Refusal], from which [Outcome] makes the OperationOutcome for the sender. [Peek] finds out
// whom a refused message is about. [Marshal] writes our own outgoing resources, never received ones.
//
// Three rules decide between mending and refusing:
//
//   - Tolerant where meaning is not in doubt: line breaks in base64, a legal null, an unknown field. Reported.
//   - Never a guess: a time without zone becomes a day, not a time in some zone.
//   - Refused where a mend could change what is said: modifier elements, names in the wrong case, two values for one.
//
// Severities of findings: "information" nothing was lost; "warning" something the sender wrote is not in the
// result, or is there less precisely; "error" a readable resource lacks something it should have said.
//
// No clinical rule lives here, and no knowledge of which resource types matter.
package fhirjson
