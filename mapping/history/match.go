package history

import (
	"fmt"
	"slices"

	"gaussline/mapping/implant"
)

// placeFacts gives every fact that names no Device to the part it must mean, in effective time. Where words and
// parts do not fit one to one the cautious thing happens: presence makes a part, removal removes nothing.
func (f *fold) placeFacts() {
	for _, it := range f.items {
		if it.Component.Ref != "" || !aboutPart(it.Kind) {
			continue
		}
		switch it.Kind {
		case implant.Implanted:
			f.placeImplanted(it)
		case implant.PresentByWord, implant.LeftInPlace, implant.Repositioned, implant.Adjusted:
			f.placePresence(it)
		case implant.Removed, implant.ReportedGone, implant.RemovedPart, implant.WasCapped, implant.WasCut,
			implant.Disconnected, implant.SoughtAbsent, implant.Reconnected:
			f.placeAct(it)
		case implant.MRLabel, implant.Function, implant.Exchanged:
			f.placeWarning(it)
		case implant.Wasted:
			f.placeWasted(it)
		default:
			f.attachIfOne(it)
		}
	}
}

// aboutPart says whether a fact concerns a component in or near the body.
func aboutPart(k implant.FactKind) bool {
	switch k {
	case implant.Planned, implant.DeniedPresence, implant.Reason, implant.Complication, implant.Outcome,
		implant.UsageHours, implant.Unread, implant.Doubt, implant.Answer, implant.SetAside, implant.Abandoned, implant.RestSaid:
		return false
	}
	return true
}

// need is how many parts a fact speaks of; 0 when it does not say.
func need(it item) int {
	switch {
	case it.Component.Count > 0:
		return it.Component.Count
	case it.Site.Side == implant.Bilateral && it.Component.Kind == implant.Lead:
		return 2
	}
	return 0
}

// candidates are the parts a fact may mean: kind, identity and place do not contradict; best place match first.
func (f *fold) candidates(it item, fits func(*part) bool) []*part {
	var exact, loose []*part
	for _, p := range f.parts {
		if !p.mayBe(it) || !fits(p) {
			continue
		}
		if it.Component.Serial != "" && fold1(it.Component.Serial) == fold1(p.Component.Serial) {
			return []*part{p}
		}
		if it.Site.Side != "" && it.Site.Side == p.Site.Side || it.Site.Level != "" && it.Site.Level == p.Site.Level {
			exact = append(exact, p)
		} else {
			loose = append(loose, p)
		}
	}
	if n := need(it); n > 0 && len(exact) >= n {
		return exact
	}
	if it.Site.Side != "" && it.Site.Side != implant.Bilateral && len(exact) > 0 && need(it) == 0 {
		return exact
	}
	return append(exact, loose...)
}

// mayBe says whether nothing known of the part contradicts the fact's component and site.
func (p *part) mayBe(it item) bool {
	c := it.Component
	kindOK := c.Kind == "" || c.Kind == implant.Unidentified || p.Component.Kind == implant.Unidentified ||
		c.Kind == p.Component.Kind
	return kindOK && p.wasAt(it.Site.Side) && agree(c.Serial, p.Component.Serial) && agree(c.Model, p.Component.Model) &&
		(!p.prose || agree(it.Site.Level, p.Site.Level)) // counts of levels differ by one from hand to hand
}

func agree(a, b string) bool { return a == "" || b == "" || fold1(a) == fold1(b) }

// has says whether the part was told a fact of the kind that satisfies when.
func (p *part) has(k implant.FactKind, when func(item) bool) bool {
	return slices.ContainsFunc(p.told, func(x item) bool { return x.Kind == k && when(x) })
}

func always(item) bool { return true }

// maybeInAt says whether the part may be in the body when it happens: not surely put in later, not surely out
// before.
func (p *part) maybeInAt(it item) bool {
	if p.has(implant.Removed, func(x item) bool {
		return x.before(it) && x.Value == "whole" && !(it.Basis == implant.Read && ofRemoval(it, x))
	}) &&
		!p.has(implant.Implanted, func(x item) bool { return !x.before(it) || x.dated && it.dated && x.from.Equal(it.from) }) {
		return false
	}
	implanted := p.has(implant.Implanted, always)
	return !implanted || p.has(implant.Implanted, func(x item) bool { return !it.before(x) })
}

// sameOccasion says whether two facts may be of one session: one source, or times that are not surely apart.
func sameOccasion(a, b item) bool {
	return a.st.Key == b.st.Key || !a.before(b) && !b.before(a) && a.dated && b.dated
}

