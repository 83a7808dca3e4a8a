package v2

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/fhirjson"
	"gaussline/mapping/implant"
	"gaussline/mapping/intake"
)

var hillside = &Config{Sender: "hillside", Processing: "P", Location: time.FixedZone("", -5*3600),
	PatientSystems: map[string]string{"HILLSIDE": "http://hillside.invalid/mrn"}, CodeSystems: map[string]string{"99LOC": "http://hillside.invalid/procedures"}}

// read converts a message and reads the Bundle the way the worker does.
func read(t testing.TB, raw []byte) (byType map[string][]implant.Statement, bundle map[string]any) {
	t.Helper()
	body, f := hillside.Convert(parsed(t, raw), raw)
	if f != nil {
		t.Fatal(f)
	}
	if err := json.Unmarshal(body, &bundle); err != nil {
		t.Fatal(err)
	}
	msg, err := fhirjson.Split(body, fhirjson.DefaultLimits())
	if err != nil || len(msg.Bad) > 0 || len(msg.Findings) > 0 {
		t.Fatal(err, msg.Bad, msg.Findings)
	}
	var items []intake.Item
	for _, e := range msg.Entries {
		it := intake.Item{FullURL: e.FullURL, Type: e.Type, ID: e.ID, Path: e.Path, Hash: hashOf(e.Raw)}
		if intake.Reads(e.Type) {
			res, findings, err := fhirjson.Decode(e)
			if err != nil || len(findings) > 0 {
				t.Fatalf("%s: %v %v", e.Path, err, findings)
			}
			it.Resource = res
		}
		items = append(items, it)
	}
	byType = map[string][]implant.Statement{}
	for _, st := range intake.Read(intake.Envelope{Sender: "hillside", Kind: msg.Kind, MessageTime: msg.Timestamp}, items) {
		byType[st.Type] = append(byType[st.Type], st)
	}
	return byType, bundle
}

// The placing of each field follows HL7's version 2 to FHIR guide as the project's facts have it (6.4: OBR-2/-3, OBR-4,
// OBR-13, OBR-31, NTE) and 7.2 for OBR-24; the rest is decided in this package and said in its comments.
func TestNewOrder231(t *testing.T) {
	st, bundle := read(t, sample(t, "orm-new.hl7"))
	p := st["Patient"][0].Person
	if p == nil || p.Family != "Sample" || p.Birth != "1961-02-03" || p.Sex != "female" || len(p.Identifiers) != 2 ||
		p.Identifiers[0] != (implant.Identifier{System: "http://hillside.invalid/mrn", Value: "100200", Type: "MR"}) ||
		p.Identifiers[1].System != "urn:oid:2.16.840.1.113883.4.9999" {
		t.Errorf("patient %+v", p)
	}
	order := st["ServiceRequest"][0]
	r := order.Referral
	if order.Key != "hillside|ServiceRequest/"+idOf(obj{"system": "http://hillside.invalid/v2/plac-HILLSIDE", "value": "P-9001"}) || order.Patient != st["Patient"][0].Key {
		t.Errorf("key %s of %s", order.Key, order.Patient)
	}
	if r.Status != "active" || r.Intent != "order" || r.MR != implant.Yes || r.Priority != "stat" || r.Authored != "2026-06-01T13:29:00Z" ||
		r.Occurrence != "2026-06-10T19:00:00Z" || r.Performer != "NORTH IMAGING RIS" || r.Text == "" {
		t.Errorf("referral %+v", r)
	}
	if !slices.Contains(r.Codes, implant.Code{System: "http://loinc.org", Code: "24968-8", Display: "MR Lumbar spine WO contrast"}) ||
		!slices.Contains(r.Codes, implant.Code{System: "http://hillside.invalid/procedures", Code: "MRLSP", Display: "MR lumbar spine"}) ||
		!slices.Contains(r.Codes, implant.Code{System: dicom, Code: "MR"}) {
		t.Errorf("codes %+v", r.Codes)
	}
	if order.Version.MessageTime.Format(time.RFC3339) != "2026-06-01T13:30:15Z" {
		t.Errorf("message time %v", order.Version.MessageTime)
	}
	sr := only(t, bundle, "ServiceRequest")
	for _, want := range []string{"Spinal cord stimulator in 2019, battery left buttock & two leads", "Low back pain, worse on the left",
		`Line one\nLine two \nLine three`, "Implant in body: Yes", "eGFR: 61 mL/min", "Danger code (OBR-12): Device in body Y",
		"Contraindication (AL1): Nerve stimulator says the patient", "Patient moves slowly", "Lumbar spine", "M54.5"} {
		if !strings.Contains(sr, want) {
			t.Errorf("the order does not say %q: %s", want, sr)
		}
	}
	if len(order.Facts) == 0 {
		t.Error("the referrer's words about a stimulator made no fact")
	}
}

