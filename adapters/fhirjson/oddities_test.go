package fhirjson

import "testing"

// The tables here go through oddities of real messages, as tried against google/fhir v0.7.4: what that library
// refuses, changes or takes, and what we make of it. What is right is by HL7 FHIR R4 4.0.1 (the JSON page and the data
// types); which oddities occur is common practice, no source.

func TestUnknownFields(t *testing.T) {
	checkAll(t, []row{
		{"unknown field", patient(`"nickname":"x"`), isMended, "Patient.nickname", "unknown field"},
		{"unknown field, underscore", patient(`"_nickname":{"id":"x"}`), isMended, "Patient.nickname", "unknown field"},
		{"unknown field, deep", patient(`"contact":[{"name":{"family":"A","rank":1}}]`), isMended, "Patient.contact[0].name.rank", "unknown field"},
		{"unknown field in contained", patient(`"contained":[{"resourceType":"Organization","id":"o","x":1}],"managingOrganization":{"reference":"#o"}`), isMended, "Patient.contained[0].x", "unknown field"},
		{"unknown field in extension", patient(`"extension":[{"url":"http://a.example/x","valueString":"v","x":1}]`), isMended, "Patient.extension[0].x", "unknown field"},
		{"fhir_comments", patient(`"fhir_comments":["x"]`), isMended, "Patient.fhir_comments", "unknown field"},
		{"data as a name is not repeated", patient(`"Ann Example":1`), isRefused, "Patient.?", "capital"},
		{"underscore beside a complex element", patient(`"_name":{"id":"x"}`), isMended, "Patient.name", "unknown field"},
		{"R5 element", procedure(`"occurrenceDateTime":"2026-05-03"`), isMended, "Procedure.occurrenceDateTime", "R5"},
		{"R5 Device.displayName", device(`"displayName":"x"`), isMended, "Device.displayName", "R5"},
		{"R5 CodeableReference", order(`"code":{"concept":{"text":"MR"}}`), isRefused, "ServiceRequest.code.concept", "R4 only"},
		{"STU3 element", device(`"udi":{"deviceIdentifier":"x"}`), isMended, "Device.udi", "STU3"},
		{"STU3 Procedure.notDone", procedure(`"notDone":true`), isRefused, "Procedure.notDone", "negates"},
		{"resourceType inside", patient(`"name":[{"resourceType":"x","family":"A"}]`), isMended, "Patient.name[0].resourceType", "unknown field"},
		{"only unknown fields in an element", patient(`"maritalStatus":{"x":1}`), isMended, "Patient.maritalStatus", "nothing is left"},
	})
}

func TestWrongCase(t *testing.T) {
	checkAll(t, []row{
		{"Gender", patient(`"Gender":"male"`), isRefused, "Patient.Gender", "capital"},
		{"_BirthDate", patient(`"_BirthDate":{"id":"a"}`), isRefused, "Patient._BirthDate", "capital"},
		{"Id", `{"resourceType":"Patient","Id":"p1"}`, isRefused, "Patient.Id", "capital"},
		{"birthdate", patient(`"birthdate":"1980-01-01"`), isRefused, "Patient.birthdate", "only in capitals"},
		{"deep", patient(`"name":[{"Family":"A"}]`), isRefused, "Patient.name[0].Family", "capital"},
		{"valuestring", patient(`"extension":[{"url":"http://a.example","valuestring":"x"}]`), isRefused, "Patient.extension[0].valuestring", "only in capitals"},
	})
}

