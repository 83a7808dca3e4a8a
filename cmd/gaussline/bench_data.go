package main

import (
	"encoding/json"
	"fmt"
	"strings"
)

// Invented messages for measuring: every patient and order is its own.

func orderID(i int) string { return fmt.Sprintf("bench-order-%d", i) }

// padding brings a referral to the 1.6 kB of an ordinary one.
const padding = "Chronic low back pain for eleven years, worse on sitting, radiating to the left buttock. Conservative treatment and two blocks without lasting relief. Asks for a reappraisal before further treatment. No fever, no weight loss, no new neurological deficit. Invented text for measuring. "

// referrals makes n MR orders with numbers from first.
func referrals(first, n int) [][]byte {
	out := make([][]byte, n)
	for i := range out {
		out[i] = []byte(fmt.Sprintf(`{"resourceType":"ServiceRequest","id":%q,"meta":{"versionId":"1","lastUpdated":"2026-05-20T09:00:00Z"},"identifier":[{"system":"http://hillside.invalid/order","value":"O%d"}],"status":"active","intent":"order","priority":"routine","category":[{"coding":[{"system":"http://snomed.info/sct","code":"363679005","display":"Imaging"}]}],"code":{"coding":[{"system":"http://loinc.org","code":"30679-5","display":"MR Lumbar spine WO contrast"}],"text":"MR lumbar spine"},"subject":{"reference":"Patient/bench-%d"},"authoredOn":"2026-05-20T09:00:00Z","occurrenceDateTime":"2026-06-20","requester":{"reference":"Practitioner/77","display":"Dr Invented"},"performer":[{"display":"North Imaging"}],"reasonCode":[{"text":"chronic low back pain"}],"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"122496007","display":"Lumbar spine structure"}]}],"note":[{"text":%q}]}`,
			orderID(first+i), first+i, first+i, strings.Repeat(padding, 2)))
	}
	return out
}

// bundles makes n implant messages of about 10 kB with eight resources, numbers from first.
func bundles(first, n int) [][]byte {
	out := make([][]byte, n)
	for i := range out {
		out[i] = bundle(first + i)
	}
	return out
}

func bundle(i int) []byte {
	base := "http://ehr.hillside.invalid/fhir/"
	type m = map[string]any
	ref := func(s string) m { return m{"reference": s} }
	patient := fmt.Sprintf("Patient/bench-%d", i)
	meta := m{"versionId": "1", "lastUpdated": "2026-03-11T16:00:00Z"}
	var entries []any
	add := func(r m) {
		full := fmt.Sprintf("urn:uuid:00000000-0000-4000-8000-%012d", i)
		if id, ok := r["id"]; ok {
			full = fmt.Sprintf("%s%s/%s", base, r["resourceType"], id)
			r["meta"] = meta
		}
		entries = append(entries, m{"fullUrl": full, "resource": r})
	}
	add(m{"resourceType": "MessageHeader", "eventUri": "http://gaussline.invalid/event/implant-procedure", "source": m{"endpoint": base}})
	add(m{"resourceType": "Patient", "id": fmt.Sprintf("bench-%d", i), "identifier": []any{m{"system": "http://hillside.invalid/mrn", "value": fmt.Sprintf("B-%d", i)}},
		"name": []any{m{"family": "Benchmark", "given": []any{"Invented"}}}, "gender": "female", "birthDate": "1968-04-02"})
	add(m{"resourceType": "Practitioner", "id": "77", "name": []any{m{"family": "Invented"}}})
	add(m{"resourceType": "Encounter", "id": fmt.Sprintf("e-%d", i), "status": "finished", "class": m{"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "SS"}, "subject": ref(patient)})
	var focal []any
	for j, d := range []struct{ kind, model string }{{"implantable pulse generator", "TB-G210"}, {"lead", "TB-L45"}, {"lead", "TB-L45"}} {
		id := fmt.Sprintf("d-%d-%d", i, j)
		add(m{"resourceType": "Device", "id": id, "status": "active", "manufacturer": "Tarnbeck Devices", "modelNumber": d.model, "serialNumber": fmt.Sprintf("S%d%d", i, j),
			"lotNumber": "TBL-2401", "type": m{"text": d.kind}, "patient": ref(patient), "note": []any{m{"text": strings.Repeat(padding, 3)}}})
		focal = append(focal, m{"action": m{"coding": []any{m{"system": "http://hl7.org/fhir/device-action", "code": "implanted"}}}, "manipulated": ref("Device/" + id)})
	}
	add(m{"resourceType": "Procedure", "id": fmt.Sprintf("p-%d", i), "status": "completed", "code": m{"text": "Implantation of lumbar neurostimulation system"}, "subject": ref(patient),
		"performedDateTime": "2026-03-11", "bodySite": []any{m{"text": "left upper buttock"}}, "focalDevice": focal, "encounter": ref(fmt.Sprintf("Encounter/e-%d", i))})
	add(m{"resourceType": "DeviceUseStatement", "id": fmt.Sprintf("u-%d", i), "status": "active", "subject": ref(patient), "device": ref(fmt.Sprintf("Device/d-%d-1", i)), "bodySite": m{"text": "left L3"},
		"note": []any{m{"text": strings.Repeat(padding, 8)}}})
	b, err := json.Marshal(m{"resourceType": "Bundle", "type": "message", "timestamp": "2026-03-11T16:00:00Z", "entry": entries})
	if err != nil {
		panic(err) // maps of strings
	}
	return b
}
