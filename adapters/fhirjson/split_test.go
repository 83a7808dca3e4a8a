package fhirjson

import (
	"bytes"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"
)

func TestSplitMessage(t *testing.T) {
	raw := "\xEF\xBB\xBF \n" + goodMessage + "\n"
	msg, err := Split([]byte(raw), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if msg.Kind != "message" || msg.Event != "http://a.example/e|implant" || msg.Endpoint != "http://ehr.example/fhir" ||
		!msg.Timestamp.Equal(time.Date(2026, 5, 3, 10, 0, 0, 0, time.UTC)) {
		t.Errorf("%+v", msg)
	}
	if len(msg.Entries) != 2 || len(msg.Bad) != 0 {
		t.Fatalf("%d entries, %d bad", len(msg.Entries), len(msg.Bad))
	}
	e := msg.Entries[1]
	if e.Index != 1 || e.Path != "Bundle.entry[1].resource" || e.Type != "Procedure" || e.ID != "q1" ||
		e.FullURL != "urn:uuid:aaaaaaaa-0000-4000-8000-000000000002" {
		t.Errorf("%+v", e)
	}
	if raw[e.Offset:e.Offset+len(e.Raw)] != string(e.Raw) || string(e.Raw) != goodProcedure {
		t.Error("Raw and Offset do not name the received bytes")
	}
}

func TestSplitOrderOfPropertiesIsFree(t *testing.T) {
	msg, err := Split([]byte(`{"entry":[{"resource":{"id":"p1","resourceType":"Patient"}}],"type":"collection","resourceType":"Bundle"}`), Limits{})
	if err != nil || len(msg.Entries) != 1 || msg.Entries[0].Type != "Patient" {
		t.Errorf("%+v, %v", msg, err)
	}
}

// bundle makes a Bundle of the given type around entries.
func bundle(kind string, entries ...string) []byte {
	return []byte(`{"resourceType":"Bundle","type":"` + kind + `","entry":[` + strings.Join(entries, ",") + `]}`)
}

func put(resource string) string {
	return `{"resource":` + resource + `,"request":{"method":"PUT","url":"Patient/p1"}}`
}

func TestOneBadEntry(t *testing.T) {
	bad := map[string]string{
		"unknown type":      put(`{"resourceType":"Foo"}`),
		"duplicate key":     put(`{"resourceType":"Patient","id":"a","id":"b"}`),
		"two resources":     `{"resource":` + patient("") + `,"resource":` + patient("") + `}`,
		"no resource":       `{"request":{"method":"PUT","url":"Patient/p1"}}`,
		"resource null":     `{"resource":null}`,
		"entry null":        `null`,
		"entry string":      `"x"`,
		"nested Bundle":     put(`{"resourceType":"Bundle","type":"collection"}`),
		"delete":            `{"request":{"method":"DELETE","url":"Patient/p1"}}`,
		"patch":             `{"resource":{"resourceType":"Binary","contentType":"x"},"request":{"method":"PATCH","url":"x"}}`,
		"capital name":      `{"Resource":` + patient("") + `}`,
		"too deep":          put(patient(`"x":` + strings.Repeat("[", 60) + strings.Repeat("]", 60))),
		"too many of names": put(patient(strings.TrimSuffix(strings.Repeat(`"a":1,`, 5), ","))),
	}
	good := []string{put(patient("")), put(device(""))}
	for name, entry := range bad {
		t.Run(name, func(t *testing.T) {
			for _, kind := range []string{"batch", "collection", "message"} {
				msg, err := Split(bundle(kind, good[0], entry, good[1]), Limits{})
				if err != nil {
					t.Fatalf("%s: the whole was refused: %v", kind, err)
				}
				if len(msg.Entries) != 2 || msg.Entries[1].Index != 2 || len(msg.Bad) != 1 || msg.Bad[0].Entry.Index != 1 {
					t.Fatalf("%s: %d entries, bad %+v", kind, len(msg.Entries), msg.Bad)
				}
				if p := findingsOf(t, msg.Bad[0].Refusal)[0].Path; !strings.HasPrefix(p, "Bundle.entry[1]") {
					t.Errorf("%s: path %q", kind, p)
				}
			}
			msg, err := Split(bundle("transaction", good[0], entry, good[1]), Limits{})
			if err == nil || len(msg.Entries) != 0 || findingsOf(t, err)[0].Path != "Bundle" {
				t.Errorf("the transaction was not refused as a whole: %v", err)
			}
		})
	}
}

func TestKindsOfBundle(t *testing.T) {
	for kind, want := range map[string]bool{"message": true, "transaction": true, "batch": true, "collection": true, "document": true,
		"history": true, "searchset": true, "transaction-response": false, "batch-response": false, "subscription-notification": false, "": false} {
		msg, err := Split(bundle(kind, put(patient(""))), Limits{})
		if (err == nil) != want || want && (msg.Kind != kind || len(msg.Entries) != 1) {
			t.Errorf("%q: %+v, %v", kind, msg, err)
		}
	}
	if _, err := Split([]byte(`{"resourceType":"Bundle","entry":[]}`), Limits{}); err == nil || findingsOf(t, err)[0].Path != "Bundle.type" {
		t.Errorf("no type: %v", err)
	}
	msg, err := Split(bundle("Batch", put(patient(""))), Limits{})
	if err != nil || msg.Kind != "batch" || len(msg.Findings) != 1 {
		t.Errorf("Batch: %+v, %v", msg, err)
	}
}

func TestBundleTimestamp(t *testing.T) {
	at := func(s string) (Message, error) {
		return Split([]byte(`{"resourceType":"Bundle","type":"collection","timestamp":`+s+`,"entry":[{"resource":`+patient("")+`}]}`), Limits{})
	}
	msg, err := at(`"2026-05-03T12:00+0200"`)
	if err != nil || len(msg.Findings) != 1 || !msg.Timestamp.Equal(time.Date(2026, 5, 3, 10, 0, 0, 0, time.UTC)) {
		t.Errorf("%+v, %v", msg, err)
	}
	for _, s := range []string{`"2026-05-03T12:00:00"`, `"2026-05-03"`, `"soon"`, `5`, `null`} {
		msg, err := at(s)
		if err != nil || !msg.Timestamp.IsZero() || len(msg.Findings) != 1 || msg.Findings[0].Path != "Bundle.timestamp" {
			t.Errorf("%s: %+v, %v", s, msg, err)
		}
	}
}

func TestNotWellFormed(t *testing.T) {
	for _, r := range []row{
		{"empty", ``, isRefused, "", "not JSON"},
		{"cut off", `{"resourceType":"Patient"`, isRefused, "", "not JSON at byte 25: the text ends too early"},
		{"trailing bytes", patient("") + `x`, isRefused, "", ": a character that cannot stand there, after top-level value"},
		{"missing comma", `{"resourceType":"Patient" "id":"x"}`, isRefused, "", "not JSON at byte 27: a character that cannot stand there, after object key:value pair"},
		{"a name's letter is not repeated", `{"resourceType":"Patient","name":[{"family":Ödön}]}`, isRefused, "", ": a character that cannot stand there, looking for beginning of value"},
		{"two resources", patient("") + patient(""), isRefused, "", "not JSON at byte"},
		{"comment", `/* x */` + patient(""), isRefused, "", "not JSON"},
		{"single quotes", `{'resourceType':'Patient'}`, isRefused, "", "not JSON at byte 2: a character that cannot stand there, looking for beginning of object key string"},
		{"bad UTF-8", `{"resourceType":"Patient","id":"` + "\xE9" + `"}`, isRefused, "", "not UTF-8 at byte 32"},
		{"UTF-16", "\xFF\xFE{\x00}\x00", isRefused, "", "not UTF-8 at byte 0"},
		{"array", `[` + patient("") + `]`, isRefused, "", "not a JSON object"},
		{"null", `null`, isRefused, "", "not a JSON object"},
		{"number", `5`, isRefused, "", "not a JSON object"},
		{"XML", `<Patient/>`, isRefused, "", "not JSON"},
		{"empty object", `{}`, isRefused, "resourceType", "required"},
	} {
		t.Run(r.name, func(t *testing.T) { check(t, r) })
	}
}

// Whatever is sent, refusing it must be quick and cost no more than a small multiple of the size limit.
func TestLimits(t *testing.T) {
	million := []byte(`{"resourceType":"Bundle","type":"batch","entry":[` + strings.Repeat(`{},`, 1_000_000) + `{}]}`)
	for _, c := range []struct {
		name string
		raw  []byte
		lim  Limits
		text string
	}{
		{"over size", bytes.Repeat([]byte(" "), defaultBytes+1), Limits{}, "size limit"},
		{"a million entries", million, Limits{}, "more entries"},
		{"over own size", []byte(patient("")), Limits{Bytes: 10}, "size limit"},
		{"over own entries", bundle("batch", put(patient("")), put(patient("")), put(patient(""))), Limits{Entries: 2}, "limit of 2"},
		{"over own depth", []byte(patient(`"name":[{"given":["A"]}]`)), Limits{Depth: 3}, "too deep"},
		{"many properties", []byte(`{"resourceType":"Patient",` + numbered(200_000) + `}`), Limits{}, "too many properties"},
		{"many properties inside", []byte(patient(`"name":[{` + numbered(200_000) + `}]`)), Limits{}, "too many properties"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := Split(c.raw, c.lim)
			runtime.ReadMemStats(&after)
			if err == nil || !strings.Contains(err.Error(), c.text) {
				t.Errorf("%v", err)
			}
			if grown := after.TotalAlloc - before.TotalAlloc; grown > 8*defaultBytes {
				t.Errorf("%d bytes allocated", grown)
			}
		})
	}
	if _, err := Split(bundle("batch", put(patient("")), put(patient(""))), Limits{Entries: 2}); err != nil {
		t.Errorf("as many entries as the limit: %v", err)
	}
}