func TestNullAndEmpty(t *testing.T) {
	checkAll(t, []row{
		{"legal null in given", patient(`"name":[{"given":["A",null],"_given":[null,{"extension":[{"url":"http://a.example","valueString":"x"}]}]}]`), isRead, "", ""},
		{"legal null, all values", patient(`"name":[{"given":["A","B"],"_given":[null,{"id":"x"}]}]`), isRead, "", ""},
		{"null without extension", patient(`"name":[{"given":["A",null]}]`), isMended, "Patient.name[0].given[1]", "nothing in it"},
		{"null on both sides", patient(`"name":[{"given":[null,"B"],"_given":[null,{"id":"x"}]}]`), isMended, "Patient.name[0].given[0]", "nothing in it"},
		{"only nulls", patient(`"name":[{"family":"A","given":[null]}]`), isMended, "Patient.name[0].given[0]", "nothing in it"},
		{"shorter underscore array", patient(`"name":[{"given":["A","B"],"_given":[{"id":"x"}]}]`), isRead, "", ""},
		{"null string", patient(`"name":[{"family":null,"text":"A"}]`), isMended, "Patient.name[0].family", "null"},
		{"null code", patient(`"gender":null`), isMended, "Patient.gender", "null"},
		{"null date with extension", patient(`"birthDate":null,"_birthDate":{"extension":[{"url":"http://a.example","valueString":"x"}]}`), isMended, "Patient.birthDate", "null"},
		{"null underscore", patient(`"birthDate":"1980-01-01","_birthDate":null`), isMended, "Patient.birthDate", "null"},
		{"null element in array", patient(`"name":[null,{"family":"A"}]`), isMended, "Patient.name[0]", "null"},
		{"null array", patient(`"name":null`), isMended, "Patient.name", "null"},
		{"null in a required element", `{"resourceType":"Procedure","status":null,"subject":{"reference":"Patient/p1"}}`, isRefused, "Procedure.status", "required"},
		{"empty string", patient(`"name":[{"family":"","text":"A"}]`), isMended, "Patient.name[0].family", "empty string"},
		{"empty string in array", patient(`"name":[{"given":["A",""]}]`), isMended, "Patient.name[0].given[1]", "empty string"},
		{"empty string in a date", patient(`"birthDate":""`), isMended, "Patient.birthDate", "empty string"},
		{"empty string for an array", patient(`"name":""`), isMended, "Patient.name", "empty string"},
		{"empty object", patient(`"maritalStatus":{}`), isMended, "Patient.maritalStatus", "empty object"},
		{"empty object for a primitive", patient(`"birthDate":{}`), isMended, "Patient.birthDate", "empty object"},
		{"empty object in array", patient(`"name":[{},{"family":"A"}]`), isMended, "Patient.name[0]", "empty object"},
		{"nested empty objects", patient(`"contact":[{"name":{}}]`), isMended, "Patient.contact[0]", "nothing is left"},
		{"empty array", patient(`"name":[]`), isMended, "Patient.name", "empty array"},
		{"empty array where one value belongs", patient(`"maritalStatus":[]`), isMended, "Patient.maritalStatus", "empty array"},
		{"empty base64", device(`"udiCarrier":[{"carrierAIDC":"","carrierHRF":"x"}]`), isMended, "Device.udiCarrier[0].carrierAIDC", "empty string"},
		{"blank family name", patient(`"name":[{"family":" A "}]`), isRead, "", ""},
	})
}

func TestArity(t *testing.T) {
	checkAll(t, []row{
		{"object for an array", patient(`"name":{"family":"A"}`), isMended, "Patient.name", "array of one"},
		{"string for an array", patient(`"name":[{"given":"A"}]`), isMended, "Patient.name[0].given", "array of one"},
		{"array of one for an object", patient(`"maritalStatus":[{"text":"x"}]`), isMended, "Patient.maritalStatus", "single value"},
		{"array of two for an object", patient(`"maritalStatus":[{"text":"x"},{"text":"y"}]`), isRefused, "Patient.maritalStatus", "more than one"},
		{"object for a primitive", patient(`"gender":{"coding":[]}`), isRefused, "Patient.gender", "single value"},
		{"string for an object", patient(`"maritalStatus":"M"`), isRefused, "Patient.maritalStatus", "object"},
		{"number for a string", patient(`"name":[{"family":5}]`), isRefused, "Patient.name[0].family", "expected string"},
		{"number for a boolean", patient(`"active":1`), isRefused, "Patient.active", "expected boolean"},
		{"two data types of one choice", patient(`"deceasedBoolean":true,"deceasedDateTime":"2020-01-01"`), isRefused, "Patient", "multiple values"},
		{"wrong data type of a modifier choice", patient(`"deceasedString":"yes"`), isRefused, "Patient.deceasedString", "data type"},
		{"wrong data type of a choice", procedure(`"performedInstant":"2026-05-03T10:00:00Z"`), isMended, "Procedure.performedInstant", "data type"},
	})
}

