package banner

import (
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// Evidence says who says what: a line for every source of the parts, the questions and the reasons, each once, with the
// words quoted.
func Evidence(n Note) (out []string) {
	add := func(about string, sources []implant.Source) {
		for _, s := range sources {
			line := about + ": " + strings.TrimSpace(s.Key+" "+s.Version+" "+s.Path)
			if q := oneLine(s.Quote); q != "" {
				line = about + ": \"" + q + "\" (" + strings.TrimSpace(s.Key+" "+s.Version+" "+s.Path) + ")"
			}
			if !slices.Contains(out, line) {
				out = append(out, line)
			}
		}
	}
	for _, in := range []bool{true, false} {
		for _, p := range sortedParts(n.Record, in) {
			add(partName(n.Record, p.ID), p.Evidence)
		}
	}
	for _, q := range n.Record.Questions {
		add(QuestionText(q.Code), q.Sources)
	}
	for _, a := range n.Record.Answered {
		add("Settled by a person, "+minute(a.At)+": "+settled(a), []implant.Source{a.Said})
		add(settled(a), a.Question.Sources)
	}
	for _, r := range n.Verdict.Reasons {
		if r.Part == "" {
			add(ReasonText(r, n.Record), r.Evidence)
		}
	}
	return out
}
