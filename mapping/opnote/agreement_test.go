package opnote

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"gaussline/mapping/implant"
)

// The double annotation of testdata/notes/README.md: what two annotators, neither knowing the other's lines, took from
// the same notes. The F-measure between two annotators is the usual figure where the things not marked cannot be
// counted (Hripcsak and Rothschild, J Am Med Inform Assoc 2005;12:296-298, from memory); kappa (Cohen, Educ Psychol
// Meas 1960;20:37-46) is given where they can: is a part of this kind in place, by note and kind.

// doubles gives the notes of a half that were annotated twice: first the gold as it stood, then the second annotator.
func doubles(t testing.TB, half string) (first, second []corpusNote) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(corpusDir, "agreement", half+".txtar"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range txtar.Parse(data).Files {
		number, who, _ := strings.Cut(f.Name, "/")
		names, err := filepath.Glob(filepath.Join(corpusDir, half, number+"-*.txtar"))
		if err != nil || len(names) != 1 {
			t.Fatalf("%s: %d notes of that number, %v", f.Name, len(names), err)
		}
		c := loadNote(t, names[0])
		c.lines = expectations(t, f.Name, f.Data)
		if who == "first" {
			first = append(first, c)
		} else {
			second = append(second, c)
		}
	}
	if len(first) == 0 || len(first) != len(second) {
		t.Fatalf("%s: %d notes of the first annotator, %d of the second", half, len(first), len(second))
	}
	return first, second
}

// findings turns one annotator's lines into findings and questions, as if a reader had given them. A line's span is
// that of the quote at which it meets a line of the other, else of its first.
func findings(c, other *corpusNote) (fs []*Finding, qs []Question) {
	for i := range c.lines {
		l := &c.lines[i]
		quotes := l.quotes
		if len(quotes) == 0 {
			quotes = []string{c.note.Text}
		}
		switch l.sort {
		case "kind":
			var best *Finding
			for _, q := range quotes {
				f := finding(c, l, q)
				if best == nil || meets(other, f) > meets(other, best) {
					best = f
				}
			}
			fs = append(fs, best)
		case "ask":
			for _, q := range quotes[:1] {
				start, end := span(c.note.Text, q)
				qs = append(qs, Question{Code: implant.QuestionCode(l.val), Start: start, End: end, Quote: q})
			}
		}
	}
	return fs, qs
}

// meets grades how a finding fits the lines of a note: 2 an act, 1 an identity or a place alone, 0 none.
func meets(c *corpusNote, f *Finding) int {
	grade := 0
	for i := range c.lines {
		switch l := &c.lines[i]; {
		case !full(c, l, f):
		case attribute(l):
			grade = max(grade, 1)
		default:
			return 2
		}
	}
	return grade
}

// finding is the finding that a line asks for, resting on one of its quotes.
func finding(c *corpusNote, l *line, quote string) *Finding {
	part := l.keys["part"]
	if part == "system" {
		part = ""
	}
	f := &Finding{Kind: implant.FactKind(l.val), Value: l.keys["value"], At: implant.When(l.keys["at"]),
		Certainty: implant.Certainty(l.keys["certainty"]), Quote: quote, Scope: ScopeCurrent}
	count, _ := strconv.Atoi(l.keys["count"])
	f.Component = implant.Component{Kind: implant.Kind(part), Count: count, Maker: l.keys["maker"], Model: l.keys["model"],
		Serial: l.keys["serial"], Lot: l.keys["lot"], UDI: l.keys["udi"], Expiry: implant.When(l.keys["expiry"])}
	f.Site = implant.Site{Side: implant.Side(l.keys["side"]), Level: l.keys["level"], Entry: l.keys["entry"], Tip: l.keys["tip"],
		Nerve: l.keys["nerve"], Pocket: l.keys["pocket"]}
	f.Start, f.End = span(c.note.Text, quote)
	return f
}

// span is where a quote first stands in a note, blanks apart.
func span(text, quote string) (int, int) {
	norm, pos := normalSpace(text)
	q, _ := normalSpace(quote)
	i := strings.Index(norm, q)
	if i < 0 || q == "" {
		return 0, 0
	}
	return pos[i], pos[i+len(q)-1] + 1
}

// agreement scores the second annotator against the first as the reader is scored.
func agreement(first, second []corpusNote) *score {
	s := &score{kinds: map[string]*tally{}}
	for i := range first {
		fs, qs := findings(&second[i], &first[i])
		scoreFindings(s, first[i], fs, qs)
	}
	return s
}