func TestBase64(t *testing.T) {
	aidc := func(s string) string { return device(`"udiCarrier":[{"carrierAIDC":"` + s + `"}]`) }
	const at = "Device.udiCarrier[0].carrierAIDC"
	checkAll(t, []row{
		{"plain", aidc("AQID/w=="), isRead, "", ""},
		{"CR LF", aidc(`AQID\r\n/w==`), isMended, at, "plain form"},
		{"LF", aidc(`AQID\n/w==`), isMended, at, "plain form"},
		{"escaped slash", aidc(`AQID\/w==`), isRead, "", ""},
		{"URL alphabet", aidc("AQID_w=="), isMended, at, "plain form"},
		{"no padding", aidc("AQID/w"), isMended, at, "plain form"},
		{"regular blanks", aidc("AQID AQID AQID"), isRead, "", ""},
		{"irregular blanks between groups", aidc("AQID AQIDAQID AQID"), isMended, at, "plain form"},
		{"both alphabets", aidc("AQID_+=="), isRefused, at, "binary"},
		{"words", aidc("left in place"), isRefused, at, "binary"},
		{"not base64", aidc("!!!"), isRefused, at, "binary"},
	})
}

func TestDates(t *testing.T) {
	birth := func(s string) string { return patient(`"birthDate":"` + s + `"`) }
	when := func(s string) string { return procedure(`"performedDateTime":"` + s + `"`) }
	const b, w = "Patient.birthDate", "Procedure.performedDateTime"
	checkAll(t, []row{
		{"date YYYYMMDD", birth("19800102"), isMended, b, "YYYY-MM-DD"},
		{"date with time", birth("1980-01-02T00:00:00+02:00"), isMended, b, "time of day left out"},
		{"date DD/MM/YYYY is ambiguous", birth("02/01/1980"), isRefused, b, "date"},
		{"date YYYYMM could be YYMMDD", birth("198001"), isRefused, b, "date"},
		{"year", birth("1980"), isRead, "", ""},
		{"month", birth("1980-01"), isRead, "", ""},
		{"dateTime without zone", when("2026-05-03T10:00:00"), isMended, w, "the day is kept"},
		{"dateTime without zone and seconds", when("2026-05-03T10:00"), isMended, w, "the day is kept"},
		{"dateTime without seconds", when("2026-05-03T10:00+02:00"), isMended, w, "full minute"},
		{"blank for T", when("2026-05-03 10:00:00Z"), isMended, w, "form of FHIR"},
		{"dateTime YYYYMMDD", when("20260503"), isMended, w, "YYYY-MM-DD"},
		{"offset +0100", when("2026-05-03T10:00:00+0100"), isMended, w, "form of FHIR"},
		{"lower t and z", when("2026-05-03t10:00:00z"), isMended, w, "form of FHIR"},
		{"24:00:00", when("2026-05-03T24:00:00Z"), isMended, w, "24:00"},
		{"24:30", when("2026-05-03T24:30:00Z"), isRefused, w, "datetime"},
		{"leap second", when("2016-12-31T23:59:60Z"), isMended, w, ":60"},
		{"-00:00", when("2026-05-03T10:00:00-00:00"), isRead, "", ""},
		{"fraction of 7 digits", when("2026-05-03T10:00:00.1234567Z"), isRead, "", ""},
		{"fraction of 1 digit", when("2026-05-03T10:00:00.1Z"), isRead, "", ""},
		{"no such day", when("2026-02-30"), isRefused, w, "datetime"},
		{"no such month", when("2026-13-45"), isRefused, w, "datetime"},
		{"offset of 15 hours", when("2026-05-03T10:00:00+15:00"), isRefused, w, "datetime"},
		{"lastUpdated date only", patient(`"meta":{"lastUpdated":"2026-05-03"}`), isMended, "Patient.meta.lastUpdated", "left out"},
		{"lastUpdated rubbish", patient(`"meta":{"lastUpdated":"yesterday"}`), isMended, "Patient.meta.lastUpdated", "left out"},
		{"lastUpdated without seconds", patient(`"meta":{"lastUpdated":"2026-05-03T10:00Z"}`), isMended, "Patient.meta.lastUpdated", "full minute"},
		{"date of another type", patient(`"birthDate":19800102`), isRefused, b, "date"},
	})
}

