package opnote

import (
	"os"
	"strings"
	"testing"
)

// TestShow prints what is read from the development notes whose names begin with OPNOTE_NOTE.
func TestShow(t *testing.T) {
	want := os.Getenv("OPNOTE_NOTE")
	if want == "" {
		t.Skip("set OPNOTE_NOTE to a note's number to print its findings")
	}
	for _, c := range loadCorpus(t, "dev") {
		if !strings.HasPrefix(c.name, want) {
			continue
		}
		rd := Read(c.note)
		for _, f := range rd.Findings {
			t.Logf("%-18s %-11s %-9s n=%d %s%s | %v %+v %s %s | %q | %s", f.Kind, f.Scope, f.Component.Kind, f.Component.Count, f.Value, f.Certainty, f.Site, f.Component.Model+"/"+f.Component.Serial+"/"+f.Component.Lot, f.At, "", f.Quote, f.Why)
		}
		for _, q := range rd.Questions {
			t.Logf("ASK %s %q %s", q.Code, q.Quote, q.Detail)
		}
	}
}
