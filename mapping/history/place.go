package history

import (
	"slices"

	"gaussline/mapping/implant"
)

// pockets are the regions in which a generator or pump lies under the skin, and no electrode does its work.
var pockets = map[string]bool{"buttock": true, "flank": true, "abdomen": true, "chest": true, "pelvis": true}

// siteFor is what a fact says of where this part is. The body site of a procedure that acts on several devices is
// one for all of them: a pocket is the generator's, a level is the leads'.
func (p *part) siteFor(it item) implant.Site {
	s := it.Site
	powered := p.Component.Kind == implant.Generator || p.Component.Kind == implant.Pump
	if powered && pockets[s.Region] && s.Pocket == "" {
		s.Pocket = s.Region
	}
	if !it.shared {
		return s
	}
	pocket := pockets[s.Region] || s.Pocket != ""
	switch {
	case powered && !pocket:
		return implant.Site{Words: s.Words}
	case !powered && pocket:
		return implant.Site{Words: s.Words}
	}
	return s
}

// sharedSites marks the facts of statements that act on more than one device.
func sharedSites(its []item) {
	refs := map[*implant.Statement]map[string]bool{}
	for _, it := range its {
		if it.Component.Ref == "" {
			continue
		}
		if refs[it.st] == nil {
			refs[it.st] = map[string]bool{}
		}
		refs[it.st][it.Component.Ref] = true
	}
	for i := range its {
		its[i].shared = its[i].Component.Ref != "" && len(refs[its[i].st]) > 1
	}
}

// locate fills what the part's site does not have yet; it never overwrites.
func (p *part) locate(it item) {
	s := p.siteFor(it)
	set := func(to *string, v string) {
		if *to == "" {
			*to = v
		}
	}
	set(&p.Site.Region, s.Region)
	set(&p.Site.Level, s.Level)
	set(&p.Site.Entry, s.Entry)
	set(&p.Site.Tip, s.Tip)
	set(&p.Site.Nerve, s.Nerve)
	set(&p.Site.Pocket, s.Pocket)
	set(&p.Site.Words, s.Words)
	if p.Site.Side == "" && (s.Side != implant.Bilateral || p.Component.Kind != implant.Lead) {
		p.Site.Side = s.Side
	}
}

// place takes the site from the newest facts that state one. A removal on a side on which nobody had placed the part
// says where somebody operated, not where the part was.
func (p *part) place() {
	p.Site = implant.Site{}
	_, elsewhere := p.removedElsewhere()
	for i := len(p.told) - 1; i >= 0; i-- {
		if elsewhere == nil || p.told[i].st != elsewhere.st || p.told[i].Kind != implant.Removed {
			p.locate(p.told[i])
		}
	}
}

// wasAt says whether some fact places the part on this side, or none on any: a part may have been moved, and older
// words speak of where it was.
func (p *part) wasAt(side implant.Side) bool {
	if side == "" || side == implant.Bilateral || p.Site.Side == "" || p.Site.Side == implant.Bilateral || p.Site.Side == side {
		return true
	}
	return slices.ContainsFunc(p.told, func(it item) bool {
		s := p.siteFor(it).Side
		return s == side || s == implant.Bilateral
	})
}

// settlePlace takes the place from the newest facts that state one; later facts may move a part, facts of one
// time that disagree make a question.
func (f *fold) settlePlace(p *part) {
	keep := p.Site
	p.place()
	if keep.Side != "" && p.Site.Side == "" {
		p.Site.Side = keep.Side // given to one of a bilateral pair
	}
	f.askPlace(p, implant.AskSideConflict, func(s implant.Site) string {
		if s.Side == implant.Bilateral {
			return ""
		}
		return string(s.Side)
	})
	f.askRemovedElsewhere(p)
	f.askPlace(p, implant.AskLevelConflict, func(s implant.Site) string { return s.Level })
}

// askRemovedElsewhere asks where a part is taken out on a side on which nobody had placed it before: another part may
// have come out, so neither counts as out on these words.
func (f *fold) askRemovedElsewhere(p *part) {
	was, out := p.removedElsewhere()
	if out == nil {
		return
	}
	a, b := p.oneSide(*was), p.oneSide(*out)
	f.ask(implant.AskSideConflict, min(a, b)+" / "+max(a, b), []*part{p}, p.placeSource(*was), p.placeSource(*out))
	if p.State == implant.RemovedWhole && !anyReviewed(p.told) {
		p.State = implant.ReportedRemoved
	}
}

// removedElsewhere finds a removal on another side than every fact before it, and the last of those; nil, nil where
// there is none.
func (p *part) removedElsewhere() (was, out *item) {
	for i := range p.told {
		it := &p.told[i]
		side := p.oneSide(*it)
		switch {
		case side == "":
		case it.Kind != implant.Removed:
			was = it
		case was != nil && !slices.ContainsFunc(p.told[:i], func(b item) bool { return b.Kind != implant.Removed && p.oneSide(b) == side }):
			return was, it
		}
	}
	return nil, nil
}

// oneSide is the side on which a fact places the part, "" where it says none or both.
func (p *part) oneSide(it item) string {
	if s := p.siteFor(it).Side; s != implant.Bilateral {
		return string(s)
	}
	return ""
}

// placeSource is the source of a fact with the words that say the place, where they are known.
func (p *part) placeSource(it item) implant.Source {
	s := it.Source
	if w := p.siteFor(it).Words; w != "" && it.Basis == implant.Coded {
		s.Quote = w
	}
	return s
}

func (f *fold) askPlace(p *part, code implant.QuestionCode, of func(implant.Site) string) {
	get := func(it item) string { return of(p.siteFor(it)) }
	for i, a := range p.told {
		va := get(a)
		if va == "" {
			continue
		}
		j := slices.IndexFunc(p.told[i+1:], func(b item) bool {
			vb := get(b)
			return vb != "" && vb != va && !a.before(b) && !b.before(a)
		})
		if j >= 0 {
			b := p.told[i+1+j]
			f.ask(code, min(va, get(b))+" / "+max(va, get(b)), []*part{p}, p.placeSource(a), p.placeSource(b))
			return
		}
	}
}