// placed counts the four cases of "a part of this kind is or may be in place" by note and kind of part.
func placed(first, second []corpusNote) (both, only1, only2, neither int) {
	parts := []string{"generator", "lead", "extension", "anchor", "pump", "catheter", "hardware", "other-active"}
	for i := range first {
		for _, p := range parts {
			a, b := present(&first[i], p), present(&second[i], p)
			switch {
			case a && b:
				both++
			case a:
				only1++
			case b:
				only2++
			default:
				neither++
			}
		}
	}
	return
}

// present says whether a note has a line of presence for a part; a system or device not told apart counts as generator.
func present(c *corpusNote, part string) bool {
	for i := range c.lines {
		l := &c.lines[i]
		p := l.keys["part"]
		if p == "system" || p == "unidentified" {
			p = "generator"
		}
		if l.sort == "kind" && presenceKinds[l.val] && p == part {
			return true
		}
	}
	return false
}

// kappa is Cohen's, of a two by two table.
func kappa(both, only1, only2, neither int) float64 {
	n := float64(both + only1 + only2 + neither)
	seen := float64(both+neither) / n
	chance := (float64(both+only1)*float64(both+only2) + float64(neither+only1)*float64(neither+only2)) / (n * n)
	if chance == 1 {
		return 1
	}
	return (seen - chance) / (1 - chance)
}

// agreed are the figures of a half that the guide prints.
type agreed struct {
	notes                   int
	f1, reverse, kappa      float64
	missed, place, invented int
	score                   *score
}

func agreedOn(t testing.TB, half string) agreed {
	t.Helper()
	first, second := doubles(t, half)
	s := agreement(first, second)
	a := agreed{notes: len(first), missed: len(s.missed), place: s.presentWant, invented: len(s.invented), score: s}
	_, _, a.f1 = f1(s.total())
	_, _, a.reverse = f1(agreement(second, first).total())
	a.kappa = kappa(placed(first, second))
	return a
}

func (a agreed) String() string {
	return fmt.Sprintf("two annotators of the same %d notes: F1 %.3f, the other way round %.3f; of %d parts in place %d missed by the second, removals invented %d; in place or not: kappa %.2f",
		a.notes, a.f1, a.reverse, a.place, a.missed, a.invented, a.kappa)
}

// TestAgreement prints how far two annotators agree, kind by kind, and holds the guide to it; with OPNOTE_SHOW it
// prints what they disagree on.
func TestAgreement(t *testing.T) {
	guide, err := os.ReadFile(filepath.Join(corpusDir, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	dev, test := agreedOn(t, "dev"), agreedOn(t, "test")
	for i, a := range []agreed{dev, test} {
		half := []string{"dev", "test"}[i]
		t.Log(a.score.table(half))
		t.Logf("%s: %v", half, a)
		if os.Getenv("OPNOTE_SHOW") != "" {
			for title, list := range map[string][]string{"IN PLACE": a.score.missed, "REMOVAL": a.score.invented, "MISS": a.score.misses, "FALSE": a.score.falses} {
				for _, m := range list {
					t.Log(title, m)
				}
			}
		}
	}
	for _, row := range []string{
		fmt.Sprintf("| F1 over all kinds, scored as the reader is | %.3f | %.3f |", dev.f1, test.f1),
		fmt.Sprintf("| the other way round (the first often left out attributes that the second gave) | %.3f | %.3f |", dev.reverse, test.reverse),
		fmt.Sprintf("| lines of a part in place that the second missed | %d of %d | %d of %d |", dev.missed, dev.place, test.missed, test.place),
		fmt.Sprintf("| in place or not, by note and kind of part (Cohen's kappa) | %.2f | %.2f |", dev.kappa, test.kappa),
		fmt.Sprintf("| removals of the second that the first has not | %d | %d |", dev.invented, test.invented),
	} {
		if !strings.Contains(string(guide), row) {
			t.Errorf("the guide has not the row %s", row)
		}
	}
}

// The table is the worked example of Cohen's kappa in Sim and Wright, Phys Ther 2005;85:257-268 (from memory): 22 and
// 11 of 39 agreed on, 2 and 4 not, kappa 0.67.
func TestKappa(t *testing.T) {
	if k := kappa(22, 2, 4, 11); k < 0.665 || k > 0.675 {
		t.Errorf("kappa %.3f, want 0.67", k)
	}
	if k := kappa(5, 5, 5, 5); k != 0 {
		t.Errorf("kappa of chance %.3f, want 0", k)
	}
}