func TestIdsAndUris(t *testing.T) {
	long := "a123456789b123456789c123456789d123456789e123456789f123456789g1234"
	checkAll(t, []row{
		{"id with underscore", `{"resourceType":"Patient","id":"a_b"}`, isMended, "Patient.id", "kept as it was sent"},
		{"id of 65 characters", `{"resourceType":"Patient","id":"` + long + `"}`, isMended, "Patient.id", "kept as it was sent"},
		{"id with a trailing blank", `{"resourceType":"Patient","id":"a "}`, isMended, "Patient.id", "blanks"},
		{"contained id with underscore", patient(`"contained":[{"resourceType":"Organization","id":"o_1"}],"managingOrganization":{"reference":"#o_1"}`), isMended, "Patient.contained[0].id", "kept as it was sent"},
		{"versionId with quotes", patient(`"meta":{"versionId":"W/\"3\""}`), isMended, "Patient.meta.versionId", "kept as it was sent"},
		{"odd id inside a reference", device(`"parent":{"reference":"Device/a_b"}`), isRead, "", ""},
		{"uri with a blank", patient(`"identifier":[{"system":"http://a.example/x y","value":"1"}]`), isRead, "", ""},
		{"uri with a bad percent sign", patient(`"identifier":[{"system":"http://a.example/50%","value":"1"}]`), isMended, "Patient.identifier[0].system", "percent"},
		{"uri with blanks around", patient(`"identifier":[{"system":" http://a.example ","value":"1"}]`), isMended, "Patient.identifier[0].system", "blanks"},
		{"uri that is none", patient(`"identifier":[{"system":":1","value":"1"}]`), isRefused, "Patient.identifier[0].system", "invalid uri"},
		{"code with two blanks", patient(`"maritalStatus":{"coding":[{"code":"a  b"}]}`), isMended, "Patient.maritalStatus.coding[0].code", "blanks"},
		{"code with a trailing blank", patient(`"maritalStatus":{"coding":[{"code":"M "}]}`), isMended, "Patient.maritalStatus.coding[0].code", "blanks"},
	})
}

func TestCodesNumbersTruth(t *testing.T) {
	checkAll(t, []row{
		{"upper-case code", patient(`"gender":"Female"`), isMended, "Patient.gender", "form of the required set"},
		{"upper-case status", `{"resourceType":"Procedure","status":"Completed","subject":{"reference":"Patient/p1"}}`, isMended, "Procedure.status", "form of the required set"},
		{"underscore code", `{"resourceType":"Procedure","status":"entered_in_error","subject":{"reference":"Patient/p1"}}`, isMended, "Procedure.status", "form of the required set"},
		{"comparator in words", order(`"quantityQuantity":{"value":1,"comparator":"less-than"}`), isMended, "ServiceRequest.quantityQuantity.comparator", "form of the required set"},
		{"code with blanks around", patient(`"gender":" female"`), isMended, "Patient.gender", "form of the required set"},
		{"gender F", patient(`"gender":"F"`), isMended, "Patient.gender", "left out: not a code"},
		{"status unknown to R4", procedureStatus("aborted"), isRefused, "Procedure.status", "not a code"},
		{"identifier use is a modifier", patient(`"identifier":[{"use":"legal","value":"1"}]`), isRefused, "Patient.identifier[0].use", "not a code"},
		{"name use", patient(`"name":[{"use":"legal","family":"A"},{"family":"B"}]`), isMended, "Patient.name[0].use", "whole element left out"},
		{"telecom use", patient(`"contact":[{"telecom":[{"use":"cell","value":"1"}]}]`), isMended, "Patient.contact[0].telecom[0].use", "whole element left out"},
		{"Device.status is a modifier", device(`"status":"explanted"`), isRefused, "Device.status", "not a code"},
		{"doNotPerform as string", order(`"doNotPerform":"true"`), isRefused, "ServiceRequest.doNotPerform", "truth value"},
		{"doNotPerform null", order(`"doNotPerform":null`), isMended, "ServiceRequest.doNotPerform", "null"},
		{"Patient.active as string", patient(`"active":"false"`), isRefused, "Patient.active", "truth value"},
		{"Patient.deceased as string", patient(`"deceasedBoolean":"false"`), isRefused, "Patient.deceasedBoolean", "truth value"},
		{"a truth value that is no modifier as string", order(`"asNeededBoolean":"true"`), isMended, "ServiceRequest.asNeededBoolean", "truth value"},
		{"True", order(`"asNeededBoolean":"True"`), isRefused, "ServiceRequest.asNeededBoolean", "boolean"},
		{"decimal as string", order(`"quantityQuantity":{"value":"1.50"}`), isMended, "ServiceRequest.quantityQuantity.value", "number written"},
		{"decimal as words", order(`"quantityQuantity":{"value":"one"}`), isRefused, "ServiceRequest.quantityQuantity.value", "decimal"},
		{"decimal 1.50", order(`"quantityQuantity":{"value":1.50}`), isRead, "", ""},
		{"decimal 1e3", order(`"quantityQuantity":{"value":1e3}`), isRead, "", ""},
		{"decimal 1.0E+2", order(`"quantityQuantity":{"value":1.0E+2}`), isRead, "", ""},
		{"decimal -0", order(`"quantityQuantity":{"value":-0}`), isRead, "", ""},
		{"decimal of 30 digits", order(`"quantityQuantity":{"value":123456789012345678901234567890}`), isRead, "", ""},
		{"integer 1.0", patient(`"multipleBirthInteger":1.0`), isMended, "Patient.multipleBirthInteger", "fraction"},
		{"integer 1.5", patient(`"multipleBirthInteger":1.5`), isRefused, "Patient.multipleBirthInteger", "integer"},
		{"positive integer 0", patient(`"telecom":[{"rank":0}]`), isRefused, "Patient.telecom[0].rank", "positive integer"},
		{"positive integer as string", patient(`"telecom":[{"rank":"2"}]`), isMended, "Patient.telecom[0].rank", "number written"},
		{"half a surrogate pair", patient(`"name":[{"text":"A\ud800"}]`), isRead, "", ""},
		{"control character in a string", patient(`"name":[{"text":"A\u000cB"}]`), isMended, "Patient.name[0].text", "control"},
	})
}

