package opnote

import (
	"regexp"
	"strings"
	"testing"

	"gaussline/mapping/implant"
)

// The words that testdata/notes/README.md allows.
var (
	goldKinds = words(`implanted removed removed-in-part capped cut disconnected connected left-in-place repositioned adjusted exchanged
		sought-not-found wasted attempt-abandoned reported-removed reported-present planned denied described located function impedance
		reason complication outcome usage`)
	goldAsks = words(`count-conflict side-conflict level-conflict identity-conflict words-conflict date-doubtful removal-doubtful
		action-ambiguous dictation label-old-words not-done`)
	goldValues = map[string]map[string]bool{
		"part":      words("generator lead extension adaptor anchor pump catheter hardware other-active unidentified system"),
		"side":      words("left right midline bilateral"),
		"pocket":    words("buttock flank abdomen chest lower-back iliac-crest axilla thigh"),
		"certainty": words("probable possible"),
		"scope":     words("plan history family other negated hypothetical copied slip"),
		"removed":   words("whole"),
		"function":  words("functional non-functional disabled unknown"),
		"impedance": words("in-range out-of-range short open"),
		"reason": words(`lost-relief infection pain-at-site lead-migration lead-fracture generator-malfunction battery-depletion resolution
			mr-needed other-surgery erosion allergy neurological-injury uncomfortable-stimulation recharge-burden preference upgrade unknown`),
		"complication": words(`infection migration fracture disconnection erosion seroma haematoma dural-puncture csf-leak nerve-injury
			pain-at-site dehiscence allergy charging-problem fragment-retained bleeding flipped-generator`),
	}
	goldLevel = regexp.MustCompile(`^([CTL][0-9]{1,2}|S[1-5])(-[CTLS][0-9]{1,2})?$`)
)

func words(s string) map[string]bool {
	out := map[string]bool{}
	for _, w := range strings.Fields(s) {
		out[w] = true
	}
	return out
}

// TestGold holds every line of the notes to the guide: known words, values of the tables, quotes that stand in the note.
func TestGold(t *testing.T) {
	for _, half := range []string{"dev", "test"} {
		for _, c := range loadCorpus(t, half) {
			seen := map[string]bool{}
			for i := range c.lines {
				l := &c.lines[i]
				if seen[l.raw] {
					t.Errorf("%s: twice: %s", c.name, l.raw)
				}
				seen[l.raw] = true
				for _, bad := range goldFaults(&c, l) {
					t.Errorf("%s: %s: %s", c.name, bad, l.raw)
				}
			}
		}
	}
}

func goldFaults(c *corpusNote, l *line) (bad []string) {
	switch l.sort {
	case "kind":
		if !goldKinds[l.val] {
			bad = append(bad, "no such kind")
		}
	case "not":
		if !goldKinds[l.val] && l.val != "present" && l.val != "any" {
			bad = append(bad, "no such kind")
		}
	case "ask":
		if !goldAsks[l.val] {
			bad = append(bad, "no such question")
		}
	default:
		bad = append(bad, "no such sort of line")
	}
	for k, v := range l.keys {
		allowed, listed := goldValues[k]
		if k == "value" {
			allowed, listed = goldValues[l.val]
		}
		switch k {
		case "level", "entry", "tip":
			if !goldLevel.MatchString(v) {
				bad = append(bad, "level "+v)
			}
		case "at", "expiry":
			if _, _, ok := implant.When(v).Bounds(); !ok {
				bad = append(bad, "date "+v)
			}
		case "value", "part", "side", "pocket", "certainty", "scope":
			if listed && !allowed[v] {
				bad = append(bad, k+" "+v)
			}
		case "count", "nerve", "maker", "model", "serial", "lot", "udi":
		default:
			bad = append(bad, "no such key "+k)
		}
	}
	for _, q := range l.quotes {
		if !overlaps(c.note.Text, 0, len(c.note.Text), []string{q}) {
			bad = append(bad, "not in the note: "+q)
		}
	}
	return bad
}

// TestGoldAgreesWithItself: the expectations of a note, taken as findings, meet all of its lines and break none.
func TestGoldAgreesWithItself(t *testing.T) {
	for _, half := range []string{"dev", "test"} {
		for _, c := range loadCorpus(t, half) {
			s := &score{kinds: map[string]*tally{}}
			fs, qs := findings(&c, &c)
			scoreFindings(s, c, fs, qs)
			for _, m := range append(append(append(s.misses, s.falses...), s.missed...), s.invented...) {
				t.Errorf("not in keeping with itself: %s", m)
			}
		}
	}
}
