package banner

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"

	"gaussline/mapping/implant"
)

// subject gives the reference to the patient for resources of our own, and whether the Bundle must carry that
// Patient itself. Our entries have urn:uuid names, beside which a relative reference means nothing (FHIR R4, Bundle:
// resolving references), so it becomes absolute by the root of the order's own URL. A name that ends with the
// message it came in (urn:uuid, contained, identifier only) cannot be followed by the receiver.
func (m maker) subjectOf() (object, bool, error) {
	raw := m.received.value("subject")
	if raw == nil {
		return nil, false, errors.New("referral has no subject")
	}
	if raw[0] == '[' { // read as an array of one
		raw = bytes.TrimSpace(raw[1 : len(raw)-1])
	}
	var s struct {
		Reference, Display string
		Identifier         json.RawMessage
	}
	_ = json.Unmarshal(raw, &s) // what is not there is made up for below
	out := object{}
	if len(s.Identifier) > 0 && s.Identifier[0] == '{' {
		out["identifier"] = s.Identifier
	}
	if s.Display != "" {
		out["display"] = s.Display
	}
	to, ok := absolute(s.Reference, m.order.FullURL)
	if !ok {
		to = m.id("patient")
	}
	out["reference"] = to
	return out, strings.HasPrefix(to, "urn:"), nil
}

// absolute resolves a reference to a Patient against the URL of the resource that makes it. ok is false when it
// has no meaning outside that resource, or is to something else than a Patient.
func absolute(ref, fullURL string) (string, bool) {
	switch {
	case strings.HasPrefix(ref, "urn:"), strings.Contains(ref, "://") && strings.Contains(ref, "/Patient/"):
		return ref, true
	case !strings.HasPrefix(ref, "Patient/"):
		return "", false
	}
	root, _, ok := strings.Cut(fullURL, "/ServiceRequest/")
	if !ok || !strings.Contains(root, "://") {
		return "", false
	}
	return root + "/" + ref, true
}

// patient gives who the record is about, for a receiver that must find the person.
func patient(p implant.Person) object {
	out := object{"resourceType": "Patient"}
	var ids []any
	for _, i := range p.Identifiers {
		id := object{"value": i.Value}
		if i.System != "" {
			id["system"] = i.System
		}
		ids = append(ids, id)
	}
	if len(ids) > 0 {
		out["identifier"] = ids
	}
	name := object{}
	if p.Family != "" {
		name["family"] = p.Family
	}
	if given := strings.Fields(p.Given); len(given) > 0 {
		name["given"] = given
	}
	if len(name) > 0 {
		out["name"] = []any{name}
	}
	if p.Birth.Known() && !p.Birth.Ambiguous() && len(p.Birth) <= len("2006-01-02") {
		out["birthDate"] = string(p.Birth)
	}
	switch p.Sex {
	case "male", "female", "other", "unknown":
		out["gender"] = p.Sex
	}
	return out
}
