package intake

import (
	"slices"
	"strings"
	"testing"

	"gaussline/mapping/implant"

	"pgregory.net/rapid"
)

func TestPatient(t *testing.T) {
	s := readOne(t, `{"resourceType":"Patient","id":"p","active":false,
		"identifier":[{"system":"urn:mrn","value":" 12 ","use":"official","type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR"}]}},{"system":"urn:x"}],
		"name":[{"use":"old","family":"Invented"},{"use":"official","family":"Example","given":["Ida","May"]}],
		"gender":"female","birthDate":"1961-02","deceasedDateTime":"2024-01-05",
		"link":[{"other":{"reference":"Patient/q"},"type":"replaced-by"},{"other":{"reference":"RelatedPerson/r"},"type":"seealso"}]}`)
	p := s.Person
	if s.Patient != "ehr|Patient/p" || p == nil {
		t.Fatalf("%+v", s)
	}
	want := implant.Identifier{System: "urn:mrn", Value: "12", Type: "MR", Use: "official"}
	if len(p.Identifiers) != 1 || p.Identifiers[0] != want {
		t.Errorf("%+v", p.Identifiers)
	}
	if p.Family != "Example" || p.Given != "Ida May" || p.Sex != "female" || p.Birth != "1961-02" || p.Died != "2024-01-05" || !p.Deceased || !p.Inactive {
		t.Errorf("%+v", p)
	}
	if len(p.Links) != 1 || p.Links[0] != (implant.PatientLink{Other: "ehr|Patient/q", Type: "replaced-by"}) {
		t.Errorf("%+v", p.Links)
	}
	q := readOne(t, `{"resourceType":"Patient","id":"q","deceasedBoolean":false,"_birthDate":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}}`).Person
	if q.Deceased || q.Inactive || q.Birth != "" || q.Died != "" {
		t.Errorf("%+v", q)
	}
}

func TestReferral(t *testing.T) {
	s := readOne(t, `{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","priority":"urgent",
		"subject":{"reference":"Patient/p"},"authoredOn":"2024-05-03","occurrencePeriod":{"start":"2024-05-10","end":"2024-05-11"},
		"category":[{"coding":[{"system":"http://snomed.info/sct","code":"363679005","display":"Imaging"}]}],
		"code":{"coding":[{"system":"http://loinc.org","code":"24968-0"}],"text":"MRI lumbar spine"},"orderDetail":[{"text":"without contrast"}],
		"requester":{"display":"Dr Example"},"performer":[{"reference":"Organization/rad","identifier":{"system":"urn:site","value":"north"}}],
		"bodySite":[{"text":"left lumbar"}],"replaces":[{"reference":"ServiceRequest/old"}],
		"supportingInfo":[{"reference":"Device/d"},{"reference":"Observation/o"}]}`)
	r := s.Referral
	if r == nil || r.Status != "active" || r.Intent != "order" || r.Priority != "urgent" || r.MR != implant.Yes || r.Authored != "2024-05-03" ||
		r.Occurrence != "2024-05-10/2024-05-11" || r.Requester != "Dr Example" || r.Performer != "ehr|Organization/rad" || r.PerformerID != "urn:site|north" ||
		r.Laterality != implant.Left || r.Text != "MRI lumbar spine; without contrast" || strings.Join(r.Replaces, "") != "ehr|ServiceRequest/old" || len(r.BodySites) != 1 {
		t.Errorf("%+v", r)
	}
	if strings.Join(s.Mentions, " ") != "ehr|Device/d" || s.Patient != "ehr|Patient/p" {
		t.Errorf("%v %q", s.Mentions, s.Patient)
	}
}

// Words around an order are kept for what they ask; our own note, come back with the order, is not read at all.
func TestReferralKeepsTheWordsAroundIt(t *testing.T) {
	const order = `{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","subject":{"reference":"Patient/p"},"code":{"text":"MRI brain"},`
	s := readOne(t, order+`"note":[{"text":"please also do lumbar"},{"authorString":"Gaussline implant record (decision support)","text":"Lead, lumbar spine, implanted 2019. A spinal cord stimulator is in place."},{"text":" "}],
		"reasonCode":[{"coding":[{"system":"http://example.invalid","code":"x1","display":"Headache"}],"text":"headache, worse"}],"patientInstruction":"arrive early"}`)
	if r := s.Referral; !slices.Equal(r.Remarks, []string{"please also do lumbar"}) || !slices.Equal(r.Reasons, []string{"headache, worse; Headache", "arrive early"}) {
		t.Errorf("%q %q", r.Remarks, r.Reasons)
	}
	if with := readOne(t, order+`"note":[{"text":"A spinal cord stimulator is in place."}]}`); len(facts(with, implant.PresentByWord)) == 0 || len(facts(s, implant.PresentByWord)) != 0 {
		t.Errorf("our own note is read as the referrer's: %+v", s.Facts)
	}
}

