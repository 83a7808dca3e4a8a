package v2

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write our answers into testdata; then run record-parse.mjs again")

// Our answers are samples too: TestPartsAsAnIndependentParserHasThem holds the independent parser's reading of them.
func TestAnswersAreTheRecordedOnes(t *testing.T) {
	cfg := *hillside
	cfg.Now = func() time.Time { return time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC) }
	for name, c := range map[string]struct {
		to string
		f  *Fault
	}{
		"ack-taken.hl7":     {"omi-new.hl7", nil},
		"ack-error.hl7":     {"omi-new.hl7", &Fault{Code: codeUnknownKey, Segment: "PID", Seq: 1, Field: 3, Text: "says | and ^ and\nmore"}},
		"ack-error-231.hl7": {"orm-new.hl7", &Fault{Code: codeMissing, Segment: "OBR", Seq: 2, Field: 4, Text: "the examination is missing"}},
	} {
		got := strings.ReplaceAll(string(cfg.answer(parsed(t, sample(t, c.to)).Segments[0], c.f, "ID-1").body), "\r", "\n")
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil || got != string(want) {
			t.Errorf("%s: %v\n got %s\nwant %s", name, err, got, want)
		}
	}
}
