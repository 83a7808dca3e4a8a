package fhirjson

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// benchOrder is a ServiceRequest of about 1.6 KB, benchMessage a message Bundle of nine resources of about 10 KB:
// the sizes of an order and of a message as an EHR sends them (common practice, no source).
var (
	benchOrder   = makeOrder(1600)
	benchMessage = makeMessage()
)

// makeOrder gives an order without oddities, filled up with notes to about size bytes.
func makeOrder(size int) string {
	more := `"identifier":[{"system":"http://ehr.example/orders","value":"A-1001"}],"priority":"routine",` +
		`"meta":{"versionId":"1","lastUpdated":"2026-05-03T10:00:00Z"},` +
		`"category":[{"coding":[{"system":"http://snomed.info/sct","code":"363679005","display":"Imaging"}]}],` +
		`"code":{"coding":[{"system":"http://loinc.org","code":"24968-0","display":"MR Lumbar spine"}],"text":"MR lumbar spine"},` +
		`"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"122496007"}]}],"authoredOn":"2026-05-03T10:00:00+02:00",` +
		`"requester":{"reference":"Practitioner/r1","display":"R. Example"},"occurrenceDateTime":"2026-06-01",` +
		`"reasonCode":[{"text":"pain radiating to the left leg"}],"encounter":{"reference":"Encounter/e1"}`
	note := `{"time":"2026-05-03T10:00:00Z","text":"Stimulator in place since 2021; see the implant card the patient carries."}`
	var notes []string
	for len(order(more+`,"note":[`+strings.Join(notes, ",")+`]`)) < size {
		notes = append(notes, note)
	}
	return order(more + `,"note":[` + strings.Join(notes, ",") + `]`)
}

func makeMessage() string {
	resources := []string{goodHeader, patient(`"name":[{"family":"Example","given":["Ann"]}],"gender":"female","birthDate":"1960-02-03"`),
		`{"resourceType":"Practitioner","id":"r1","name":[{"family":"Example"}]}`,
		`{"resourceType":"Encounter","id":"e1","status":"finished","class":{"code":"AMB"},"subject":{"reference":"Patient/p1"}}`,
		goodProcedure, bigDevice("1"), bigDevice("2"), bigDevice("3"),
		`{"resourceType":"DeviceUseStatement","id":"u1","status":"active","subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"}}`}
	var entries []string
	for i, r := range resources {
		if i == 0 || i == 4 {
			r = strings.TrimSuffix(r, "}") + `,"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">` + strings.Repeat("words of a note ", 130) + `</div>"}}`
		}
		entries = append(entries, fmt.Sprintf(`{"fullUrl":"urn:uuid:aaaaaaaa-0000-4000-8000-00000000000%d","resource":%s}`, i+1, r))
	}
	return `{"resourceType":"Bundle","type":"message","timestamp":"2026-05-03T10:00:00Z","entry":[` + strings.Join(entries, ",") + `]}`
}

func bigDevice(n string) string {
	return `{"resourceType":"Device","id":"d` + n + `","identifier":[{"system":"http://ehr.example/devices","value":"` + n + `"}],` +
		`"udiCarrier":[{"deviceIdentifier":"09506000000` + n + `","carrierHRF":"(01)0950600000001` + n + `(11)250101(21)S` + n + `","carrierAIDC":"AQIDBAUGBwgJCgsMDQ4PEA==","entryType":"barcode"}],` +
		`"status":"active","manufacturer":"Tarnbeck Devices","manufactureDate":"2025-01-01","expirationDate":"2027-01-01","lotNumber":"L` + n + `","serialNumber":"S` + n + `",` +
		`"deviceName":[{"name":"TB-100","type":"model-name"}],"modelNumber":"TB-100","type":{"coding":[{"system":"http://snomed.info/sct","code":"360126001","display":"Spinal stimulator"}]},` +
		`"safety":[{"coding":[{"system":"urn:oid:2.16.840.1.113883.3.26.1.1","code":"C106045","display":"MR Conditional"}]}],"patient":{"reference":"Patient/p1"},` +
		`"note":[{"text":"` + strings.Repeat("invented device for a test. ", 24) + `"}]}`
}