func procedureStatus(code string) string {
	return `{"resourceType":"Procedure","status":"` + code + `","subject":{"reference":"Patient/p1"}}`
}

func TestExtensionsAndContained(t *testing.T) {
	checkAll(t, []row{
		{"unknown extension", patient(`"extension":[{"url":"http://a.example/x","valueString":"v"}]`), isRead, "", ""},
		{"nested extension", patient(`"extension":[{"url":"http://a.example/x","extension":[{"url":"y","valueInteger":1}]}]`), isRead, "", ""},
		{"modifierExtension", procedure(`"modifierExtension":[{"url":"http://a.example/x","valueBoolean":true}]`), isMended, "Procedure.modifierExtension", "may change the meaning"},
		{"modifierExtension without url", procedure(`"modifierExtension":[{"valueBoolean":true}]`), isRefused, "Procedure.modifierExtension[0]", "without url"},
		{"implicitRules", procedure(`"implicitRules":"http://a.example/rules"`), isMended, "Procedure.implicitRules", "may change the meaning"},
		{"extension on a date with value", patient(`"birthDate":"1980-01-01","_birthDate":{"extension":[{"url":"http://a.example/t","valueString":"v"}]}`), isRead, "", ""},
		{"extension on a date without value", patient(`"_birthDate":{"extension":[{"url":"http://a.example/t","valueString":"v"}]}`), isRead, "", ""},
		{"extension without url", patient(`"extension":[{"valueString":"v"}]`), isMended, "Patient.extension[0]", "without url"},
		{"extension on a reference", device(`"parent":{"reference":"Device/2","_reference":{"extension":[{"url":"http://a.example","valueString":"x"}]}}`), isMended, "Device.parent.reference", "received bytes"},
		{"contained", patient(`"contained":[{"resourceType":"Organization","id":"o"}],"managingOrganization":{"reference":"#o"}`), isRead, "", ""},
		{"contained, referred to by nothing", patient(`"contained":[{"resourceType":"Organization","id":"o"}]`), isMended, "Patient.contained[0]", "dom-3"},
		{"contained that is missing", patient(`"managingOrganization":{"reference":"#o"}`), isMended, "Patient.managingOrganization.reference", "ref-1"},
		{"contained in contained", patient(`"contained":[{"resourceType":"Organization","id":"o","contained":[]}]`), isRefused, "Patient.contained[0].contained", "contained"},
		{"contained of an unknown type", patient(`"contained":[{"resourceType":"Foo","id":"o","x":null}],"managingOrganization":{"reference":"#o"}`), isRefused, "Patient.contained[0].resourceType", "unknown resource type"},
		{"script in narrative", patient(`"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">A<script>x()</script>B</div>"}`), isMended, "Patient.text.div", "txt-1"},
		{"event attribute in narrative", patient(`"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p onclick=\"x()\">A</p></div>"}`), isMended, "Patient.text.div", "txt-1"},
		{"escaped script in narrative", patient(`"text":{"status":"generated","div":"<div>\u003cscript>x()\u003c/script>B</div>"}`), isMended, "Patient.text.div", "txt-1"},
		{"plain narrative", patient(`"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p class=\"on\">one = two</p></div>"}`), isRead, "", ""},
	})
}

