package opnote

import (
	"fmt"
	"strings"

	"gaussline/mapping/implant"
)

// scoreFalse counts the findings that are wrong.
func scoreFalse(s *score, c corpusNote, fs []*Finding, fits map[*Finding]bool) {
	for _, f := range fs {
		why := ""
		if l := notLine(&c, f); l != nil {
			why = "not: " + l.raw
		} else if !fits[f] && !uncounted(&c, f) && !kindAndPart(&c, f) {
			why = "no line"
		}
		if why != "" {
			s.at(string(f.Kind)).false++
			s.falses = append(s.falses, fmt.Sprintf("%s: %s %s %q [%s] %s", c.name, f.Kind, f.Component.Kind, f.Quote, f.Value, why))
		}
	}
}

// kindAndPart says whether some line of the finding's kind and part is not contradicted by it.
func kindAndPart(c *corpusNote, f *Finding) bool {
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "kind" || !partMatch(l.keys["part"], f.Component.Kind) {
			continue
		}
		if !kindMatch(l.val, string(f.Kind)) && !pairOf(c, l, f) {
			continue
		}
		if _, contra := keysMatch(l, f); !contra {
			return true
		}
	}
	return false
}

// notLine gives the not= line that the finding breaks.
func notLine(c *corpusNote, f *Finding) *line {
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "not" || !partMatch(l.keys["part"], f.Component.Kind) || !overlaps(c.note.Text, f.Start, f.End, l.quotes) {
			continue
		}
		k := string(f.Kind)
		switch l.val {
		case "any":
			return l
		case "present":
			if presenceKinds[k] {
				return l
			}
		case "removed":
			if k == "removed" || k == "reported-removed" {
				return l
			}
		default:
			if l.val == k {
				return l
			}
		}
	}
	return nil
}

// uncounted are the findings that count neither way.
func uncounted(c *corpusNote, f *Finding) bool {
	k := string(f.Kind)
	switch k {
	case "described", "located", "mentioned", "mr-label", "denied":
		return true
	case "connected", "function", "impedance":
		return hasPresence(c, f, false)
	case "planned":
		for i := range c.lines {
			if c.lines[i].sort == "kind" && c.lines[i].keys["part"] != "" && partMatch(c.lines[i].keys["part"], f.Component.Kind) {
				return true
			}
		}
	case "complication":
		trouble := sameWord(k, f.Value)
		if trouble == "fragment-retained" && fragmentLine(c) {
			return true
		}
		for i := range c.lines {
			if c.lines[i].sort == "kind" && c.lines[i].val == "reason" && sameTrouble(c.lines[i].keys["value"], trouble) {
				return true
			}
		}
	}
	return presenceKinds[k] && k != "implanted" && familyPresent[k] && hasPresence(c, f, true)
}

// fragmentLine says whether the note has a line of a part of which a fragment stays: the complication says it again.
func fragmentLine(c *corpusNote) bool {
	for i := range c.lines {
		if l := &c.lines[i]; l.sort == "kind" && (l.val == "removed-in-part" || l.val == "cut") {
			return true
		}
	}
	return false
}

func sameTrouble(reason, complication string) bool {
	return reason == complication || strings.HasSuffix(reason, "-"+complication) || reason == "lead-fracture" && complication == "disconnection" || reason == "recharge-burden" && complication == "charging-problem"
}

// hasPresence says whether the part of the finding has a line of presence, or of reported removal, that it does
// not contradict.
func hasPresence(c *corpusNote, f *Finding, gone bool) bool {
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "kind" || !partMatch(l.keys["part"], f.Component.Kind) {
			continue
		}
		if !presenceKinds[l.val] && !(gone && l.val == "reported-removed") {
			continue
		}
		if _, contra := keysMatch(l, f); !contra || !gone {
			return true
		}
	}
	return false
}

// scoreSafety counts implants missed and removals invented.
func scoreSafety(s *score, c corpusNote, fs []*Finding) {
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "kind" || !presenceKinds[l.val] {
			continue
		}
		s.presentWant++
		ok := false
		for _, f := range fs {
			ok = ok || presenceKinds[string(f.Kind)] && partMatch(l.keys["part"], f.Component.Kind) && overlaps(c.note.Text, f.Start, f.End, l.quotes)
		}
		if !ok {
			s.missed = append(s.missed, c.name+": "+l.raw)
		}
	}
	for _, f := range fs {
		if f.Kind != implant.Removed && f.Kind != implant.ReportedGone {
			continue
		}
		line, whole := false, false
		for i := range c.lines {
			l := &c.lines[i]
			if l.sort != "kind" || !partMatch(l.keys["part"], f.Component.Kind) {
				continue
			}
			switch l.val {
			case "removed", "reported-removed", "removed-in-part":
				line = true
			}
			whole = whole || l.keys["value"] == "whole"
		}
		bad := !line || f.Value == "whole" && !whole
		if l := notLine(&c, f); l != nil && (l.val == "removed" || l.val == "any") {
			bad = true
		}
		if bad {
			s.invented = append(s.invented, fmt.Sprintf("%s: %s %s %q %s (%s)", c.name, f.Kind, f.Component.Kind, f.Quote, f.Value, f.Why))
		}
	}
}

// scoreAsks scores the questions.
func scoreAsks(s *score, c corpusNote, qs []Question) {
	same := func(want, got string) bool {
		if want == got {
			return true
		}
		set := map[string]bool{"words-conflict": true, "side-conflict": true, "count-conflict": true}
		return set[want] && set[got]
	}
	used := make([]bool, len(qs))
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "ask" {
			continue
		}
		s.at("ask").want++
		ok := false
		for j, q := range qs {
			if same(l.val, string(q.Code)) && overlaps(c.note.Text, q.Start, q.End, l.quotes) {
				used[j], ok = true, true
			}
		}
		if ok {
			s.at("ask").found++
		} else {
			s.misses = append(s.misses, c.name+": "+l.raw)
		}
	}
	for j, q := range qs {
		if used[j] {
			continue
		}
		skip := false
		switch q.Code {
		case implant.AskIdentityUnknown, implant.AskRemovalDoubtful, implant.AskDateMissing, implant.AskNoteUnread, implant.AskNotDone:
			skip = true
		}
		for i := range c.lines { // the same question raised again
			skip = skip || c.lines[i].sort == "ask" && same(c.lines[i].val, string(q.Code))
		}
		if !skip {
			s.at("ask").false++
			s.falses = append(s.falses, fmt.Sprintf("%s: ask %s %q", c.name, q.Code, q.Quote))
		}
	}
}