// only gives the one resource of a type as JSON.
func only(t testing.TB, bundle map[string]any, typ string) string {
	t.Helper()
	found := ""
	for _, e := range bundle["entry"].([]any) {
		res := e.(map[string]any)["resource"].(map[string]any)
		if res["resourceType"] == typ {
			var b bytes.Buffer
			enc := json.NewEncoder(&b)
			enc.SetEscapeHTML(false)
			_ = enc.Encode(res)
			found += b.String()
		}
	}
	return found
}

func TestImagingOrderWithSteps(t *testing.T) {
	st, bundle := read(t, sample(t, "omi-new.hl7"))
	if len(st["ServiceRequest"]) != 2 {
		t.Fatalf("%d orders", len(st["ServiceRequest"]))
	}
	mr, xray := st["ServiceRequest"][0].Referral, st["ServiceRequest"][1].Referral
	if mr.MR != implant.Yes || mr.Priority != "asap" || mr.Occurrence != "2026-06-12T07:00:00Z" || !strings.HasPrefix(mr.Text, "MRT LWS") {
		t.Errorf("%+v", mr)
	}
	if xray.MR != implant.No {
		t.Errorf("X-ray: %+v", xray)
	}
	if p := st["Patient"][0].Person; p.Given != "Änne" || p.Family != "Muster" {
		t.Errorf("%+v", p)
	}
	sr := only(t, bundle, "ServiceRequest")
	for _, want := range []string{`"code":"ACSN"`, `"value":"ACC-1"`, `"code":"FILL"`, `"requisition"`, `"code":"NMR","system":"` + v2Section + `"`,
		`"code":"MR","system":"` + dicom + `"`, "Harbour scanner room"} {
		if !strings.Contains(sr, want) {
			t.Errorf("no %s in %s", want, sr)
		}
	}
	if ts := bundle["timestamp"]; ts != "2026-06-01T09:15:00.25+01:00" {
		t.Errorf("timestamp %v", ts)
	}
}

// Later messages about an order are newer versions of the same source, whatever numbers were added.
func TestChangeAndCancelAreVersionsOfTheOrder(t *testing.T) {
	first, _ := read(t, sample(t, "orm-new.hl7"))
	changed, _ := read(t, sample(t, "orm-change.hl7"))
	cancelled, bundle := read(t, sample(t, "orm-cancel.hl7"))
	a, b, c := first["ServiceRequest"][0], changed["ServiceRequest"][0], cancelled["ServiceRequest"][0]
	if a.Key != b.Key || b.Key != c.Key || !b.Version.MessageTime.After(a.Version.MessageTime) || !c.Version.MessageTime.After(b.Version.MessageTime) {
		t.Errorf("keys and times: %s %v, %s %v, %s %v", a.Key, a.Version.MessageTime, b.Key, b.Version.MessageTime, c.Key, c.Version.MessageTime)
	}
	if !b.Referral.Open() || b.Referral.MR != implant.Yes || c.Referral.Open() || c.Referral.Status != "revoked" {
		t.Errorf("%+v %+v", b.Referral, c.Referral)
	}
	if bin := only(t, bundle, "Binary"); !strings.Contains(bin, er7) {
		t.Error("the received bytes are not in the Bundle")
	}
}

