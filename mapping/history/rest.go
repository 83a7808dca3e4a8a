package history

import (
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// noteLag is how long after an operation its note may carry a later date: dictated, typed, signed on the days after.
// Common practice, no source.
const noteLag = 72 * time.Hour

// ofRemoval says whether words may be an account of the occasion on which a part was removed: one source, a source
// that names the other, a day that is the same or soon after, or no day at all.
func ofRemoval(words, removal item) bool {
	switch {
	case words.st.Key == removal.st.Key, slices.Contains(words.st.Mentions, removal.st.Key), slices.Contains(removal.st.Mentions, words.st.Key):
		return true
	case !words.dated || !removal.dated:
		return true
	}
	return !words.before(removal) && words.from.Before(removal.to.Add(noteLag))
}

// settleRests makes doubtful every removal of the occasion whose own words say that something stays. The words are
// weighed against what is coded: what a person reviewed stands, and so does what no code takes out.
func (f *fold) settleRests() {
	for _, it := range f.items {
		if it.Kind != implant.RestSaid {
			continue
		}
		var doubtful []*part
		sources := []implant.Source{it.Source}
		for _, p := range f.parts {
			out := p.removedBeside(it)
			if out == nil {
				continue
			}
			p.State, p.Removed = implant.ReportedRemoved, ""
			p.Evidence = append(p.Evidence, it.Source)
			doubtful = append(doubtful, p)
			f.rested[p.ID] = true
			if len(sources) == 1 {
				sources = append(sources, out.Source)
			}
		}
		if len(doubtful) > 0 {
			f.ask(implant.AskStatesConflict, string(implant.RemovedWhole)+" / "+string(implant.LeftInPlace), doubtful, sources...)
		}
	}
}

// removedBeside gives the coded removal of the part that the words speak against, nil where they do not: the part is
// of another kind, it is what alone came out, or it has not come out by that.
func (p *part) removedBeside(it item) *item {
	if p.State != implant.RemovedWhole && p.State != implant.ReportedRemoved {
		return nil
	}
	kind, none := p.Component.Kind, implant.Unidentified
	if k := it.Component.Kind; k != "" && kind != k && kind != none {
		return nil
	}
	for _, alone := range strings.Fields(it.Value) {
		k, side, _ := strings.Cut(alone, "/")
		if implant.Kind(k) == kind && (side == "" || p.Site.Side == "" || string(p.Site.Side) == side) {
			return nil
		}
	}
	if anyReviewed(p.told) {
		return nil
	}
	for i := len(p.told) - 1; i >= 0; i-- {
		if r := &p.told[i]; r.Kind == implant.Removed && r.Basis == implant.Coded && ofRemoval(it, *r) {
			return r
		}
	}
	return nil
}

// askedOfRests says whether a question only asks again whether parts came out whole, which the words of a rest ask.
func (f *fold) askedOfRests(q implant.Question) bool {
	return q.Code == implant.AskRemovalDoubtful && len(q.Parts) > 0 &&
		!slices.ContainsFunc(q.Parts, func(id string) bool { return !f.rested[id] })
}
