// Package v2 is the door for orders in HL7 version 2, which many radiology systems speak and nothing else: it
// listens for MLLP on a TCP port, reads ORM^O01 and OMI^O23 of versions 2.3.1 to 2.5.1, turns each message into a
// FHIR R4 message Bundle (Patient, Encounter, ServiceRequest and the received bytes as Binary), hands that to the
// same receiver as HTTP does, and answers with an ACK after the message is on disk.
//
// The mapping follows HL7's own guide from version 2 to FHIR where it says something, and is a pure function of
// the received bytes and the configuration: the same message sent twice gives the same Bundle, byte for byte.
// What the guide does not place (danger code, observations and contraindications of the order) becomes a note of
// the order, since the words of a referrer are read for implants.
//
// What does not live here: any rule about implants, any reading of what an order is for (mapping), storing.
package v2
