package opnote

import (
	"fmt"
	"os"
	"sort"
	"strings"
	"testing"
)

// Targets of the issue for the test half: no implant missed, no removal invented, F1 over all kinds at least 0.95.
const wantF1 = 0.95

// best are the best figures committed so far. They are a ratchet and not yet the targets: a change that makes
// one worse fails, one that makes one better should move it here. They went down once, when the notes were annotated
// twice and became stricter, with the reader as it was (testdata/notes/README.md): from 0.803 and 0.613, 29 missed;
// and that of the development half once more (0.788, 23 missed, 2 invented), when 414 phrases and the rules fitted to it
// gave way to verbs read by their direction, which left the test half where it was.
var best = map[string]struct {
	f1               float64
	missed, invented int
}{
	"dev":  {0.796, 18, 2},
	"test": {0.608, 28, 9},
	"held": {0.713, 5, 0},
}

func f1(t tally) (p, r, f float64) {
	p, r = 1, 1
	if t.found+t.false > 0 {
		p = float64(t.found) / float64(t.found+t.false)
	}
	if t.want > 0 {
		r = float64(t.found) / float64(t.want)
	}
	if p+r > 0 {
		f = 2 * p * r / (p + r)
	}
	return p, r, f
}

func (s *score) total() tally {
	var all tally
	for _, k := range s.kinds {
		all.want += k.want
		all.found += k.found
		all.false += k.false
	}
	return all
}

func (s *score) table(half string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%-20s %5s %5s %5s  %6s %6s %6s\n", half, "lines", "found", "false", "prec", "recall", "F1")
	var names []string
	for k := range s.kinds {
		names = append(names, k)
	}
	sort.Strings(names)
	row := func(n string, t tally) {
		p, r, f := f1(t)
		fmt.Fprintf(&b, "%-20s %5d %5d %5d  %6.3f %6.3f %6.3f\n", n, t.want, t.found, t.false, p, r, f)
	}
	for _, n := range names {
		row(n, *s.kinds[n])
	}
	row("all", s.total())
	fmt.Fprintf(&b, "implants missed: %d of %d; removals invented: %d\n", len(s.missed), s.presentWant, len(s.invented))
	return b.String()
}

// TestCorpus scores the reader on both halves of testdata/notes. Misses are listed for the development half only,
// with OPNOTE_SHOW set: the test half is not for tuning. OPNOTE_HALF and OPNOTE_FROM score one half, or the notes from
// a name on. It fails only where a figure is worse than the best committed.
func TestCorpus(t *testing.T) {
	for _, half := range []string{"dev", "test", "held"} {
		if only := os.Getenv("OPNOTE_HALF"); only != "" && only != half {
			continue
		}
		s := scoreHalf(t, half)
		t.Log(s.table(half))
		if os.Getenv("OPNOTE_WHY") != "" {
			for k, n := range s.reasons {
				t.Log("WHY", half, n, k)
			}
		}
		if half == "dev" && os.Getenv("OPNOTE_SHOW") != "" {
			for title, list := range map[string][]string{"IMPLANT MISSED": s.missed, "REMOVAL INVENTED": s.invented, "MISS": s.misses, "FALSE": s.falses} {
				for _, m := range list {
					t.Log(title, m)
				}
			}
		}
		if half == "dev" || half == "test" { // the halves that were annotated twice
			t.Logf("%s, the bound: %v", half, agreedOn(t, half))
		}
		_, _, f := f1(s.total())
		t.Logf("%s: F1 %.3f of %.2f wanted, implants missed %d of 0 wanted, removals invented %d of 0 wanted", half, f, wantF1, len(s.missed), len(s.invented))
		if os.Getenv("OPNOTE_FROM") != "" {
			continue
		}
		if f < best[half].f1 {
			t.Errorf("%s: F1 %.3f, was %.3f", half, f, best[half].f1)
		}
		if len(s.missed) > best[half].missed {
			t.Errorf("%s: %d implants missed, were %d", half, len(s.missed), best[half].missed)
		}
		if len(s.invented) > best[half].invented {
			t.Errorf("%s: %d removals invented, were %d", half, len(s.invented), best[half].invented)
		}
	}
}
