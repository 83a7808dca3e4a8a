package access

import (
	"encoding/json"
	"fmt"
	"time"
)

type object = map[string]any

// auditKinds are the AuditEvent.type codes: DICOM's audit event ids (PS3.15, by way of the FHIR value set
// audit-event-type) and the FHIR RESTful code; from memory.
var auditKinds = map[string]object{
	"login":  {"system": "http://dicom.nema.org/resources/ontology/DCM", "code": "110114", "display": "User Authentication"},
	"month":  {"system": "http://dicom.nema.org/resources/ontology/DCM", "code": "110106", "display": "Export"},
	"audit":  {"system": "http://dicom.nema.org/resources/ontology/DCM", "code": "110101", "display": "Audit Log Used"},
	"trace":  {"system": "http://dicom.nema.org/resources/ontology/DCM", "code": "110112", "display": "Query"},
	"record": {"system": "http://dicom.nema.org/resources/ontology/DCM", "code": "110110", "display": "Patient Record"},
}

// AuditEvent gives a line as a FHIR R4 AuditEvent, one line of JSON without a line end. The chain's number and hash
// travel as identifiers of the entity, so that the export can be held against the journal.
func AuditEvent(e Line) ([]byte, error) {
	var l link
	if err := json.Unmarshal(e.Body, &l); err != nil {
		return nil, fmt.Errorf("audit line %d: %w", e.Seq, err)
	}
	kind, ok := auditKinds[l.What]
	if !ok {
		kind = object{"system": "http://terminology.hl7.org/CodeSystem/audit-event-type", "code": "object", "display": "Object"}
	}
	outcome := "0" // success
	if l.Refused {
		outcome = "8" // serious failure: the action was refused
	}
	who := object{"requestor": true, "who": object{"identifier": object{"system": "urn:gaussline:account", "value": orNobody(l.Who)}}}
	if l.Role != "" {
		who["role"] = []any{object{"text": l.Role}}
	}
	if l.From != "" {
		who["network"] = object{"address": l.From, "type": "2"} // 2: IP address
	}
	if l.Reason != "" {
		who["purposeOfUse"] = []any{object{"coding": []any{object{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason",
			"code": "BTG", "display": "break the glass"}}, "text": l.Reason}}
	}
	entity := object{"what": object{"identifier": object{"system": "urn:gaussline:" + l.What, "value": orNobody(l.Object)}},
		"detail": []any{object{"type": "chain-number", "valueString": fmt.Sprint(l.N)}, object{"type": "chain-hash", "valueString": l.Hash}}}
	return json.Marshal(object{"resourceType": "AuditEvent", "type": kind, "action": string(l.Action), "recorded": l.At.Format(time.RFC3339Nano),
		"outcome": outcome, "agent": []any{who}, "source": object{"observer": object{"display": "gaussline"}}, "entity": []any{entity}})
}

func orNobody(s string) string {
	if s == "" {
		return "none"
	}
	return s
}
