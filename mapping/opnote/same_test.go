package opnote

import "gaussline/mapping/implant"

// What counts as the same between a line of the notes and a finding, beyond equal words: rules 4 and 5 of
// testdata/notes/README.md.

// sameWord gives the guide's word for a value that it says is the same; kind is that of the line.
func sameWord(kind, value string) string {
	if value == "back" {
		return "lower-back"
	}
	for _, same := range [][3]string{
		{"reason", "pocket-pain", "pain-at-site"}, {"reason", "patient-preference", "preference"}, {"reason", "disconnection", "lead-fracture"},
		{"complication", "lead-migration", "migration"}, {"complication", "lead-fracture", "fracture"},
		{"complication", "mechanical-other", "fracture"}, {"complication", "neurological-injury", "nerve-injury"},
		{"complication", "csf-leak", "dural-puncture"}, {"complication", "retained-fragment", "fragment-retained"},
		{"complication", "malposition", "flipped-generator"}, {"complication", "haematoma", "bleeding"},
		{"complication", "recharge-burden", "charging-problem"},
	} {
		if same[0] == kind && same[1] == value {
			return same[2]
		}
	}
	return value
}

// attribute says whether a line asks for an identity or a place alone, which any finding of the part may carry.
func attribute(l *line) bool { return l.sort == "kind" && (l.val == "described" || l.val == "located") }

// carries says whether a finding gives what an attribute line asks for, wherever its words stand: a reader may hang
// the serial of a list on the act that the narrative tells. A plan or a denial serves only on the quoted words.
func carries(c *corpusNote, l *line, f *Finding) bool {
	if !partMatch(l.keys["part"], f.Component.Kind) {
		return false
	}
	if f.Kind == implant.Planned || f.Kind == implant.DeniedPresence {
		return full(c, l, f)
	}
	ok, _ := keysMatch(l, f)
	return ok
}

// twoSides says whether a line of both sides is met by two findings that no line has taken, one of each side. They
// then fit it, and are not false.
func twoSides(c *corpusNote, l *line, fs []*Finding, taken map[*Finding]*line, fits map[*Finding]bool) bool {
	if l.keys["side"] != string(implant.Bilateral) {
		return false
	}
	of := func(side implant.Side) *Finding {
		one := *l
		one.keys = map[string]string{}
		for k, v := range l.keys {
			if k != "count" {
				one.keys[k] = v
			}
		}
		one.keys["side"] = string(side)
		for _, f := range fs {
			if taken[f] == nil && full(c, &one, f) {
				return f
			}
		}
		return nil
	}
	left, right := of(implant.Left), of(implant.Right)
	if left == nil || right == nil {
		return false
	}
	fits[left], fits[right] = true, true
	return true
}
