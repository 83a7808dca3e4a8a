package pipeline_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"
	"go.uber.org/zap"

	"gaussline/adapters/fhirapi"
	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// outsideFinding is one finding of testdata/outside/validate.js, or of the FHIR decoder ("decoder").
type outsideFinding struct{ By, Severity, Key, Path, Text string }

// needNode skips a test where the npm validators are not installed; .ci/check installs and requires them.
func needNode(t *testing.T) {
	t.Helper()
	if os.Getenv("GAUSSLINE_NODE_MODULES") != "" {
		return
	}
	if os.Getenv("GAUSSLINE_REQUIRE_NODE") != "" {
		t.Fatal("GAUSSLINE_REQUIRE_NODE is set and GAUSSLINE_NODE_MODULES is not")
	}
	t.Skip("outside validators are not installed: run .ci/check, or set GAUSSLINE_NODE_MODULES to a node_modules folder with its NPM_TOOLS")
}

// validateOutside gives what the official JSON Schema, the official constraints (both in node) and the FHIR decoder
// say against each resource.
func validateOutside(t *testing.T, resources [][]byte) [][]outsideFinding {
	t.Helper()
	var in, out, errs bytes.Buffer
	for _, r := range resources {
		if err := json.Compact(&in, r); err != nil {
			t.Fatal(err)
		}
		in.WriteByte('\n')
	}
	cmd := exec.Command("node", "../../testdata/outside/validate.js")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &in, &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("validate.js: %v\n%s", err, errs.String())
	}
	found := make([][]outsideFinding, len(resources))
	dec := json.NewDecoder(&out)
	for i := range resources {
		var line struct {
			Line     int
			Findings []outsideFinding
		}
		if err := dec.Decode(&line); err != nil || line.Line != i+1 {
			t.Fatalf("validate.js answered %d resources of %d: %v", i, len(resources), err)
		}
		found[i] = append(line.Findings, decoderFindings(resources[i])...)
	}
	return found
}

// decoderFindings are what our reader of the FHIR library refuses, mends or drops: in what we send, nothing may be.
func decoderFindings(raw []byte) (out []outsideFinding) {
	add := func(path string, err error, fs []implant.Finding) {
		if err != nil {
			out = append(out, outsideFinding{"decoder", "error", "refused", path, err.Error()})
		}
		for _, f := range fs {
			out = append(out, outsideFinding{"decoder", "error", f.Code, f.Path, f.Text})
		}
	}
	msg, err := fhirjson.Split(raw, fhirjson.DefaultLimits())
	add("", err, msg.Findings)
	for _, b := range msg.Bad {
		add(b.Entry.Path, b.Refusal, nil)
	}
	for _, e := range msg.Entries {
		_, fs, err := fhirjson.Decode(e)
		add(e.Path, err, fs)
	}
	return out
}

func faults(fs []outsideFinding) (out []outsideFinding) {
	for _, f := range fs {
		if f.Severity == "error" {
			out = append(out, f)
		}
	}
	return out
}

// storyBanners gives every body that the stories send, and the reminders of it; story 09 has a withdrawal.
func storyBanners(t *testing.T) (names []string, bodies [][]byte) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(casesDir, "*.txtar"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no stories: %v", err)
	}
	for _, path := range files {
		a, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		w := newWorkbench(t)
		for _, f := range inputs(a) {
			w.tell(t, message(f, w.clock.at))
			w.clock.at = w.clock.at.Add(time.Second)
		}
		w.Sinks = map[string]pipeline.Sink{pipeline.SinkNATS: takesAll{}}
		w.relayAll(t)
		for i := range w.Sites {
			w.Sites[i].RemindAfter = time.Hour
		}
		w.remind(t, time.Hour) // the reminders too
		for i, o := range w.outbox(t) {
			names = append(names, fmt.Sprintf("%s, message %d to %s", filepath.Base(path), i+1, o.To))
			bodies = append(bodies, o.Body)
		}
	}
	return names, bodies
}

func (w workbench) outbox(t *testing.T) (sent []pipeline.Outgoing) {
	t.Helper()
	ctx := t.Context()
	if err := w.Store.View(ctx, func(r pipeline.Reader) (err error) { sent, err = r.Outbox(ctx, ""); return err }); err != nil {
		t.Fatal(err)
	}
	return sent
}