func TestReferences(t *testing.T) {
	for _, ref := range []string{"Device/2", "Device/2/_history/3", "http://ehr.example/fhir/Device/2", "urn:oid:1.2.3",
		"urn:uuid:0f2c2a5e-3bb6-4e1c-9f0f-3c1d2e4a5b6c", "Device?serial=1", "Foo/1", "Device"} {
		t.Run(ref, func(t *testing.T) {
			check(t, row{json: device(`"parent":{"reference":"` + ref + `"}`), want: isRead})
		})
	}
	checkAll(t, []row{
		{"identifier only", device(`"parent":{"identifier":{"value":"1"}}`), isRead, "", ""},
		{"display only", device(`"parent":{"display":"x"}`), isRead, "", ""},
		{"wrong target, optional", procedure(`"location":{"reference":"Device/1"}`), isMended, "Procedure.location", "left out: a reference to a Device"},
		{"wrong target in a list, optional", procedure(`"usedReference":[{"reference":"Patient/1","display":"x"},{"reference":"Device/1"}]`), isMended, "Procedure.usedReference[0]", "left out: a reference to a Patient"},
		{"wrong subject", `{"resourceType":"Procedure","status":"completed","subject":{"reference":"Device/1"}}`, isRefused, "Procedure.subject", "a reference to a Device"},
		{"no subject", `{"resourceType":"Procedure","status":"completed"}`, isRefused, "Procedure.subject", "required"},
		{"wrong patient of a device", `{"resourceType":"Device","patient":{"reference":"Practitioner/1"}}`, isRefused, "Device.patient", "a reference to a Practitioner"},
		{"type of STU3", order(`"basedOn":[{"reference":"ProcedureRequest/1"}]`), isMended, "ServiceRequest.basedOn[0]", "left out: a reference to a ProcedureRequest"},
	})
}

func TestOtherVersions(t *testing.T) {
	checkAll(t, []row{
		{"STU3 ProcedureRequest", `{"resourceType":"ProcedureRequest"}`, isRefused, "resourceType", "R4 only"},
		{"R5 DeviceUsage", `{"resourceType":"DeviceUsage"}`, isRefused, "resourceType", "R4 only"},
		{"R4B NutritionProduct", `{"resourceType":"NutritionProduct"}`, isRefused, "resourceType", "R4 only"},
		{"R4B SubscriptionStatus", `{"resourceType":"SubscriptionStatus"}`, isRefused, "resourceType", "R4 only"},
		{"unknown type", `{"resourceType":"Foo"}`, isRefused, "resourceType", "unknown resource type"},
		{"type in lower case", `{"resourceType":"patient"}`, isRefused, "resourceType", "unknown resource type"},
		{"no type", `{"id":"x"}`, isRefused, "resourceType", "required"},
		{"type is a number", `{"resourceType":5}`, isRefused, "resourceType", "not a string"},
		{"R5 core profile", patient(`"meta":{"profile":["http://hl7.org/fhir/5.0/StructureDefinition/Patient"]}`), isRefused, "Patient.meta.profile[0]", "R4 only"},
		{"STU3 core profile by version", patient(`"meta":{"profile":["http://hl7.org/fhir/StructureDefinition/Patient|3.0.2"]}`), isRefused, "Patient.meta.profile[0]", "R4 only"},
		{"R4 core profile", patient(`"meta":{"profile":["http://hl7.org/fhir/StructureDefinition/Patient|4.0.1"]}`), isRead, "", ""},
		{"profile of a guide", patient(`"meta":{"profile":["http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient|5.0.1"]}`), isRead, "", ""},
		{"R5 CapabilityStatement", `{"resourceType":"CapabilityStatement","fhirVersion":"5.0.0"}`, isRefused, "CapabilityStatement.fhirVersion", "R4 only"},
		{"R5 Encounter loses its elements", `{"resourceType":"Encounter","status":"in-progress","class":{"code":"IMP"},"actualPeriod":{"start":"2026"}}`, isMended, "Encounter.actualPeriod", "R5"},
	})
}