// Every code of table 0119 and 0038 is either mapped or refused, never guessed at. Source of the lists: npm
// hl7-dictionary 1.0.1.
func TestOrderControlAndStatus(t *testing.T) {
	var tables struct{ Control, Status, Charset []string }
	b, err := os.ReadFile("testdata/tables.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &tables); err != nil {
		t.Fatal(err)
	}
	closing := map[string]bool{"CA": true, "DC": true, "OC": true, "OD": true, "CR": true, "DR": true, "RP": true, "RU": true, "RQ": true}
	for _, control := range tables.Control {
		status, f := statusOf(orderWith(t, control, ""))
		switch {
		case ofControl[control] == "":
			if f == nil || f.Code != codeTable || f.Field != 1 {
				t.Errorf("%s: %q %v", control, status, f)
			}
		case f != nil || (status == revoked) != closing[control]:
			t.Errorf("%s: %q %v", control, status, f)
		}
	}
	for control := range ofControl {
		if !slices.Contains(tables.Control, control) {
			t.Errorf("%s is not in table 0119", control)
		}
	}
	for _, said := range tables.Status {
		if status, f := statusOf(orderWith(t, "SC", said)); f != nil || status == "" {
			t.Errorf("SC with %s: %v", said, f)
		}
		if status, f := statusOf(orderWith(t, "NW", said)); f != nil || status != active {
			t.Errorf("a new order with status %s: %q %v", said, status, f)
		}
		if status, f := statusOf(orderWith(t, "CA", said)); f != nil || status != revoked {
			t.Errorf("a cancelled order with status %s: %q %v", said, status, f)
		}
	}
	if _, f := statusOf(orderWith(t, "XO", "QQ")); f == nil || f.Field != 5 {
		t.Errorf("unknown order status: %v", f)
	}
}

func orderWith(t *testing.T, control, status string) order {
	m := parsed(t, []byte("MSH|^~\\&|A\rORC|"+control+"|P1||| "+status+"\r"))
	return order{orc: m.Segments[1]}
}

// fault converts an altered sample and gives the fault.
func fault(t testing.TB, name string, alter ...string) *Fault {
	t.Helper()
	raw := []byte(strings.NewReplacer(alter...).Replace(string(sample(t, name))))
	_, f := hillside.Convert(parsed(t, raw), raw)
	return f
}

func TestWhatIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		f           *Fault
		code, place string
	}{
		"no patient identifier":     {fault(t, "orm-change.hl7", "100200^^^HILLSIDE^MR", ""), codeMissing, "PID-3"},
		"deleted identifier":        {fault(t, "orm-change.hl7", "100200^^^HILLSIDE^MR", `""`), codeMissing, "PID-3"},
		"authority not configured":  {fault(t, "orm-change.hl7", "100200^^^HILLSIDE^MR", "100200^^^OTHER^MR"), codeUnknownKey, "PID-3"},
		"identifier of nobody":      {fault(t, "orm-change.hl7", "100200^^^HILLSIDE^MR", "100200"), codeUnknownKey, "PID-3"},
		"no patient":                {fault(t, "orm-change.hl7", "PID|1||100200^^^HILLSIDE^MR||Sample^Ada||19610203|F\r", ""), codeSequence, "PID"},
		"two patients":              {fault(t, "orm-change.hl7", "ORC|", "PID|2||5^^^HILLSIDE\rORC|"), codeSequence, "PID"},
		"no order":                  {fault(t, "orm-cancel.hl7", "ORC|CA|P-9001^HILLSIDE\r", ""), codeSequence, "ORC"},
		"no order number":           {fault(t, "orm-cancel.hl7", "P-9001^HILLSIDE", ""), codeMissing, "ORC-2"},
		"no order control":          {fault(t, "orm-cancel.hl7", "ORC|CA", "ORC|"), codeMissing, "ORC-1"},
		"an answer, not an order":   {fault(t, "orm-cancel.hl7", "ORC|CA", "ORC|UC"), codeTable, "ORC-1"},
		"new order without an exam": {fault(t, "orm-cancel.hl7", "ORC|CA", "ORC|NW"), codeSequence, "OBR"},
		"exam missing":              {fault(t, "orm-change.hl7", "MRBRN^MR brain^99LOC", ""), codeMissing, "OBR-4"},
		"numbers differ":            {fault(t, "orm-change.hl7", "OBR|1|P-9001", "OBR|1|P-9002"), codeUnknownKey, "OBR-2"},
		"one number twice":          {fault(t, "omi-new.hl7", "P-9101", "P-9100"), codeDuplicate, "ORC-2"},
		"second exam of one ORC":    {fault(t, "orm-change.hl7", "OBR|1", "OBR|1|P-9001^HILLSIDE||A\rOBR|2"), codeSequence, "OBR"},
		"exam before the order":     {fault(t, "orm-change.hl7", "ORC|XO", "OBR|1\rORC|XO"), codeSequence, "OBR"},
	} {
		if c.f == nil || c.f.Code != c.code || c.f.place() != c.place || strings.Contains(c.f.Error(), "100200") {
			t.Errorf("%s: %v, want %s at %s", name, c.f, c.code, c.place)
		}
	}
}

