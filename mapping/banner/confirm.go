package banner

import (
	"fmt"
	"slices"
	"strings"

	"gaussline/mapping/mri"
)

// asks are the lines for points whose argument is no list of permitted values.
var asks = map[string]string{
	mri.ElementDistance:    "distance of the isocentre from the part: keep {0}",
	mri.ElementOtherActive: "other active implant: the label is silent on it, settle this first",
	mri.WhyLabelSilent:     "the label is silent on {0:element}: settle this first",
}

// atLeast are the limits that are kept to from below.
var atLeast = []string{mri.ElementWait, mri.ElementHealing, mri.ElementDistance}

// limitLines gives the numbers with their units, each as an upper or a lower bound, with the label's words whole.
func limitLines(limits []mri.Limit) []string {
	var out []string
	for _, l := range limits {
		bound := "at most "
		if slices.Contains(atLeast, l.Code) {
			bound = "at least "
		}
		out = append(out, Element(l.Code)+": "+bound+l.Amount.String()+" "+string(l.Unit)+quotes(l.Words))
	}
	return out
}

// quotes gives the label's words whole: cut short, a "not" could be lost.
func quotes(words ...string) string {
	out := ""
	for _, w := range words {
		if w != "" {
			out += " (label: \"" + w + "\")"
		}
	}
	return out
}

// conditionLine puts a point to confirm in words; of several permitted values, any one is permitted.
func conditionLine(c mri.Condition) string {
	if tmpl, ok := asks[c.Code]; ok {
		return fill(tmpl, "", c.Args) + quotes(c.Words...)
	}
	line := Element(c.Code)
	if len(c.Args) > 0 {
		line += ": " + strings.Join(c.Args, " or ")
	}
	return line + quotes(c.Words...)
}

// sameCondition: the label's words may differ, what is asked for does not.
func sameCondition(a, b mri.Condition) bool {
	return a.Code == b.Code && a.Phase == b.Phase && slices.Equal(a.Args, b.Args)
}

// wayOf is one way of one scanner that holds.
type wayOf struct {
	scanner string
	way     mri.Way
}

func holdingWays(v mri.Verdict) []wayOf {
	var out []wayOf
	for _, s := range v.Scanners {
		if s.Truth != mri.Met {
			continue
		}
		for _, w := range s.Ways {
			out = append(out, wayOf{scannerName(s), w})
		}
	}
	return out
}

// special says whether a point belongs to some of the ways only. A point of no listed way is for all: it is never
// left out.
func special(ways []wayOf, c mri.Condition) bool {
	n := 0
	for _, w := range ways {
		if slices.ContainsFunc(w.way.Confirm, func(x mri.Condition) bool { return sameCondition(x, c) }) {
			n++
		}
	}
	return n > 0 && n < len(ways)
}

// confirmLines lists the points of the phases that hold for every way; those of some ways only are in wayLines.
func confirmLines(v mri.Verdict, phases ...mri.Phase) []string {
	var out []string
	ways := holdingWays(v)
	for _, c := range v.Confirm {
		if slices.Contains(phases, c.Phase) && !special(ways, c) {
			out = append(out, conditionLine(c))
		}
	}
	return out
}

// wayLines gives, for each way that differs from another, the points that are its own: alternatives that a reader
// must not mix, because a label offers each as a whole. Ways alike but for the scanner share a line.
func wayLines(v mri.Verdict) []string {
	ways := holdingWays(v)
	var texts []string
	on := map[string][]string{}
	for _, w := range ways {
		var own []string
		for _, c := range w.way.Confirm {
			if special(ways, c) {
				line := conditionLine(c)
				if c.Phase == mri.After {
					line = "after the scan: " + line
				}
				own = append(own, line)
			}
		}
		text := known2(strings.Join(own, "; "), "no further point")
		if !slices.Contains(texts, text) {
			texts = append(texts, text)
		}
		if !slices.Contains(on[text], w.scanner) {
			on[text] = append(on[text], w.scanner)
		}
	}
	if len(texts) < 2 {
		return nil
	}
	var out []string
	for i, t := range texts {
		out = append(out, fmt.Sprintf("Way %d, on %s: %s", i+1, strings.Join(on[t], "; "), t))
	}
	return out
}
