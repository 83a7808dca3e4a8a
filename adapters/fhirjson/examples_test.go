package fhirjson

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The official examples of R4 4.0.1 (npm hl7.fhir.r4.examples, CC0, tarball sha1 537ea7db...; see the README beside
// them) are the outside check here: each must be read without a finding, but for the genuine faults below.
const examplesDir = "../../testdata/fhir/r4-examples"

// exampleFaults are the examples that are not read without a finding, and why that is right.
var exampleFaults = map[string]struct{ want, text string }{
	// A reasonReference to a Procedure is not allowed by the StructureDefinition of DeviceUseStatement.
	"DeviceUseStatement-example.json": {isMended, "a reference to a Procedure cannot stand here"},
	// Requests to read or delete, and answers: they state nothing for a record.
	"Bundle-bundle-request-medsallergies.json":  {isRefused, "this method is not served here"},
	"Bundle-bundle-request-simplesummary.json":  {isRefused, "this method is not served here"},
	"Bundle-bundle-response-medsallergies.json": {isRefused, "states nothing"},
	"Bundle-bundle-response-simplesummary.json": {isRefused, "states nothing"},
	"Bundle-bundle-response.json":               {isRefused, "states nothing"},
	"Bundle-bundle-transaction.json":            {isRefused, "as a whole or not at all"},
}

func TestOfficialExamples(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(examplesDir, "*.json"))
	if err != nil || len(files) < 150 {
		t.Fatalf("examples are missing: %d files, %v", len(files), err)
	}
	resources := 0
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			raw, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got, text, n := exampleOutcome(t, raw)
			resources += n
			want := exampleFaults[filepath.Base(file)]
			if want.want == "" {
				want.want = isRead
			}
			if got != want.want || !strings.Contains(text, want.text) {
				t.Errorf("got %s, want %s with %q: %s", got, want.want, want.text, text)
			}
		})
	}
	if resources < 350 {
		t.Errorf("only %d resources decoded", resources)
	}
}

// exampleOutcome reads a resource or Bundle and gives the worst outcome, all texts, and the resources decoded.
func exampleOutcome(t *testing.T, raw []byte) (worst, text string, n int) {
	t.Helper()
	msg, err := Split(raw, Limits{})
	if err != nil {
		return isRefused, err.Error(), 0
	}
	worst = isRead
	for _, f := range msg.Findings {
		worst, text = isMended, text+f.Path+": "+f.Text+"\n"
	}
	for _, b := range msg.Bad {
		worst, text = isRefused, text+b.Refusal.Error()+"\n"
	}
	for _, e := range msg.Entries {
		_, fs, err := Decode(e)
		if err != nil {
			worst, text = isRefused, text+err.Error()+"\n"
			continue
		}
		n++
		for _, f := range fs {
			text += f.Path + ": " + f.Text + "\n"
			if worst == isRead {
				worst = isMended
			}
		}
	}
	return worst, text, n
}
