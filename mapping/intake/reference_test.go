package intake

import (
	"strings"
	"testing"
	"time"

	"gaussline/mapping/implant"
)

// entry makes a Bundle entry.
func entry(fullURL, resource string) string {
	return `{"fullUrl":"` + fullURL + `","resource":` + resource + `}`
}

func collection(entries ...string) string {
	return `{"resourceType":"Bundle","type":"collection","timestamp":"2024-05-03T10:00:00Z","entry":[` + strings.Join(entries, ",") + `]}`
}

func dus(device string) string {
	return `{"resourceType":"DeviceUseStatement","id":"u","status":"active","subject":{"reference":"Patient/p"},"device":` + device + `}`
}

const dev1 = `{"resourceType":"Device","id":"d1","identifier":[{"system":"urn:inv","value":"77"}],"status":"active"}`
const dev2 = `{"resourceType":"Device","identifier":[{"system":"urn:inv","value":" 88 "}],"status":"active"}`
const devBare = `{"resourceType":"Device","lotNumber":"L1"}`

// Source of the rules: FHIR, R4 Bundle page, "Resolving references in Bundles".
func TestReferencesInABundle(t *testing.T) {
	const base = "https://ehr.example/fhir"
	for name, tc := range map[string]struct{ from, device, entry, want string }{
		"relative against own root":       {base + "/DeviceUseStatement/u", `{"reference":"Device/d1"}`, entry(base+"/Device/d1", dev1), "ehr|Device/d1"},
		"relative against another root":   {"https://other.example/r4/DeviceUseStatement/u", `{"reference":"Device/d1"}`, entry("https://other.example/r4/Device/d1", dev1), "https://other.example/r4/Device/d1"},
		"relative, never comes":           {"https://other.example/r4/DeviceUseStatement/u", `{"reference":"Device/zz"}`, entry(base+"/Device/d1", dev1), "https://other.example/r4/Device/zz"},
		"relative from a urn":             {"urn:uuid:1", `{"reference":"Device/d1"}`, entry(base+"/Device/d1", dev1), "ehr|Device/d1"},
		"urn to an item with an id":       {"urn:uuid:1", `{"reference":"urn:uuid:2"}`, entry("urn:uuid:2", dev1), "ehr|Device/d1"},
		"urn to an item with identifier":  {"urn:uuid:1", `{"reference":"urn:uuid:2"}`, entry("urn:uuid:2", dev2), "ehr|Device/id:urn:inv|88"},
		"urn to a bare item":              {"urn:uuid:1", `{"reference":"urn:uuid:2"}`, entry("urn:uuid:2", devBare), "ehr|urn:uuid:2"},
		"urn that never comes":            {"urn:uuid:1", `{"reference":"urn:uuid:9"}`, entry("urn:uuid:2", dev1), "ehr|urn:uuid:9"},
		"absolute under the base":         {"urn:uuid:1", `{"reference":"` + base + `/Device/d1"}`, entry("urn:uuid:2", dev1), "ehr|Device/d1"},
		"absolute, version":               {"urn:uuid:1", `{"reference":"` + base + `/Device/d1/_history/3"}`, entry("urn:uuid:2", dev1), "ehr|Device/d1"},
		"absolute elsewhere":              {"urn:uuid:1", `{"reference":"https://other.example/Device/5/_history/2"}`, entry("urn:uuid:2", dev1), "https://other.example/Device/5"},
		"relative, version":               {base + "/DeviceUseStatement/u", `{"reference":"Device/d1/_history/4"}`, entry(base+"/Device/d1", dev1), "ehr|Device/d1"},
		"identifier of an entry":          {"urn:uuid:1", `{"type":"Device","identifier":{"system":"urn:inv","value":"77"}}`, entry("urn:uuid:2", dev1), "ehr|Device/d1"},
		"identifier, type not said":       {"urn:uuid:1", `{"identifier":{"system":"urn:inv","value":"77"}}`, entry("urn:uuid:2", dev1), "ehr|Device/d1"},
		"identifier of nothing here":      {"urn:uuid:1", `{"identifier":{"system":"urn:inv","value":"5"}}`, entry("urn:uuid:2", dev1), "id:urn:inv|5"},
		"identifier without system":       {"urn:uuid:1", `{"identifier":{"value":"5"}}`, entry("urn:uuid:2", dev1), "ehr|Device/id:|5"},
		"conditional, an entry":           {"urn:uuid:1", `{"reference":"Device?identifier=urn:inv|77"}`, entry("urn:uuid:2", dev1), "ehr|Device/d1"},
		"conditional, escaped":            {"urn:uuid:1", `{"reference":"Device?identifier=urn%3Ainv%7C5"}`, entry("urn:uuid:2", dev1), "id:urn:inv|5"},
		"display only":                    {"urn:uuid:1", `{"display":"a lead"}`, entry("urn:uuid:2", dev1), ""},
		"two entries with one urn differ": {"urn:uuid:1", `{"reference":"urn:uuid:2"}`, entry("urn:uuid:2", dev1) + "," + entry("urn:uuid:2", dev2), "ehr|urn:uuid:2"},
	} {
		out := readBundle(t, collection(entry(tc.from, dus(tc.device)), tc.entry))
		found := false
		for key, s := range out {
			if s.Type == "DeviceUseStatement" {
				found = true
				if f := one(t, s, implant.PresentByWord); f.Component.Ref != tc.want {
					t.Errorf("%s (%s): %q, want %q", name, key, f.Component.Ref, tc.want)
				}
			}
		}
		if !found {
			t.Errorf("%s: no statement", name)
		}
	}
}

