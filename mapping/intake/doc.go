// Package intake reads FHIR R4 resources into statements: facts about implants, referrals, persons, and a
// finding for all it could not read. It takes protos that fhirjson has decoded and gives values; it knows no
// bytes, no store and no clock.
//
// Keys. A resource is known by "sender|Type/id". An absolute URL under the sender's base is brought to that
// form; any other absolute URL is the key as it stands, without its version. A resource without an id is known
// by its first identifier ("sender|Type/id:system|value"), else by its urn:uuid fullUrl ("sender|urn:uuid:..."),
// else by its bytes ("sender|Type/sha256:..."). A reference by identifier alone, or a conditional one, is
// "id:system|value"; a contained resource is its parent's key with "#id". Inside a Bundle references are
// resolved against fullUrl by the rules of the FHIR Bundle page; joining statements is the fold's work.
//
// What is believed (the reasons are beside the code):
//
//   - Only a completed Procedure puts a device in or takes it out. In progress or unknown makes the fact less
//     certain, stopped or on hold makes it a question, not done or prepared a plan.
//   - A removal has Value "whole" only in a completed Procedure, for a device that focalDevice names by
//     reference, with a coded action of removal, when nothing else in the resource speaks of a rest (procedure.go).
//   - A focalDevice without action is a question, unless the procedure's own code is one of an implantation.
//   - Words on a removal that say that something stays, or that one part alone came out, in any of several languages, are
//     facts of their own (stays.go); the fold doubts the coded removals of that occasion by them.
//   - Status fields of Device and DeviceUseStatement are second-hand: they report, they do not prove.
//
// Prose (notes, outcomes, attachments, conclusions, sections) is read by package opnote; its findings of what was
// done or is there become facts of basis "read" with their spans, its questions become doubts. A note that cannot
// be read is a doubt of its own. The words of a referrer are read too: they often are the only ones.
//
// Conditions, Flags, Observations, answers of questionnaires, assessments, plans of care, allergy lists and reasons of visits
// are read for words, and for codes of diagnosis lists, that tell of an implant in passing (told.go, toldmore.go): these make
// it possible and take nothing out. Laboratory values and vital signs make no statement. An order for a device is a plan.
// A resource of any other type leaves a question where its words tell of an implant (aside.go), and no statement else.
//
// A contained Device is described in the statement of its parent. A BodyStructure in the same message gives its
// site to the Procedure that targets it; one that comes apart is left to the fold. Nothing received is lost
// silently: what has no place in a fact is a finding, and the received bytes are kept elsewhere.
package intake
