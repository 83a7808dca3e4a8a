package banner

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// oddOrder is an order with spacing, escapes, numbers and members that a re-writer would change.
const oddOrder = "{\r\n\t\"resourceType\" : \"ServiceRequest\" , \"id\":\"s1\",\"status\":\"active\",\"intent\":\"order\",\n" +
	`"subject" : { "reference" : "Patient/p1" },"quantityQuantity":{"value":2.00},"code":{"text":"MR \u003cknee\u003e & <hip> \u00e9é"},` +
	`"extension":[{"url":"http://x.invalid","valueDecimal":1.10e1}], "note" : [ {"text":"as sent"} ] }`

type bundleView struct {
	ResourceType, ID, Type string
	Entry                  []struct {
		FullURL  string
		Resource json.RawMessage
	}
}

type resourceView struct {
	ResourceType, ID, Status string
	Subject, Patient         struct{ Reference, Display string }
}

func bundleOf(t *testing.T, o Order, n Note, withdrawn bool) ([]byte, bundleView, map[string][]resourceView) {
	t.Helper()
	b, err := Bundle(o, n, time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC), withdrawn)
	if err != nil {
		t.Fatal(err)
	}
	var v bundleView
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	byType := map[string][]resourceView{}
	for _, e := range v.Entry {
		var r resourceView
		if err := json.Unmarshal(e.Resource, &r); err != nil && r.ResourceType != "ServiceRequest" { // that is as sent
			t.Fatal(err)
		}
		byType[r.ResourceType] = append(byType[r.ResourceType], r)
	}
	return b, v, byType
}

func order(raw string) Order {
	return Order{Key: "hillside|ServiceRequest/s1", FullURL: "http://ehr.hillside.invalid/fhir/ServiceRequest/s1", Raw: []byte(raw), Site: "north"}
}

// The order leaves with every byte that came, in order, and only note and supportingInfo added (our own rule:
// received bytes are evidence).
func TestBundleKeepsTheOrderByteForByte(t *testing.T) {
	b, _, _ := bundleOf(t, order(oddOrder), Note{Revision: 1, Verdict: mri.Verdict{Kind: mri.KindNothing}}, false)
	head, tail, _ := strings.Cut(oddOrder, `{"text":"as sent"} `)
	head += `{"text":"as sent"} `
	if !bytes.Contains(b, []byte(head+",{\"authorString\"")) {
		t.Errorf("the bytes before the note changed: %s", b)
	}
	if !bytes.Contains(b, []byte("}"+strings.TrimSuffix(tail, "}")+`,"supportingInfo":[{"reference":`)) {
		t.Errorf("the bytes after the note changed: %s", b)
	}
}

// A superseding note is a new message (R4 messaging: a MessageHeader.id already seen is a resend) about the same Flag
// and DetectedIssue.
func TestRevisionsAreNewMessagesAboutTheSameThings(t *testing.T) {
	n := Note{Revision: 1, Verdict: mri.Verdict{Kind: mri.KindUnsafe}}
	b1, v1, r1 := bundleOf(t, order(oddOrder), n, false)
	again, _, _ := bundleOf(t, order(oddOrder), n, false)
	n.Revision = 2
	_, v2, r2 := bundleOf(t, order(oddOrder), n, true)
	if !bytes.Equal(b1, again) {
		t.Error("the same inputs give different bytes")
	}
	if v1.ID == v2.ID || r1["MessageHeader"][0].ID == r2["MessageHeader"][0].ID || r1["Provenance"][0].ID == r2["Provenance"][0].ID {
		t.Error("a revision has the message id of the one before")
	}
	for _, typ := range []string{"Flag", "DetectedIssue"} {
		if r1[typ][0].ID != r2[typ][0].ID {
			t.Errorf("%s of another revision has another id", typ)
		}
	}
	if r1["Flag"][0].Status != "active" || r2["Flag"][0].Status != "inactive" || r1["DetectedIssue"][0].Status != "final" || r2["DetectedIssue"][0].Status != "cancelled" {
		t.Error("states of flag and issue are wrong")
	}
	for i, e := range v1.Entry {
		if e.FullURL == "" {
			t.Errorf("entry %d has no fullUrl", i)
		}
	}
}