// handMade are banners on orders written in ways that the stories do not have.
func handMade(t *testing.T) (names []string, bodies [][]byte) {
	t.Helper()
	rec := implant.Record{Patient: "hillside|Patient/p9",
		Person: implant.Person{Family: "Invented", Given: "Ada Mae", Birth: "1960-02", Sex: "female",
			Identifiers: []implant.Identifier{{System: "http://hillside.invalid/mrn", Value: "H-9"}, {Value: "9"}}},
		Parts: []implant.Part{
			{ID: "a", State: implant.Connected, Function: "functional", Refs: []string{"hillside|Device/1"}, Component: implant.Component{Kind: implant.Generator,
				Maker: "Tarnbeck Devices", Model: "TB-G210", Serial: "S\n1", UDI: "(01)09506000111010(21)S1", DI: "09506000111010"}},
			{ID: "b", State: implant.StateUnknown}, {ID: "c", State: implant.ReportedRemoved}, {ID: "d", State: implant.Cut},
			{ID: "e", State: implant.RemovedWhole}, {ID: "f", State: implant.SoughtNotFound, Component: implant.Component{UDI: "\x1d01"}}}}
	for i := range 60 {
		rec.Parts[1].Evidence = append(rec.Parts[1].Evidence, implant.Source{Key: fmt.Sprintf("hillside|Procedure/%d", i)})
	}
	for name, subject := range map[string]string{
		"absolute":   `{"reference":"http://ehr.hillside.invalid/fhir/Patient/p9"}`,
		"relative":   `{"reference":"Patient/p9","type":"Patient"}`,
		"urn":        `{"reference":"urn:uuid:7b6f1c4e-91f5-4d3f-8d55-3f3d54fbb7aa"}`,
		"identifier": `{"identifier":{"system":"http://hillside.invalid/mrn","value":"H-9"},"display":"A"}`,
		"contained":  `{"reference":"#p"}`,
	} {
		contained := ""
		if name == "contained" {
			contained = `"contained":[{"resourceType":"Patient","id":"p"}],`
		}
		raw := `{"resourceType":"ServiceRequest","id":"s9",` + contained + `"status":"active","intent":"order","subject":` + subject + `}`
		kinds := []mri.Kind{mri.KindWithinIf}
		if name == "urn" {
			kinds = []mri.Kind{mri.KindUnsafe, mri.KindOutside, mri.KindWithinIf, mri.KindNotEstablished, mri.KindNothing}
		}
		for _, kind := range kinds {
			for _, withdrawn := range []bool{false, true} {
				b, err := banner.Bundle(banner.Order{Key: "hillside|ServiceRequest/s9", FullURL: "http://ehr.hillside.invalid/fhir/ServiceRequest/s9",
					Raw: []byte(raw), Site: "north"}, banner.Note{Record: rec, Verdict: mri.Verdict{Kind: kind, AsOf: "2026-06-01"}, Revision: 2},
					storyTime, withdrawn)
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				names = append(names, fmt.Sprintf("%s subject, %s, withdrawn %v", name, kind, withdrawn))
				bodies = append(bodies, b)
			}
		}
	}
	return names, bodies
}

// metadataAndOutcomes are what the HTTP interface answers.
func metadataAndOutcomes(t *testing.T) (names []string, bodies [][]byte) {
	t.Helper()
	api := &fhirapi.API{Version: "1.0.0", BaseURL: "http://gaussline.invalid/fhir", Log: zap.NewNop(), Now: func() time.Time { return storyTime }}
	rec := httptest.NewRecorder()
	api.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "/fhir/metadata", nil))
	names, bodies = []string{"CapabilityStatement"}, [][]byte{rec.Body.Bytes()}
	for _, fs := range [][]implant.Finding{nil,
		{{Severity: "warning", Code: "incomplete", Path: "ServiceRequest.subject", Text: "by display only", Words: "W"}},
		{{Severity: "error", Code: "structure", Path: "Bundle.entry[3].resource", Text: "no resource"}, {Severity: "information", Code: "informational", Text: "kept"}}} {
		names = append(names, "OperationOutcome", "OperationOutcome for the sender")
		bodies = append(bodies, fhirjson.Outcome(fs), fhirjson.OutcomeForSender(fs))
	}
	return names, bodies
}

// Everything that leaves passes the official JSON Schema and constraints of R4 4.0.1 and the FHIR library's decoder
// (which validators, and how good each is: testdata/outside/README.md). Warnings (dom-6: no narrative) are allowed.
func TestOutgoingPassesOutsideValidators(t *testing.T) {
	needNode(t)
	names, bodies := storyBanners(t)
	for _, more := range []func(*testing.T) ([]string, [][]byte){handMade, metadataAndOutcomes} {
		n, b := more(t)
		names, bodies = append(names, n...), append(bodies, b...)
	}
	for i, found := range validateOutside(t, bodies) {
		for _, f := range faults(found) {
			t.Errorf("%s: %+v", names[i], f)
		}
	}
	t.Logf("%d resources validated", len(bodies))
}

