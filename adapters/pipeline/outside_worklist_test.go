package pipeline_test

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// storyNotes gives the note of every verdict that the stories end with, and one with names that break formats.
func storyNotes(t *testing.T) (out []banner.Note) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(casesDir, "*.txtar"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no stories: %v", err)
	}
	ctx := t.Context()
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
		err = w.Store.View(ctx, func(r pipeline.Reader) error {
			stored, err := r.Verdicts(ctx, "", "")
			for _, v := range stored {
				n := banner.Note{Revision: v.Revision}
				if n.Record, err = r.Record(ctx, v.Patient); err != nil {
					return err
				}
				if err := json.Unmarshal(v.Body, &n.Verdict); err != nil {
					return err
				}
				out = append(out, n)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return append(out, banner.Note{Verdict: mri.Verdict{Kind: mri.KindUnsafe}, Record: implant.Record{Parts: []implant.Part{{ID: "a", State: implant.Capped,
		Component: implant.Component{Kind: implant.Lead, Model: "é 鉛 \\ | ^ ~ & \r\n \x1b", Name: "x"}}}}})
}

// readByNode gives what a reader in testdata/outside makes of lines of JSON.
func readByNode(t *testing.T, script, needs string, lines []any, into func(i int, raw json.RawMessage)) {
	t.Helper()
	needNode(t)
	if _, err := os.Stat(filepath.Join(os.Getenv("GAUSSLINE_NODE_MODULES"), needs)); err != nil {
		if os.Getenv("GAUSSLINE_REQUIRE_NODE") != "" {
			t.Fatalf("npm %s is required and is not in GAUSSLINE_NODE_MODULES", needs)
		}
		t.Skipf("npm %s is not in GAUSSLINE_NODE_MODULES", needs)
	}
	var in, out, errs bytes.Buffer
	enc := json.NewEncoder(&in)
	enc.SetEscapeHTML(false)
	for _, l := range lines {
		if err := enc.Encode(l); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command("node", "../../testdata/outside/"+script)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &in, &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s: %v\n%s", script, err, errs.String())
	}
	dec := json.NewDecoder(&out)
	for i := range lines {
		var raw json.RawMessage
		if err := dec.Decode(&raw); err != nil {
			t.Fatalf("%s answered %d of %d: %v", script, i, len(lines), err)
		}
		into(i, raw)
	}
}

// The DICOM JSON is written as a data set and read back by an independent library (npm dcmjs): the same values, none
// split at a backslash, no character lost.
func TestDICOMReadByOthers(t *testing.T) {
	needNode(t)
	notes := storyNotes(t)
	var lines []any
	var want []map[string][]string
	for _, n := range notes {
		for _, withdrawn := range []bool{false, true} {
			b, err := banner.DICOM(n, withdrawn)
			if err != nil {
				t.Fatal(err)
			}
			var attributes map[string]struct{ Value []string }
			if err := json.Unmarshal(b, &attributes); err != nil {
				t.Fatal(err)
			}
			w := map[string][]string{}
			for tag, a := range attributes {
				w[tag] = a.Value
			}
			lines, want = append(lines, json.RawMessage(b)), append(want, w)
		}
	}
	readByNode(t, "dicom.js", "dcmjs", lines, func(i int, raw json.RawMessage) {
		var got map[string][]string
		if err := json.Unmarshal(raw, &got); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want[i]) {
			t.Errorf("read back\n%q\nwant\n%q", got, want[i])
		}
	})
	t.Logf("%d items read back", len(lines))
}

// The v2 segments, put after the OBR of an order, are taken apart by an independent parser (npm simple-hl7): every
// line of the note and every alert is there, whole.
func TestV2ReadByOthers(t *testing.T) {
	needNode(t)
	notes := storyNotes(t)
	var lines []any
	for _, n := range notes {
		lines = append(lines, "MSH|^~\\&|GAUSSLINE|N|RIS|N|20260601090000||ORM^O01|1|P|2.5.1|||||||UNICODE UTF-8\rPID|1||H-1\rORC|NW|1\rOBR|1|1||MR^MR\r"+banner.V2(n, false, 1))
	}
	readByNode(t, "v2.js", "simple-hl7", lines, func(i int, raw json.RawMessage) {
		var segments [][]json.RawMessage
		if err := json.Unmarshal(raw, &segments); err != nil {
			t.Fatal(err)
		}
		var note, alerts []string
		for _, s := range segments {
			name, field := v2Field(t, s, 0), func(n int) string { return v2Field(t, s, n) }
			switch {
			case name == "NTE":
				note = append(note, field(3))
			case name == "OBX" && field(2) == "ST":
				alerts = append(alerts, field(5))
			}
		}
		if got := strings.Join(note, "\n") + "\n"; got != banner.Plain(notes[i]) {
			t.Errorf("the note reads\n%s\nwant\n%s", got, banner.Plain(notes[i]))
		}
		if want := banner.Alerts(notes[i], false); !reflect.DeepEqual(alerts, want) {
			t.Errorf("alerts %q, want %q", alerts, want)
		}
	})
	t.Logf("%d messages read", len(lines))
}

// v2Field gives the text of a segment's field with one component; [0] is the segment's name.
func v2Field(t *testing.T, s []json.RawMessage, n int) string {
	t.Helper()
	var text string
	if json.Unmarshal(s[n], &text) == nil {
		return text
	}
	var reps [][]string
	if err := json.Unmarshal(s[n], &reps); err != nil {
		t.Fatal(err)
	}
	if len(reps) != 1 || len(reps[0]) != 1 {
		return strings.Join(reps[0], "^")
	}
	text = reps[0][0]
	// The parser leaves escapes alone. HL7 v2.5.1 chapter 2.7, from memory.
	for _, p := range [][2]string{{`\F\`, "|"}, {`\S\`, "^"}, {`\T\`, "&"}, {`\R\`, "~"}, {`\E\`, "\x00"}} {
		text = strings.ReplaceAll(text, p[0], p[1])
	}
	return strings.ReplaceAll(text, "\x00", `\`)
}