func TestReferralIsItMR(t *testing.T) {
	for more, want := range map[string]implant.Tri{
		`"code":{"text":"MRI brain"}`: implant.Yes,
		`"code":{"coding":[{"system":"http://loinc.org","code":"24627-2"}],"text":"Chest CT"}`:                                             implant.No,
		`"code":{"coding":[{"system":"http://loinc.org","code":"24627-2"}],"text":"MRI chest"}`:                                            implant.Maybe,
		`"code":{"text":"lumbar spine"},"category":[{"text":"Radiology"}]`:                                                                 implant.Maybe,
		`"code":{"text":"whole spine"},"orderDetail":[{"coding":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"MR"}]}]`: implant.Yes,
		`"code":{"text":"CT lumbar"},"note":[{"text":"or MRI if you prefer"}]`:                                                             implant.Maybe,
		`"code":{"text":"Physiotherapy"}`: implant.No,
	} {
		s := readOne(t, `{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","subject":{"reference":"Patient/p"},`+more+`}`)
		if s.Referral.MR != want {
			t.Errorf("%s: %s (%s), want %s", more, s.Referral.MR, s.Referral.MRWhy, want)
		}
	}
	s := readOne(t, `{"resourceType":"ServiceRequest","id":"r","status":"entered-in-error","intent":"order","subject":{"reference":"Patient/p"},"code":{"text":"MRI"},"doNotPerform":true}`)
	if !s.Void || s.Referral == nil || s.Referral.Status != "entered-in-error" || !s.Referral.DoNotPerform {
		t.Errorf("%+v", s)
	}
}

// A newer version that nobody could read may have made an MR order of another: no answer becomes more certain by it.
func TestBeforeUnread(t *testing.T) {
	for was, want := range map[implant.Tri]implant.Tri{implant.Yes: implant.Yes, implant.Maybe: implant.Maybe, implant.No: implant.Maybe} {
		before := implant.Referral{Status: "active", MR: was, MRWhy: "text", Text: "CT head"}
		got := BeforeUnread(before)
		if got.MR != want || got.Status != "active" || got.Text != "CT head" || !strings.HasSuffix(got.MRWhy, "text") {
			t.Errorf("%s: %+v", was, got)
		}
		if before.MR != was {
			t.Error("the order itself was changed")
		}
	}
}

func TestPlainStatements(t *testing.T) {
	s := readOne(t, `{"resourceType":"Encounter","id":"e","status":"finished","class":{"code":"AMB"},"subject":{"reference":"Patient/p"}}`)
	if s.Patient != "ehr|Patient/p" || s.Key != "ehr|Encounter/e" {
		t.Errorf("%+v", s)
	}
	for _, typ := range []string{"Practitioner", "Organization"} {
		if s := readOne(t, `{"resourceType":"`+typ+`","id":"a"}`); s.Key != "ehr|"+typ+"/a" || len(s.Facts) > 0 {
			t.Errorf("%+v", s)
		}
	}
}

// A small world of resources that refer to one another in every way.
var pool = []string{
	entry("https://ehr.example/fhir/Patient/p", `{"resourceType":"Patient","id":"p","identifier":[{"system":"urn:mrn","value":"1"}]}`),
	entry("https://ehr.example/fhir/Device/d1", dev1),
	entry("urn:uuid:2", dev2),
	entry("urn:uuid:3", devBare),
	entry("urn:uuid:9", proc("completed", focal(coded("http://hl7.org/fhir/device-action", "explanted")))),
	entry("urn:uuid:8", dus(`{"reference":"urn:uuid:2"}`)),
	entry("https://ehr.example/fhir/DeviceUseStatement/v", strings.Replace(dus(`{"reference":"Device/d1"}`), `"id":"u"`, `"id":"v"`, 1)),
	entry("urn:uuid:7", strings.Replace(dus(`{"identifier":{"system":"urn:inv","value":"88"}}`), `"id":"u"`, `"id":"w"`, 1)),
	entry("https://other.example/Device/5", dev1),
}

// Read gives the same statements whatever the order of the items, and the same again when asked again.
func TestOrderOfItemsDoesNotMatter(t *testing.T) {
	env, items := bundleItems(t, collection(pool...))
	want := Read(env, items)
	if !equalSets(want, Read(env, items)) {
		t.Fatal("two readings differ")
	}
	rapid.Check(t, func(rt *rapid.T) {
		shuffled := rapid.Permutation(items).Draw(rt, "items")
		if !equalSets(want, Read(env, shuffled)) {
			rt.Fatal("the order of items changed the statements")
		}
	})
}

func equalSets(a, b []implant.Statement) bool {
	return slices.Equal(rendered(a), rendered(b))
}

func rendered(list []implant.Statement) []string {
	var out []string
	for _, s := range list {
		out = append(out, render(s))
	}
	slices.Sort(out)
	return out
}

func TestOccurrenceOfATiming(t *testing.T) {
	// Source: FHIR R4 Timing: events, or a repeat within bounds.
	for timing, want := range map[string]implant.When{
		`{"event":["2024-05-12","2024-05-10"]}`:                                 "2024-05-10/2024-05-12",
		`{"event":["2024-05-10"]}`:                                              "2024-05-10",
		`{"repeat":{"boundsPeriod":{"start":"2024-05-01","end":"2024-06-01"}}}`: "2024-05-01/2024-06-01",
		`{"code":{"text":"weekly"}}`:                                            "",
	} {
		s := readOne(t, `{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","subject":{"reference":"Patient/p"},"occurrenceTiming":`+timing+`}`)
		if s.Referral.Occurrence != want {
			t.Errorf("%s: %q, want %q", timing, s.Referral.Occurrence, want)
		}
	}
}

func TestSubjectThatIsNoPatient(t *testing.T) {
	for subject, findings := range map[string]int{`{"reference":"Group/g"}`: 1, `{"display":"A person"}`: 1, `{"reference":"Device/d"}`: 0} {
		s := readOne(t, `{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","code":{"text":"MRI"},"subject":`+subject+`}`)
		// The order stands on a record of its own, which says that the patient is not known.
		if s.Patient != s.Key || s.Facts[len(s.Facts)-1].Kind != implant.Unread || len(s.Findings) != findings {
			t.Errorf("%s: %q %+v", subject, s.Patient, s.Findings)
		}
	}
}