func numbered(n int) string {
	var b strings.Builder
	for i := range n {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `"a%d":1`, i)
	}
	return b.String()
}

// An Entry kept elsewhere, with nothing but its bytes, decodes like one from Split.
func TestDecodeOfAKeptEntry(t *testing.T) {
	res, fs, err := Decode(Entry{Raw: []byte(" " + patient(`"gender":"Female"`) + " ")})
	if err != nil || res.GetPatient() == nil || len(fs) != 1 || fs[0].Path != "Patient.gender" {
		t.Errorf("%v, %v, %v", res, fs, err)
	}
	for _, raw := range []string{"", "null", "{", `{"resourceType":"Bundle","type":"batch"}`, patient(`"id":"x"`), "\xff"} {
		if _, _, err := Decode(Entry{Raw: []byte(raw)}); err == nil {
			t.Errorf("%q was accepted", raw)
		} else {
			findingsOf(t, err)
		}
	}
}

// The same bytes give the same findings in the same order.
func TestDeterministic(t *testing.T) {
	raw := patient(`"x":1,"y":2,"gender":"F","birthDate":"19800102","name":[{"given":["",null,"A"],"z":1}],"telecom":null,"communication":[{"language":{},"preferred":"true"}]`)
	bad := patient(`"active":"true","gender":{"a":1},"maritalStatus":[1,2],"birthdate":"x","multipleBirthInteger":1.5`)
	for _, in := range []string{raw, bad} {
		_, first, _ := outcomeOf(t, in)
		for range 30 {
			if _, again, _ := outcomeOf(t, in); fmt.Sprint(again) != fmt.Sprint(first) {
				t.Fatalf("%v\n%v", first, again)
			}
		}
	}
}
