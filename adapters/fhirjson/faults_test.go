package fhirjson

import (
	"strings"
	"testing"
)

// Sixty faults, one in an otherwise correct resource. What is a fault is by HL7 FHIR R4 4.0.1: cardinalities, required
// bindings, reference targets, invariants and the JSON page. The faults were chosen by us. "Read" stands only at faults of invariants that need FHIRPath or a value set to see and that leave no doubt
// what is meant for the record.

const (
	goodOrder = `{"resourceType":"ServiceRequest","id":"s1","contained":[{"resourceType":"Practitioner","id":"c1"}],` +
		`"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">MR lumbar spine</div>"},` +
		`"extension":[{"url":"http://a.example/x","valueString":"v"}],"status":"active","intent":"order","priority":"routine",` +
		`"code":{"coding":[{"system":"http://loinc.org","code":"24968-0"}]},"subject":{"reference":"Patient/p1"},` +
		`"occurrenceDateTime":"2026-06-01","authoredOn":"2026-05-03T10:00:00Z","requester":{"reference":"#c1"},"note":[{"text":"x"}]}`
	goodFlag = `{"resourceType":"Flag","id":"f1","status":"active","category":[{"text":"safety"}],"code":{"text":"x"},` +
		`"subject":{"reference":"Patient/p1"},"period":{"start":"2026-01-01","end":"2026-02-01"}}`
	goodIssue = `{"resourceType":"DetectedIssue","id":"i1","status":"final","severity":"high","code":{"text":"x"},` +
		`"patient":{"reference":"Patient/p1"},"mitigation":[{"action":{"text":"x"}}]}`
	goodDevice = `{"resourceType":"Device","id":"d1","udiCarrier":[{"carrierAIDC":"AQID","entryType":"barcode"}],"status":"active",` +
		`"deviceName":[{"name":"TB-100","type":"model-name"}],"patient":{"reference":"Patient/p1"},` +
		`"property":[{"type":{"text":"length"},"valueQuantity":[{"value":60,"system":"http://unitsofmeasure.org","code":"cm"}]}]}`
	goodProcedure = `{"resourceType":"Procedure","id":"q1","status":"completed","subject":{"reference":"Patient/p1"},` +
		`"focalDevice":[{"action":{"text":"implanted"},"manipulated":{"reference":"Device/d1"}}]}`
	goodHeader = `{"resourceType":"MessageHeader","id":"h1","eventCoding":{"system":"http://a.example/e","code":"implant"},` +
		`"source":{"endpoint":"http://ehr.example/fhir"},"focus":[{"reference":"urn:uuid:aaaaaaaa-0000-4000-8000-000000000002"}]}`
	goodMessage = `{"resourceType":"Bundle","id":"b1","type":"message","timestamp":"2026-05-03T10:00:00Z","entry":[` +
		`{"fullUrl":"urn:uuid:aaaaaaaa-0000-4000-8000-000000000001","resource":` + goodHeader + `},` +
		`{"fullUrl":"urn:uuid:aaaaaaaa-0000-4000-8000-000000000002","resource":` + goodProcedure + `}]}`
)

// fault60 is one seeded fault: old is replaced by new in base.
type fault60 struct{ name, base, old, new, want, path, text string }

