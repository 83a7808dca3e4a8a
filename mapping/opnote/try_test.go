package opnote

import (
	"bufio"
	"os"
	"strings"
	"testing"
)

// TestTry reads lines "type|title|text" from the file OPNOTE_TRY and prints the findings.
func TestTry(t *testing.T) {
	f, err := os.Open(os.Getenv("OPNOTE_TRY"))
	if err != nil {
		t.Skip("set OPNOTE_TRY to a file of lines type|title|text")
	}
	defer f.Close()
	sc := bufio.NewScanner(f)
	for sc.Scan() {
		p := strings.SplitN(sc.Text(), "|", 3)
		if len(p) < 3 {
			continue
		}
		t.Log("##", sc.Text())
		rd := Read(Note{Type: p[0], Title: p[1], Text: strings.ReplaceAll(p[2], `\n`, "\n"), Date: "2026-05-03"})
		for _, f := range rd.Findings {
			if fact(&f) || os.Getenv("OPNOTE_ALL") != "" {
				t.Logf("   %s %s %s n=%d %s%s | %v %s/%s/%s %s | %q | %s", f.Kind, f.Scope, f.Component.Kind, f.Component.Count, f.Value, f.Certainty, f.Site, f.Component.Model, f.Component.Serial, f.Component.Lot, f.At, f.Quote, f.Why)
			}
		}
		for _, q := range rd.Questions {
			t.Logf("   ASK %s %q", q.Code, q.Quote)
		}
	}
}
