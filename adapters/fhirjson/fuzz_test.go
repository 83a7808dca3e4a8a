package fhirjson

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"gaussline/mapping/implant"
)

func seeds(f *testing.F) {
	for _, s := range []string{goodOrder, goodMessage, goodDevice, goodIssue, goodFlag, `{}`, `null`, "\xEF\xBB\xBF{}",
		patient(`"name":[{"given":["A",null],"_given":[null,{"id":"x"}]}],"gender":"F","x":{"y":[[]]}`),
		`{"resourceType":"Patient","id":"a_b","contained":[{"resourceType":"Organization","id":"o_1"}],"birthDate":"19800102"}`,
		`{"resourceType":"Parameters","parameter":[{"name":"a","resource":{"resourceType":"Patient","id":"a_b"}}]}`,
		procedure(`"performedDateTime":"2026-05-03T24:00","note":[{"text":""}],"usedReference":{"reference":"Patient/1"}`)} {
		f.Add([]byte(s))
	}
	files, _ := filepath.Glob(filepath.Join(examplesDir, "[DSP]*-example*.json"))
	for _, file := range files {
		if raw, err := os.ReadFile(file); err == nil && len(raw) < 4000 {
			f.Add(raw)
		}
	}
}

// Run with -fuzzminimizetime 10x: the protos are large, their coverage flickers, and minimising an input for the
// usual minute would use up a short run.

// FuzzSplit: never a panic; what is accepted is named correctly, what is refused says why.
func FuzzSplit(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, raw []byte) {
		Peek(raw)
		before := bytes.Clone(raw)
		msg, err := Split(raw, Limits{})
		if !bytes.Equal(before, raw) {
			t.Fatal("the received bytes were changed")
		}
		if err != nil {
			sane(t, findingsOf(t, err))
			return
		}
		for _, e := range msg.Entries {
			if !bytes.Equal(raw[e.Offset:e.Offset+len(e.Raw)], e.Raw) || !json.Valid(e.Raw) || r4Types[e.Type] == nil {
				t.Fatalf("entry %+v", e)
			}
		}
		for _, b := range msg.Bad {
			sane(t, b.Refusal.Findings)
		}
	})
}

// FuzzDecode: never a panic; a resource or a Refusal; a resource is of the type that Split said.
func FuzzDecode(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, raw []byte) {
		msg, err := Split(raw, Limits{})
		if err != nil {
			return
		}
		for _, e := range msg.Entries {
			before := bytes.Clone(e.Raw)
			res, fs, err := Decode(e)
			if !bytes.Equal(before, e.Raw) {
				t.Fatal("the received bytes were changed")
			}
			if err != nil {
				fs = findingsOf(t, err)
			} else if got := string(resourceIn(res).Descriptor().Name()); got != e.Type {
				t.Fatalf("%s decoded as %s", e.Type, got)
			}
			sane(t, fs)
			for _, x := range fs {
				if x.Code == "exception" {
					t.Fatalf("the decoder failed: %+v", x)
				}
			}
		}
	})
}

// sane says whether findings are fit for an OperationOutcome.
func sane(t *testing.T, fs []implant.Finding) {
	t.Helper()
	for _, x := range fs {
		if x.Severity == "" || x.Code == "" || x.Text == "" {
			t.Fatalf("%+v", x)
		}
	}
	if !json.Valid(OutcomeForSender(fs)) {
		t.Fatal("the outcome is no JSON")
	}
}