func TestSeededFaultsOfOrders(t *testing.T) {
	runFaults(t, []fault60{
		{"SR bad status code", goodOrder, `"active"`, `"activ"`, isRefused, "ServiceRequest.status", "not a code"},
		{"SR bad priority code", goodOrder, `"routine"`, `"soon"`, isMended, "ServiceRequest.priority", "left out: not a code"},
		{"SR bad intent code", goodOrder, `"intent":"order"`, `"intent":"wish"`, isRefused, "ServiceRequest.intent", "not a code"},
		{"SR no status", goodOrder, `"status":"active",`, ``, isRefused, "ServiceRequest.status", "required"},
		{"SR no intent", goodOrder, `"intent":"order",`, ``, isRefused, "ServiceRequest.intent", "required"},
		{"SR no subject", goodOrder, `"subject":{"reference":"Patient/p1"},`, ``, isRefused, "ServiceRequest.subject", "required"},
		{"SR unknown element", goodOrder, `"note"`, `"colour":"x","note"`, isMended, "ServiceRequest.colour", "unknown field"},
		{"SR note without text", goodOrder, `[{"text":"x"}]`, `[{"time":"2026-05-03"}]`, isRefused, "ServiceRequest.note[0].text", "required"},
		{"SR authoredOn 2026-13-45", goodOrder, `2026-05-03T10:00:00Z`, `2026-13-45`, isRefused, "ServiceRequest.authoredOn", "datetime"},
		{"SR authoredOn 2026-02-30", goodOrder, `2026-05-03T10:00:00Z`, `2026-02-30`, isRefused, "ServiceRequest.authoredOn", "datetime"},
		{"SR dateTime without zone", goodOrder, `2026-05-03T10:00:00Z`, `2026-05-03T10:00:00`, isMended, "ServiceRequest.authoredOn", "zone"},
		{"SR subject wrong target type", goodOrder, `Patient/p1`, `Practitioner/p1`, isRefused, "ServiceRequest.subject", "cannot stand here"},
		{"SR prr-1 orderDetail without code", goodOrder, `"code":{"coding":[{"system":"http://loinc.org","code":"24968-0"}]}`, `"orderDetail":[{"text":"x"}]`, isRead, "", ""},
		{"SR empty array", goodOrder, `"note":[{"text":"x"}]`, `"note":[]`, isMended, "ServiceRequest.note", "empty array"},
		{"SR empty object", goodOrder, `"note"`, `"asNeededCodeableConcept":{},"note"`, isMended, "ServiceRequest.asNeededCodeableConcept", "empty object"},
		{"SR note object not array", goodOrder, `[{"text":"x"}]`, `{"text":"x"}`, isMended, "ServiceRequest.note", "array of one"},
		{"SR subject array not object", goodOrder, `{"reference":"Patient/p1"}`, `[{"reference":"Patient/p1"}]`, isMended, "ServiceRequest.subject", "single value"},
		{"SR doNotPerform false as string", goodOrder, `"note"`, `"doNotPerform":"false","note"`, isRefused, "ServiceRequest.doNotPerform", "truth value"},
		{"SR null value", goodOrder, `"routine"`, `null`, isMended, "ServiceRequest.priority", "null"},
		{"SR empty string", goodOrder, `[{"text":"x"}]`, `[{"text":"x","authorString":""}]`, isMended, "ServiceRequest.note[0].authorString", "empty string"},
		{"SR bad id characters", goodOrder, `"id":"s1"`, `"id":"s_1"`, isMended, "ServiceRequest.id", "kept as it was sent"},
		{"SR two choice types", goodOrder, `"note"`, `"occurrencePeriod":{"start":"2026"},"note"`, isRefused, "ServiceRequest", "multiple values"},
		{"SR wrong choice type", goodOrder, `"occurrenceDateTime":"2026-06-01"`, `"occurrenceString":"soon"`, isMended, "ServiceRequest.occurrenceString", "data type"},
		{"SR R5 element reason", goodOrder, `"note"`, `"reason":[{"concept":{"text":"x"}}],"note"`, isMended, "ServiceRequest.reason", "R5"},
		{"SR unresolved contained reference (ref-1)", goodOrder, `"#c1"`, `"#c2"`, isMended, "ServiceRequest.requester.reference", "ref-1"},
		{"SR contained unreferenced (dom-3)", goodOrder, `{"reference":"#c1"}`, `{"display":"x"}`, isMended, "ServiceRequest.contained[0]", "dom-3"},
		{"SR narrative script (txt-1)", goodOrder, `MR lumbar`, `<script>x()</script>MR lumbar`, isMended, "ServiceRequest.text.div", "txt-1"},
		{"SR extension with value and extension (ext-1)", goodOrder, `"valueString":"v"`, `"valueString":"v","extension":[{"url":"y","valueString":"w"}]`, isRead, "", ""},
	})
}

func TestSeededFaultsOfOthers(t *testing.T) {
	runFaults(t, []fault60{
		{"Flag bad status", goodFlag, `"active"`, `"on"`, isRefused, "Flag.status", "not a code"},
		{"Flag no code", goodFlag, `"code":{"text":"x"},`, ``, isRefused, "Flag.code", "required"},
		{"Flag no subject", goodFlag, `"subject":{"reference":"Patient/p1"},`, ``, isRefused, "Flag.subject", "required"},
		{"Flag per-1 start after end", goodFlag, `2026-02-01`, `2025-02-01`, isRead, "", ""},
		{"Flag category object", goodFlag, `[{"text":"safety"}]`, `{"text":"safety"}`, isMended, "Flag.category", "array of one"},
		{"Flag subject Device", goodFlag, `Patient/p1`, `Device/d1`, isRefused, "Flag.subject", "cannot stand here"},
		{"DI status mitigated", goodIssue, `"final"`, `"mitigated"`, isRefused, "DetectedIssue.status", "not a code"},
		{"DI status bogus", goodIssue, `"final"`, `"bogus"`, isRefused, "DetectedIssue.status", "not a code"},
		{"DI severity critical", goodIssue, `"high"`, `"critical"`, isMended, "DetectedIssue.severity", "left out: not a code"},
		{"DI mitigation without action", goodIssue, `{"action":{"text":"x"}}`, `{"date":"2026"}`, isRefused, "DetectedIssue.mitigation[0].action", "required"},
		{"DI R5 subject", goodIssue, `"severity"`, `"subject":{"reference":"Patient/p1"},"severity"`, isMended, "DetectedIssue.subject", "R5"},
		{"Device entryType scan", goodDevice, `"barcode"`, `"scan"`, isMended, "Device.udiCarrier[0].entryType", "left out: not a code"},
		{"Device deviceName without type", goodDevice, `,"type":"model-name"`, ``, isRefused, "Device.deviceName[0].type", "required"},
		{"Device carrierAIDC not base64", goodDevice, `"AQID"`, `"(01)0"`, isRefused, "Device.udiCarrier[0].carrierAIDC", "binary"},
		{"Device R5 displayName", goodDevice, `"status"`, `"displayName":"x","status"`, isMended, "Device.displayName", "R5"},
		{"Device qty-3 code without system", goodDevice, `"system":"http://unitsofmeasure.org",`, ``, isRead, "", ""},
		{"Device quantity value as string", goodDevice, `"value":60`, `"value":"60"`, isMended, "Device.property[0].valueQuantity[0].value", "number written"},
		{"Proc focalDevice without manipulated", goodProcedure, `,"manipulated":{"reference":"Device/d1"}`, ``, isRefused, "Procedure.focalDevice[0].manipulated", "required"},
		{"Proc bad status aborted", goodProcedure, `"completed"`, `"aborted"`, isRefused, "Procedure.status", "not a code"},
		{"Proc action bare code", goodProcedure, `{"text":"implanted"}`, `"implanted"`, isRefused, "Procedure.focalDevice[0].action", "object"},
	})
}

