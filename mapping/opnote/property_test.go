package opnote

import (
	"fmt"
	"sort"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gaussline/mapping/implant"
	_ "gaussline/testdata/seed"
)

// gist is what a reading says, without spans and without the words' case and spacing.
func gist(rd Reading) []string {
	var out []string
	for i := range rd.Findings {
		f := rd.Findings[i]
		if !fact(&f) {
			continue
		}
		c := f.Component
		c.Words = ""
		s := fmt.Sprintf("%s %+v %+v %s %s %s %s", f.Kind, c, f.Site, f.At, f.Value, f.Certainty, f.Scope)
		out = append(out, strings.Join(strings.Fields(strings.ToLower(s)), " "))
	}
	for _, q := range rd.Questions {
		out = append(out, "ask "+string(q.Code))
	}
	sort.Strings(out)
	return out
}

func diff(a, b []string) string {
	seen := map[string]int{}
	for _, x := range a {
		seen[x]++
	}
	for _, x := range b {
		seen[x]--
	}
	var out []string
	for k, n := range seen {
		if n != 0 {
			out = append(out, fmt.Sprintf("%+d %s", n, k))
		}
	}
	sort.Strings(out)
	return strings.Join(out, "\n")
}

// unrelated are sentences with nothing in them about a part.
var unrelated = []string{
	"The weather had been fine all week.", "She enjoys gardening and lives near the sea.", "Haemoglobin was 132.",
	"Dressings were applied to the skin.", "He drove here by car.", "Blood pressure 130 over 80.", "The family sends regards.",
}

// Adding an unrelated sentence as a paragraph of its own changes nothing that is read.
func TestUnrelatedSentence(t *testing.T) {
	notes := loadCorpus(t, "dev")
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(notes).Draw(t, "note")
		s := rapid.SampledFrom(unrelated).Draw(t, "sentence")
		more := c.note
		more.Text += "\n\n" + s
		if d := diff(gist(Read(c.note)), gist(Read(more))); d != "" {
			t.Fatalf("%s + %q:\n%s", c.name, s, d)
		}
	})
}

// Upper or lower case changes nothing that is read.
func TestCaseDoesNotMatter(t *testing.T) {
	for _, c := range loadCorpus(t, "dev") {
		want := gist(Read(c.note))
		for name, f := range map[string]func(string) string{"upper": strings.ToUpper, "lower": strings.ToLower} {
			n := c.note
			n.Text = f(n.Text)
			if d := diff(want, gist(Read(n))); d != "" {
				t.Errorf("%s in %s case:\n%s", c.name, name, d)
			}
		}
	}
}

// Wider spaces and other line ends change nothing that is read, nor does wrapping the lines of a note that is prose
// throughout. (In a note of short lines, where a line ends is part of what it says.)
func TestSpacingDoesNotMatter(t *testing.T) {
	notes := loadCorpus(t, "dev")
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(notes).Draw(t, "note")
		width := rapid.IntRange(40, 120).Draw(t, "width")
		crlf := rapid.Bool().Draw(t, "crlf")
		wide := rapid.Bool().Draw(t, "wide")
		n := c.note
		if prose(n.Text) {
			n.Text = rewrap(n.Text, width)
		}
		if wide {
			n.Text = strings.ReplaceAll(n.Text, " ", "  ")
		}
		if crlf {
			n.Text = strings.ReplaceAll(n.Text, "\n", "\r\n")
		}
		if d := diff(gist(Read(c.note)), gist(Read(n))); d != "" {
			t.Fatalf("%s at width %d:\n%s", c.name, width, d)
		}
	})
}

// Wrapping a note of prose at any width from 40 to 120 changes nothing that is read.
func TestEveryWidth(t *testing.T) {
	for _, c := range loadCorpus(t, "dev") {
		if !prose(c.note.Text) {
			continue
		}
		want := gist(Read(c.note))
		for width := 40; width <= 120; width++ {
			n := c.note
			n.Text = rewrap(n.Text, width)
			if d := diff(want, gist(Read(n))); d != "" {
				t.Errorf("%s at width %d:\n%s", c.name, width, d)
			}
		}
	}
}

// prose says whether every line of the text is a paragraph of its own.
func prose(s string) bool {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	for i := 1; i < len(lines); i++ {
		if lines[i] != "" && lines[i-1] != "" {
			return false
		}
	}
	return true
}

// rewrap breaks lines longer than width at blanks and leaves shorter ones alone.
func rewrap(s string, width int) string {
	var out []string
	for _, line := range strings.Split(s, "\n") {
		for len(line) > width && !strings.Contains(line, "|") { // a table row is a line
			i := strings.LastIndexByte(line[:width], ' ')
			if i <= 0 {
				break
			}
			out = append(out, line[:i])
			line = line[i+1:]
		}
		out = append(out, line)
	}
	return strings.Join(out, "\n")
}

// Negating a statement of removal never yields a removal.
func TestNegatedRemovalIsNone(t *testing.T) {
	parts := []string{"lead", "leads", "generator", "IPG", "stimulator", "extension", "pump", "device", "electrode", "battery"}
	acts := []string{"removed", "explanted", "taken out", "extracted", "withdrawn completely", "retrieved"}
	frames := []string{"The %s was not %s.", "The %s has never been %s.", "The %s were not %s today.", "No %s was %s.", "Neither %s was %s.",
		"The %s could not be %s.", "Contrary to the letter the %s was not %s.", "The patient tolerated it well and the %s was not %s.",
		"We closed the wound without the %s being %s.", "The %s had not been %s."}
	types := []string{TypeProcedure, TypeDischarge, TypeClinic, TypeImaging, TypeUnknown}
	rapid.Check(t, func(t *rapid.T) {
		text := fmt.Sprintf(rapid.SampledFrom(frames).Draw(t, "frame"), rapid.SampledFrom(parts).Draw(t, "part"), rapid.SampledFrom(acts).Draw(t, "act"))
		n := Note{Text: text, Type: rapid.SampledFrom(types).Draw(t, "type"), Date: "2026-05-03"}
		for _, f := range Read(n).Findings {
			if (f.Scope == ScopeCurrent || f.Scope == ScopeHistory) && (f.Kind == implant.Removed || f.Kind == implant.ReportedGone || f.Kind == implant.RemovedPart) {
				t.Fatalf("%q gives %s %s (%s)", text, f.Kind, f.Component.Kind, f.Why)
			}
		}
	})
}