// A patient identifier that only this sender understands never comes first, and never alone; a site may say what
// identifiers without an authority are.
func TestPatientSystems(t *testing.T) {
	raw := []byte(strings.Replace(string(sample(t, "orm-change.hl7")), "100200^^^HILLSIDE^MR", "55^^^OTHER^PI~100200^^^HILLSIDE^MR", 1))
	st, _ := read(t, raw)
	ids := st["Patient"][0].Person.Identifiers
	if len(ids) != 2 || ids[0].Value != "100200" || ids[1].System != "http://hillside.invalid/v2/OTHER" {
		t.Errorf("%+v", ids)
	}
	cfg := *hillside
	cfg.PatientSystems = map[string]string{"": "urn:oid:1.2.3"}
	raw = []byte(strings.Replace(string(sample(t, "orm-change.hl7")), "100200^^^HILLSIDE^MR", "100200", 1))
	body, f := cfg.Convert(parsed(t, raw), raw)
	if f != nil || !bytes.Contains(body, []byte(`{"system":"urn:oid:1.2.3","value":"100200"}`)) {
		t.Errorf("%v %s", f, body)
	}
}

// Source: HL7 v2.5.1 chapter 2A, data type TS; FHIR R4 data type dateTime.
func TestTimes(t *testing.T) {
	zone := time.FixedZone("", 2*3600)
	for in, want := range map[string]string{"2026": "2026", "202606": "2026-06", "20260601": "2026-06-01", "2026060108": "2026-06-01",
		"202606010830": "2026-06-01T08:30:00+02:00", "20260601083015": "2026-06-01T08:30:15+02:00", "20260601083015.1234": "2026-06-01T08:30:15.1234+02:00",
		"20260601083015-0430": "2026-06-01T08:30:15-04:30", "202606010830+0000": "2026-06-01T08:30:00Z", "20260601+0100": "2026-06-01",
		"": "", "20261301": "", "20260230": "", "2026060125": "", "2026-06-01": "", "0000": "", "yesterday": ""} {
		m, ok := parseTime(in, zone)
		got := ""
		if ok {
			got = m.fhir()
		}
		if got != want {
			t.Errorf("%s: %q, want %q", in, got, want)
		}
	}
}

// Whatever is changed in a message: it is refused, or gives a Bundle that the worker can read.
func TestMutatedMessages(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 1))
	var samples [][]byte
	for _, n := range []string{"orm-new.hl7", "omi-new.hl7", "orm-change.hl7", "orm-cancel.hl7", "other-delimiters.hl7"} {
		samples = append(samples, sample(t, n))
	}
	cfg := *hillside
	cfg.PatientSystems = map[string]string{"HILLSIDE": "http://hillside.invalid/mrn", "": "urn:oid:1.2.3"}
	alphabet := []byte("|^~\\&\r\n0129AZaz \"#*@!%\x00\x1b\xc3\xa9\xff")
	taken, read := 0, 0
	for i := range 20_000 {
		raw := bytes.Clone(samples[rng.IntN(len(samples))])
		for range 1 + rng.IntN(6) {
			at := rng.IntN(len(raw))
			switch rng.IntN(3) {
			case 0:
				raw[at] = alphabet[rng.IntN(len(alphabet))]
			case 1:
				raw = slices.Insert(raw, at, alphabet[rng.IntN(len(alphabet))])
			default:
				raw = slices.Delete(raw, at, min(len(raw), at+1+rng.IntN(8)))
			}
			if len(raw) == 0 {
				raw = []byte("M")
			}
		}
		m, f := Parse(raw, "8859/1")
		if f != nil {
			continue
		}
		body, f := cfg.Convert(m, raw)
		if f != nil {
			continue
		}
		taken++
		if i%10 == 0 {
			read++
			if f := readable(body); f != nil {
				t.Fatalf("our own Bundle is refused: %s\n%q", body, raw)
			}
		}
	}
	if taken < 5000 || read < 500 {
		t.Errorf("only %d messages were taken, %d read: the changes are too coarse", taken, read)
	}
}