func runFaults(t *testing.T, faults []fault60) {
	t.Helper()
	for _, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			check(t, row{json: f.base, want: isRead})
			check(t, row{json: seeded(t, f), want: f.want, path: f.path, text: f.text})
		})
	}
}

func seeded(t *testing.T, f fault60) string {
	t.Helper()
	if !strings.Contains(f.base, f.old) {
		t.Fatalf("nothing to replace: %s", f.old)
	}
	return strings.Replace(f.base, f.old, f.new, 1)
}

// The faults of Bundles: want is the outcome of the whole, by the worst of its parts.
func TestSeededFaultsOfBundles(t *testing.T) {
	const entry = `{"fullUrl":"urn:uuid:aaaaaaaa-0000-4000-8000-000000000002","resource":` + goodProcedure + `}`
	if got, text, n := exampleOutcome(t, []byte(goodMessage)); got != isRead || n != 2 {
		t.Fatalf("the good message is %s: %s", got, text)
	}
	for _, f := range []fault60{
		{"type messages", goodMessage, `"type":"message"`, `"type":"messages"`, isRefused, "Bundle.type", "not a code"},
		{"bdl-12 first not MessageHeader", goodMessage, goodHeader, goodProcedure, isMended, "Bundle.entry[0]", "bdl-12"},
		{"bdl-3 request in message", goodMessage, `"resource":` + goodProcedure, `"request":{"method":"POST","url":"x"},"resource":` + goodProcedure, isMended, "Bundle.entry[1].request", "bdl-3"},
		{"bdl-7 duplicate fullUrl", goodMessage, entry, entry + "," + entry, isMended, "Bundle.entry[2].fullUrl", "bdl-7"},
		{"bdl-8 versioned fullUrl", goodMessage, entry, entry + `,{"fullUrl":"http://a.example/Patient/1/_history/2","resource":{"resourceType":"Patient"}}`, isMended, "Bundle.entry[2].fullUrl", "bdl-8"},
		{"bdl-1 total in message", goodMessage, `"type"`, `"total":2,"type"`, isMended, "Bundle.total", "bdl-1"},
		{"bdl-5 empty entry", goodMessage, entry, entry + `,{"fullUrl":"urn:uuid:aaaaaaaa-0000-4000-8000-000000000003"}`, isRefused, "Bundle.entry[2].resource", "no resource"},
		{"MessageHeader no source.endpoint", goodMessage, `"endpoint":"http://ehr.example/fhir"`, `"name":"x"`, isRefused, "Bundle.entry[0].resource.source.endpoint", "required"},
		{"MessageHeader no event", goodMessage, `"eventCoding":{"system":"http://a.example/e","code":"implant"},`, ``, isRefused, "Bundle.entry[0].resource.event", "required"},
		{"inner bad status", goodMessage, `"completed"`, `"done"`, isRefused, "Bundle.entry[1].resource.status", "not a code"},
		{"unresolvable urn:uuid focus", goodMessage, `"focus":[{"reference":"urn:uuid:aaaaaaaa-0000-4000-8000-000000000002"}]`, `"focus":[{"reference":"urn:uuid:aaaaaaaa-0000-4000-8000-00000000000f"}]`, isMended, "Bundle.entry[0].resource.focus[0].reference", "this URN"},
		{"resource without resourceType", goodMessage, `"resourceType":"Procedure",`, ``, isRefused, "Bundle.entry[1].resource.resourceType", "required"},
	} {
		t.Run(f.name, func(t *testing.T) {
			got, text, _ := exampleOutcome(t, []byte(seeded(t, f)))
			if got != f.want || !strings.Contains(text, f.path+": ") || !strings.Contains(text, f.text) {
				t.Errorf("got %s, want %s with %q and %q: %s", got, f.want, f.path, f.text, text)
			}
		})
	}
}