func TestReferencesOutsideABundle(t *testing.T) {
	env := Envelope{Sender: "ehr", Base: "https://ehr.example/fhir/"}
	for in, want := range map[string]string{
		"Patient/1": "ehr|Patient/1", "/Patient/1": "ehr|Patient/1", "1": "ehr|Patient/1", "Patient/1/_history/2": "ehr|Patient/1",
		"https://ehr.example/fhir/Patient/1": "ehr|Patient/1", "https://ehr.example/fhir2/Patient/1": "https://ehr.example/fhir2/Patient/1",
		"urn:uuid:7": "ehr|urn:uuid:7", "Patient?identifier=urn:mrn|12": "id:urn:mrn|12",
		"https://ehr.example/fhir/Patient?identifier=urn:mrn|12": "id:urn:mrn|12",
		"Patient?identifier=12":                                  "ehr|Patient/id:|12", "": "", " ": "", "#p": "",
	} {
		if got := PatientKey(env, in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

func TestKeysOfItems(t *testing.T) {
	env := Envelope{Sender: "ehr", Base: "https://ehr.example/fhir", MessageTime: time.Date(2024, 5, 3, 10, 0, 0, 0, time.UTC)}
	key := func(it Item, raw string) string {
		t.Helper()
		if raw != "" {
			d, err := item(raw)
			if err != nil {
				t.Fatal(err)
			}
			it.Type, it.ID, it.Hash, it.Resource = d.Type, d.ID, "h", d.Resource
		}
		out := Read(env, []Item{it})
		if len(out) != 1 {
			t.Fatalf("%d statements of %+v", len(out), it)
		}
		return out[0].Key
	}
	for want, got := range map[string]string{
		"ehr|Device/d1":              key(Item{}, dev1),
		"ehr|Device/id:urn:inv|88":   key(Item{}, dev2),
		"ehr|Device/sha256:h":        key(Item{}, devBare),
		"ehr|urn:uuid:4":             key(Item{FullURL: "urn:uuid:4"}, devBare),
		"ehr|Device/put":             key(Item{FullURL: "urn:uuid:4", Method: "PUT", URL: "Device/put"}, devBare),
		"ehr|Device/d9":              key(Item{Method: "PUT", URL: "https://ehr.example/fhir/Device/d9"}, dev1),
		"ehr|Device/id:urn:x|1":      key(Item{Method: "PUT", URL: "Device?identifier=urn:x%7C1"}, devBare),
		"https://o.example/Device/3": key(Item{FullURL: "https://o.example/Device/3"}, dev1),
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestDeleteAndPatch(t *testing.T) {
	env := Envelope{Sender: "ehr"}
	out := Read(env, []Item{
		{Method: "DELETE", URL: "Procedure/9", Hash: "a", Path: "Bundle.entry[0]"},
		{Method: "PATCH", URL: "Device/3", Type: "Binary", Hash: "b", Path: "Bundle.entry[1]"},
		{Method: "DELETE", URL: "Media/9"},
		{Method: "GET", URL: "Patient/9"},
		{Type: "Media", ID: "1"},
	})
	if len(out) != 2 || out[0].Key != "ehr|Procedure/9" || !out[0].Void || out[0].Type != "Procedure" {
		t.Fatalf("%+v", out)
	}
	if p := out[1]; p.Void || p.Key != "ehr|Device/3" || len(p.Findings) != 1 || p.Facts[0].Kind != implant.Unread {
		t.Errorf("%+v", p)
	}
}

func TestContained(t *testing.T) {
	s := readOne(t, `{"resourceType":"Procedure","id":"x","status":"completed","subject":{"reference":"#p"},
		"contained":[{"resourceType":"Patient","id":"p","identifier":[{"system":"urn:mrn","value":"12"}]},
			{"resourceType":"Device","id":"d","manufacturer":"Tarnbeck Devices","modelNumber":"TB-1","serialNumber":"S1","type":{"text":"lead"}},
			{"resourceType":"BodyStructure","id":"b","location":{"text":"left L3"},"patient":{"reference":"#p"}}],
		"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure","valueReference":{"reference":"#b"}}],
		"focalDevice":[{"action":{"coding":[{"system":"http://hl7.org/fhir/device-action","code":"implanted"}]},"manipulated":{"reference":"#d"}}]}`)
	if s.Patient != "id:urn:mrn|12" || len(s.Mentions) != 0 {
		t.Errorf("patient %q mentions %v", s.Patient, s.Mentions)
	}
	d, in := one(t, s, implant.Described), one(t, s, implant.Implanted)
	if d.Component.Ref != "ehr|Procedure/x#d" || d.Component.Model != "TB-1" || d.Component.Kind != implant.Lead || in.Component.Ref != d.Component.Ref {
		t.Errorf("%+v %+v", d, in)
	}
	if in.Site.Level != "L3" || in.Site.Side != implant.Left {
		t.Errorf("site %+v", in.Site)
	}
	if len(s.Findings) != 0 {
		t.Errorf("findings %+v", s.Findings)
	}
}

func TestBodyStructureInTheSameMessage(t *testing.T) {
	out := readBundle(t, collection(
		entry("urn:uuid:1", `{"resourceType":"Procedure","id":"x","status":"completed","subject":{"reference":"Patient/p"},
			"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure","valueReference":{"reference":"urn:uuid:2"}}],
			"focalDevice":[{"action":{"coding":[{"system":"http://hl7.org/fhir/device-action","code":"implanted"}]},"manipulated":{"reference":"Device/d"}}]}`),
		entry("urn:uuid:2", `{"resourceType":"BodyStructure","id":"b","patient":{"reference":"Patient/p"},"location":{"coding":[{"system":"http://snomed.info/sct","code":"723979003"}]}}`)))
	f := one(t, out["ehr|Procedure/x"], implant.Implanted)
	if f.Site.Region != "buttock" || f.Site.Side != implant.Left {
		t.Errorf("%+v", f.Site)
	}
	if l := one(t, out["ehr|BodyStructure/b"], implant.Located); l.Component.Ref != "" || l.Site.Region != "buttock" {
		t.Errorf("%+v", l)
	}
}

func TestVersionComesFromTheSource(t *testing.T) {
	out := readBundle(t, collection(entry("urn:uuid:1", `{"resourceType":"Device","id":"d","meta":{"versionId":"4","lastUpdated":"2024-05-02T08:00:00+02:00"}}`)))
	v := out["ehr|Device/d"].Version
	if v.ID != "4" || !v.LastUpdated.Equal(time.Date(2024, 5, 2, 6, 0, 0, 0, time.UTC)) || !v.MessageTime.Equal(time.Date(2024, 5, 3, 10, 0, 0, 0, time.UTC)) || v.Hash == "" {
		t.Errorf("%+v", v)
	}
	if one(t, out["ehr|Device/d"], implant.Described).Source.Version != "4" {
		t.Error("the fact does not name the version")
	}
}

func TestUnread(t *testing.T) {
	env := Envelope{Sender: "ehr", Base: "https://ehr.example/fhir"}
	s := Unread(env, "Procedure", "9", "2", time.Time{}, []string{"Patient/2", "https://ehr.example/fhir/Patient/1"},
		[]implant.Identifier{{System: "urn:mrn", Value: "7"}}, "h", "unknown field")
	if s.Key != "ehr|Procedure/9" || s.Patient != "ehr|Patient/1" || strings.Join(s.Mentions, " ") != "ehr|Patient/2 id:urn:mrn|7" {
		t.Errorf("%+v", s)
	}
	if f := one(t, s, implant.Unread); !strings.Contains(f.Value, "unknown field") {
		t.Errorf("%+v", f)
	}
	if s := Unread(env, "Procedure", "", "", time.Time{}, nil, nil, "h", "x"); s.Key != "ehr|Procedure/sha256:h" || s.Patient != "" {
		t.Errorf("%+v", s)
	}
	if s := Unread(env, "Patient", "1", "", time.Time{}, nil, nil, "h", "x"); s.Patient != "ehr|Patient/1" {
		t.Errorf("%+v", s)
	}
}

func TestMissingBaseIsReported(t *testing.T) {
	env, items := bundleItems(t, collection(entry("https://ehr.example/fhir/Device/d1", dev1)))
	if s := Read(env, items)[0]; s.Key != "ehr|Device/d1" {
		t.Errorf("%q", s.Key)
	}
	env.Base = ""
	s := Read(env, items)[0]
	found := false
	for _, f := range s.Findings {
		found = found || f.Severity == "warning" && strings.Contains(f.Text, "base URL")
	}
	if s.Key != "https://ehr.example/fhir/Device/d1" || !found {
		t.Errorf("%q %+v", s.Key, s.Findings)
	}
}
