package opnote

import (
	"strings"
	"testing"
)

// Every row of the lexicon is found in its own example, and every phrase of it is found as that row.
func TestLexiconRows(t *testing.T) {
	if len(builtin.rows) < 150 {
		t.Fatalf("only %d rows", len(builtin.rows))
	}
	for _, r := range builtin.rows {
		if !found(r.example, r) {
			t.Errorf("%s:%d: example %q does not show the row", r.file, r.line, r.example)
		}
		for _, p := range r.phrases {
			if !found(p, r) {
				t.Errorf("%s:%d: phrase %q is hidden by another", r.file, r.line, p)
			}
		}
	}
}

func found(text string, r *row) bool {
	for _, h := range builtin.match(tokenise(text, builtin)) {
		for e := h.e; e != nil; e = e.alt {
			if e.row == r {
				return true
			}
		}
	}
	return false
}

// A clinic's own file adds words; a bad one is refused with its line.
func TestClinicLexicon(t *testing.T) {
	l, err := NewLexicon(Extra{"clinic.tsv", "part\tgenerator\twidget\tThe widget was placed.\n"})
	if err != nil {
		t.Fatal(err)
	}
	n := Note{Text: "The widget was placed in the left buttock.", Type: TypeProcedure}
	if got := l.Read(n); len(got.Findings) == 0 || got.Findings[0].Kind != "implanted" {
		t.Errorf("own word not read: %+v", got.Findings)
	}
	if got := Read(Note{Text: "The widget was placed in the left buttock.", Type: TypeProcedure}); len(got.Findings) != 0 && got.Findings[0].Kind == "implanted" {
		t.Errorf("own word leaked into the built-in lexicon")
	}
	for _, bad := range []string{"part\tgenerator\twidget", "nonsense\tx\ty\tz", "act\tfly\ta\tb\tc\td"} {
		if _, err := NewLexicon(Extra{"bad.tsv", "# note\n" + bad}); err == nil || !strings.Contains(err.Error(), "bad.tsv, line 2") {
			t.Errorf("%q: error %v", bad, err)
		}
	}
}

// The classes of items fit into their mask.
func TestClassesFitMask(t *testing.T) {
	if classHeading > 64 {
		t.Fatalf("%d classes before the heading, at most 63 fit", classHeading-1)
	}
}