// seededFaults damage a good banner, each in one way; every one must be caught. Kinds of fault after the list that
// the validators were scored with (60 seeded faults of which the three together caught 56; the four left over have
// rules of their own in validate.js).
var seededFaults = []struct {
	name, old, new string // replaced once in the JSON text
	by             string // a validator that must see it
}{
	{"status no code", `"status":"active","subject"`, `"status":"on","subject"`, "decoder"},
	{"severity no code", `"severity":"moderate"`, `"severity":"critical"`, "schema"},
	{"issue status of a later version", `"status":"final"`, `"status":"mitigated"`, "decoder"},
	{"unknown element", `"severity":`, `"severeness":"x","severity":`, "schema"},
	{"element of R5", `"patient":{`, `"subject":{},"patient":{`, "schema"},
	{"required element missing", `"author":{"display":"Gaussline"}`, `"mitigation":[{"date":"2026"}]`, "decoder"},
	{"object in place of a list", `"focus":[`, `"focus":{"a":1},"definition":[`, "schema"},
	{"time without zone", `"identifiedDateTime":"2026-06-01T09:00:03.000Z"`, `"identifiedDateTime":"2026-06-01T09:00:03"`, "schema"},
	{"no such day", `"identifiedDateTime":"2026-06-01T09`, `"identifiedDateTime":"2026-02-30T09`, "decoder"},
	{"empty string", `"modelNumber":"TB-G300"`, `"modelNumber":""`, "schema"},
	{"empty list", `"implicated":[`, `"evidence":[],"implicated":[`, "own"},
	{"null", `"author":{"display":"Gaussline"}`, `"author":null`, "decoder"},
	{"wrong target of a reference", `"patient":{"reference":"http://ehr.hillside.invalid/fhir/Patient/`, `"patient":{"reference":"Device/`, "decoder"},
	{"two of a choice", `"identifiedDateTime"`, `"identifiedPeriod":{"start":"2026"},"identifiedDateTime"`, "decoder"},
	{"period backwards (per-1)", `"period":{`, `"period":{"end":"2001-01-01",`, "constraint"},
	{"bdl-1 total in a message", `"type":"message"`, `"total":3,"type":"message"`, "constraint"},
	{"bdl-3 request in a message", `{"fullUrl"`, `{"request":{"method":"PUT","url":"a"},"fullUrl"`, "constraint"},
	{"bdl-5 empty entry", `"entry":[`, `"entry":[{"link":[{"relation":"self","url":"http://a.invalid"}]},`, "constraint"},
	{"bdl-12 no header first", `"entry":[`, `"entry":[{"fullUrl":"http://a.invalid/Patient/1","resource":{"resourceType":"Patient"}},`, "constraint"},
	{"extension with value and extension (ext-1)", `"valueCode":"functional"`, `"valueCode":"functional","extension":[{"url":"http://a.invalid","valueCode":"b"}]`, "constraint"},
	{"prr-1 detail without code", `"code":{`, `"orderDetail":[{"text":"a"}],"performerType":{`, "constraint"},
	{"ref-1 no such contained", `"author":{"display"`, `"author":{"reference":"#x","display"`, "constraint"},
	{"dom-3 contained nobody refers to", `"resourceType":"Flag"`, `"contained":[{"resourceType":"Patient","id":"z"}],"resourceType":"Flag"`, "own"},
	{"script in a narrative", `"resourceType":"Flag"`, `"text":{"status":"generated","div":"<div><script>a</script></div>"},"resourceType":"Flag"`, "own"},
	{"urn:uuid of no entry", `"focus":[`, `"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-00000000dead"},`, "own"},
	{"relative reference of a urn entry", `"author":{"display"`, `"author":{"reference":"Practitioner/1","display"`, "own"},
}

func TestOutsideValidatorsBite(t *testing.T) {
	needNode(t)
	names, bodies := storyBanners(t)
	i := slices.IndexFunc(names, func(n string) bool { return strings.HasPrefix(n, "02-") })
	var compact bytes.Buffer
	if err := json.Compact(&compact, bodies[i]); err != nil {
		t.Fatal(err)
	}
	good := compact.String()
	var damaged [][]byte
	for _, s := range seededFaults {
		if !strings.Contains(good, s.old) {
			t.Fatalf("%s: %s is not in the banner", s.name, s.old)
		}
		b := strings.Replace(good, s.old, s.new, 1)
		damaged = append(damaged, []byte(b))
	}
	for i, found := range validateOutside(t, damaged) {
		s := seededFaults[i]
		by := map[string]bool{}
		for _, f := range faults(found) {
			by[f.By] = true
		}
		if !by[s.by] {
			t.Errorf("%s: caught by %v, want %q\n%s", s.name, by, s.by, damaged[i])
		}
	}
}