// pass reads a message as the service does: split, and decode the entries that wanted names (nil: all).
func pass(tb testing.TB, raw []byte, wanted map[string]bool) {
	msg, err := Split(raw, Limits{})
	if err != nil {
		tb.Fatal(err)
	}
	for _, e := range msg.Entries {
		if wanted != nil && !wanted[e.Type] {
			continue
		}
		if _, _, err := Decode(e); err != nil {
			tb.Fatal(err)
		}
	}
}

func bare(tb testing.TB, raw []byte) {
	if _, err := reader.UnmarshalR4(raw); err != nil {
		tb.Fatal(err)
	}
}

var routed = map[string]bool{"Procedure": true, "Device": true, "DeviceUseStatement": true}

// compare runs both ways in turn and reports the ratio of their times: below 1 ours is faster.
func compare(b *testing.B, raw string, wanted map[string]bool) {
	in := []byte(raw)
	var ours, theirs time.Duration
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		t := time.Now()
		bare(b, in)
		theirs += time.Since(t)
		t = time.Now()
		pass(b, in, wanted)
		ours += time.Since(t)
	}
	b.ReportMetric(float64(ours)/float64(theirs), "ours/bare")
	b.ReportMetric(float64(ours.Microseconds())/float64(b.N), "us-ours")
	b.ReportMetric(float64(theirs.Microseconds())/float64(b.N), "us-bare")
}

func BenchmarkOrder(b *testing.B)         { compare(b, benchOrder, nil) }
func BenchmarkMessage(b *testing.B)       { compare(b, benchMessage, nil) }
func BenchmarkMessageRouted(b *testing.B) { compare(b, benchMessage, routed) }

// An order that has to be mended: the price of one null.
func BenchmarkOrderMended(b *testing.B) {
	in := []byte(strings.Replace(benchOrder, `"priority":"routine"`, `"priority":null`, 1))
	for b.Loop() {
		pass(b, in, nil)
	}
}

func BenchmarkSplitOrder(b *testing.B) {
	in := []byte(benchOrder)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Split(in, Limits{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSplitMessage(b *testing.B) {
	in := []byte(benchMessage)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Split(in, Limits{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The bench inputs must take the quick way, or the ratio would measure mending.
func TestBenchInputsAreClean(t *testing.T) {
	if n := len(benchOrder); n < 1500 || n > 1800 {
		t.Errorf("order of %d bytes", n)
	}
	if n := len(benchMessage); n < 9000 || n > 11500 {
		t.Errorf("message of %d bytes", n)
	}
	for _, raw := range []string{benchOrder, benchMessage} {
		msg, err := Split([]byte(raw), Limits{})
		if err != nil || len(msg.Bad) > 0 || len(msg.Findings) > 0 {
			t.Fatalf("%+v, %v", msg, err)
		}
		for _, e := range msg.Entries {
			if _, fs, err := Decode(e); err != nil || len(fs) > 0 || e.notes.suspect {
				t.Errorf("%s: suspect %v, %v, %v", e.Type, e.notes.suspect, fs, err)
			}
		}
	}
}

// Ordinary content must not send a resource through the mending pass.
func TestOrdinaryContentIsNotSuspect(t *testing.T) {
	for _, raw := range []string{
		patient(`"identifier":[{"use":"usual","system":"http://ehr.example/MRN_A","value":"A_1","type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR","display":"Medical record number"}]}}]`),
		device(`"parent":{"reference":"Device/2","type":"Device","display":"A B "}`),
		procedure(`"note":[{"text":"Lead left in place.\n"}],"code":{"text":" Explant"}`),
		order(`"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"X_1"}]}`),
	} {
		if e := only(t, raw); e.notes.suspect {
			t.Error(raw)
		}
	}
}
