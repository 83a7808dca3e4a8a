package main

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// A trace as FHIR R4: a collection with a List whose entries are flagged with their class, the Devices and the
// Patients they are of. Only what a recall letter needs is in it.
type (
	object map[string]any
	array  []any
)

func traceBundle(t pipeline.Traced) object {
	at := string(implant.Instant(t.At))
	list := object{"resourceType": "List", "status": "current", "mode": "snapshot", "title": "Trace " + traceID(t), "date": at,
		"code": object{"text": "Parts that a recall notice names, or may name"}}
	var rest, items array
	patients := map[string]bool{}
	for _, hits := range [][]pipeline.TraceHit{t.Named, t.Possible} {
		for _, h := range hits {
			device, patient := urn("Device", h.Patient+" "+h.Part.ID), urn("Patient", h.Patient)
			items = append(items, object{"flag": object{"text": string(h.Answer.Class) + ", " + string(h.Place)}, "item": object{"reference": device}})
			rest = append(rest, object{"fullUrl": device, "resource": traceDevice(h, patient)})
			if !patients[patient] {
				patients[patient] = true
				rest = append(rest, object{"fullUrl": patient, "resource": tracePatient(h)})
			}
		}
	}
	if len(items) > 0 {
		list["entry"] = items
	} else {
		list["emptyReason"] = object{"text": "nothing that was sent and read fits"}
	}
	if t.More {
		list["note"] = array{object{"text": "More parts cannot be excluded than are listed."}}
	}
	return object{"resourceType": "Bundle", "type": "collection", "timestamp": at,
		"entry": append(array{object{"fullUrl": urn("List", traceID(t)), "resource": list}}, rest...)}
}

func traceDevice(h pipeline.TraceHit, patient string) object {
	c := h.Part.Component
	d := object{"resourceType": "Device", "patient": object{"reference": patient}}
	putText(d, "manufacturer", c.Maker)
	putText(d, "modelNumber", c.Model)
	putText(d, "lotNumber", c.Lot)
	putText(d, "serialNumber", c.Serial)
	if c.Kind != "" {
		d["type"] = object{"text": string(c.Kind)}
	}
	if c.DI != "" || c.UDI != "" {
		u := object{}
		putText(u, "deviceIdentifier", c.DI)
		putText(u, "carrierHRF", c.UDI)
		d["udiCarrier"] = array{u}
	}
	if fhirDate(c.Expiry) {
		d["expirationDate"] = string(c.Expiry)
	}
	var notes array
	for _, s := range append([]string{"State as recorded: " + string(h.Part.State) + ". Implanted: " + orDash(string(h.Part.Implanted)) + ". Removed: " +
		orDash(string(h.Part.Removed)) + ". Last heard of from " + orDash(h.Contact) + ", " + orDash(string(h.Contacted)) + "."},
		append(h.Answer.Reasons(), h.Check...)...) {
		notes = append(notes, object{"text": s})
	}
	d["note"] = notes
	return d
}

func tracePatient(h pipeline.TraceHit) object {
	r := object{"resourceType": "Patient"}
	var ids array
	for _, id := range h.Person.Identifiers {
		x := object{"value": id.Value}
		putText(x, "system", id.System)
		ids = append(ids, x)
	}
	if len(ids) == 0 {
		ids = array{object{"value": h.Patient}}
	}
	r["identifier"] = ids
	name := object{}
	putText(name, "family", h.Person.Family)
	if h.Person.Given != "" {
		name["given"] = array{h.Person.Given}
	}
	if len(name) > 0 {
		r["name"] = array{name}
	}
	if fhirDate(h.Person.Birth) && len(h.Person.Birth) <= len(time.DateOnly) {
		r["birthDate"] = string(h.Person.Birth)
	}
	if h.Person.Deceased || h.Person.Died.Known() {
		r["deceasedBoolean"] = true
	}
	return r
}

func putText(o object, key, value string) {
	if value = strings.TrimSpace(value); value != "" {
		o[key] = value
	}
}

// fhirDate says whether a moment can be written as a FHIR date or dateTime.
func fhirDate(w implant.When) bool {
	return w.Known() && !w.Ambiguous() && !strings.Contains(string(w), "/")
}

// urn makes a stable name of a resource within the Bundle: a UUID of version 8 (RFC 9562), of a hash.
func urn(kind, key string) string {
	h := sha256.Sum256([]byte(kind + "\x00" + key))
	h[6], h[8] = h[6]&0x0f|0x80, h[8]&0x3f|0x80
	return fmt.Sprintf("urn:uuid:%x-%x-%x-%x-%x", h[0:4], h[4:6], h[6:8], h[8:10], h[10:16])
}