// placeImplanted finds the parts of the same session that coded sources already put in; only what is said
// beyond them becomes new parts.
func (f *fold) placeImplanted(it item) {
	n := max(need(it), 1)
	fits := func(p *part) bool {
		return p.has(implant.Implanted, func(x item) bool { return sameOccasion(x, it) }) ||
			!p.has(implant.Implanted, always) && p.maybeInAt(it) && !p.prose
	}
	cands := f.candidates(it, fits)
	coded := slices.ContainsFunc(cands, func(p *part) bool { return !p.prose })
	if len(cands) > n {
		cands = cands[:n]
	}
	for _, p := range cands {
		f.tell(p, it)
	}
	short := n - len(cands)
	if short > 0 && coded && it.Component.Kind != implant.Unidentified {
		f.ask(implant.AskCountConflict, fmt.Sprintf("%d said, %d listed", n, len(cands)), cands, it.Source)
	}
	for i := range short {
		f.create(it, len(cands)+i)
	}
}

// placePresence confirms parts that are there; words about more than are known make parts.
func (f *fold) placePresence(it item) {
	n := max(need(it), 1)
	cands := f.candidates(it, func(p *part) bool { return p.maybeInAt(it) })
	if need(it) == 0 {
		if len(cands) == 0 {
			f.create(it, 0)
			return
		}
		for _, p := range cands { // "the leads remain": all that may be meant
			f.tell(p, it)
		}
		return
	}
	if len(cands) > n {
		cands = cands[:n]
	}
	for _, p := range cands {
		f.tell(p, it)
	}
	for i := len(cands); i < n; i++ {
		f.create(it, i)
	}
}

// placeAct applies an act on parts. What leaves a part in the body may be applied to all it could mean; a
// removal only where it is plain which parts are meant.
func (f *fold) placeAct(it item) {
	cands := f.candidates(it, func(p *part) bool { return p.maybeInAt(it) })
	n := need(it)
	switch {
	case len(cands) == 0:
		f.unmatched(it, max(n, 1))
	case n == 0 && len(cands) == 1 || n == len(cands):
		for _, p := range cands {
			f.tell(p, it)
		}
	case n > len(cands):
		for _, p := range cands {
			f.tell(p, it)
		}
		f.ask(implant.AskCountConflict, fmt.Sprintf("%d said, %d on record", n, len(cands)), cands, it.Source)
		f.unmatched(it, n-len(cands))
	default:
		f.ask(implant.AskPartUnmatched, string(it.Kind), cands, it.Source)
		if it.Kind == implant.Removed {
			it.Kind, it.Value = implant.ReportedGone, ""
		}
		if it.Kind == implant.Reconnected {
			return
		}
		for _, p := range cands {
			f.tell(p, it)
		}
	}
}

// unmatched makes parts for an act on something no source put in: a remnant counts, a removal is kept as such.
func (f *fold) unmatched(it item, n int) {
	var made []*part
	for i := range n {
		made = append(made, f.create(it, i))
	}
	f.ask(implant.AskPartUnmatched, string(it.Kind), made, it.Source)
}

func (f *fold) attachIfOne(it item) {
	cands := f.candidates(it, func(p *part) bool { return p.maybeInAt(it) })
	if len(cands) == max(need(it), 1) {
		for _, p := range cands {
			f.tell(p, it)
		}
	}
}

// placeWarning gives what makes parts doubtful to all that it may mean.
func (f *fold) placeWarning(it item) {
	for _, p := range f.candidates(it, func(p *part) bool { return p.maybeInAt(it) }) {
		f.tell(p, it)
	}
}

// placeWasted gives "opened and not used" to the part of that serial number only: what was put in is not what was
// thrown away beside it.
func (f *fold) placeWasted(it item) {
	for _, p := range f.parts {
		if it.Component.Serial != "" && fold1(it.Component.Serial) == fold1(p.Component.Serial) && p.mayBe(it) {
			f.tell(p, it)
		}
	}
}

func (f *fold) tell(p *part, it item) {
	p.told = append(p.told, it)
	p.locate(it)
}

// create makes a part from words alone. Its ID rests on what made it.
func (f *fold) create(it item, n int) *part {
	p := &part{prose: true}
	side := it.Site.Side
	if side == implant.Bilateral && n < 2 {
		it.Site.Side = []implant.Side{implant.Left, implant.Right}[n]
	}
	p.ID = "part-" + shortHash(it.st.Key, it.Source.Path, string(it.Component.Kind), it.Component.Serial,
		string(side), it.Site.Level, fmt.Sprint(it.Source.Start), fmt.Sprint(n))
	p.Component = it.Component
	p.Component.Count = 0
	if p.Component.Kind == "" {
		p.Component.Kind = implant.Unidentified
	}
	f.tell(p, it)
	f.parts = append(f.parts, p)
	return p
}