// How the patient is named: by an absolute reference where there is one, else by a Patient that the Bundle carries.
func TestSubjectCanBeFollowed(t *testing.T) {
	person := implant.Person{Family: "Invented", Given: "Ada Mae", Birth: "1960-02-03", Sex: "female", Identifiers: []implant.Identifier{{Value: "9"}}}
	for name, c := range map[string]struct{ subject, want string }{
		"relative":           {`{"reference":"Patient/p1"}`, "http://ehr.hillside.invalid/fhir/Patient/p1"},
		"versioned":          {`{"reference":"Patient/p1/_history/2"}`, "http://ehr.hillside.invalid/fhir/Patient/p1/_history/2"},
		"absolute":           {`{"reference":"https://other.invalid/r4/Patient/7"}`, "https://other.invalid/r4/Patient/7"},
		"in the message":     {`{"reference":"urn:uuid:7b6f1c4e-91f5-4d3f-8d55-3f3d54fbb7aa"}`, ""},
		"contained":          {`{"reference":"#p"}`, ""},
		"by identifier":      {`{"identifier":{"value":"9"},"display":"A"}`, ""},
		"a list of one":      {`[{"reference":"Patient/p1"}]`, "http://ehr.hillside.invalid/fhir/Patient/p1"},
		"not understood":     {`"Patient/p1"`, ""},
		"of another type":    {`{"reference":"Device/1"}`, ""},
		"absolute of a type": {`{"reference":"http://other.invalid/Group/1"}`, ""},
	} {
		raw := `{"resourceType":"ServiceRequest","status":"active","intent":"order","subject":` + c.subject + `}`
		_, v, r := bundleOf(t, order(raw), Note{Revision: 1, Record: implant.Record{Person: person, Parts: []implant.Part{{ID: "a", State: implant.Connected}}},
			Verdict: mri.Verdict{Kind: mri.KindOutside}}, false)
		got := r["Flag"][0].Subject.Reference
		if got != r["DetectedIssue"][0].Patient.Reference || got != r["Device"][0].Patient.Reference {
			t.Errorf("%s: three resources name three patients", name)
		}
		if c.want != "" {
			if got != c.want || len(r["Patient"]) > 0 {
				t.Errorf("%s: %s, %d patients carried; want %s", name, got, len(r["Patient"]), c.want)
			}
			continue
		}
		carried := false
		for _, e := range v.Entry {
			carried = carried || e.FullURL == got && bytes.Contains(e.Resource, []byte(`"family":"Invented"`)) && bytes.Contains(e.Resource, []byte(`"1960-02-03"`))
		}
		if !strings.HasPrefix(got, "urn:uuid:") || !carried {
			t.Errorf("%s: %q is not carried", name, got)
		}
	}
	if _, err := Bundle(order(`{"resourceType":"ServiceRequest"}`), Note{}, time.Time{}, false); err == nil {
		t.Error("an order without subject gave a banner")
	}
}

// A device is active only where the record says it is in place, never inactive, and absent when it is out.
func TestDeviceStatus(t *testing.T) {
	for state, want := range map[implant.State]string{implant.Connected: "active", implant.NotConnected: "active", implant.Capped: "active",
		implant.Cut: "active", implant.RemovedInPart: "active", implant.StateUnknown: "unknown", implant.ReportedRemoved: "unknown",
		implant.SoughtNotFound: "unknown", implant.RemovedWhole: "", implant.NeverImplanted: ""} {
		_, _, r := bundleOf(t, order(oddOrder), Note{Revision: 1, Record: implant.Record{Parts: []implant.Part{{ID: "a", State: state}}},
			Verdict: mri.Verdict{Kind: mri.KindOutside}}, false)
		got := ""
		if len(r["Device"]) > 0 {
			got = r["Device"][0].Status
		}
		if got != want {
			t.Errorf("%s: status %q, want %q", state, got, want)
		}
	}
}

func TestProvenanceCountsWhatItLeavesOut(t *testing.T) {
	p := implant.Part{ID: "a", State: implant.Connected}
	for i := range maxSources + 5 {
		p.Evidence = append(p.Evidence, implant.Source{Key: "hillside|Procedure/" + strings.Repeat("x", i)})
	}
	b, _, _ := bundleOf(t, order(oddOrder), Note{Revision: 1, Record: implant.Record{Parts: []implant.Part{p}}, Verdict: mri.Verdict{Kind: mri.KindOutside}}, false)
	if !bytes.Contains(b, []byte("and 5 more sources")) {
		t.Error("sources left out are not counted")
	}
}
