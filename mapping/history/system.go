package history

import (
	"slices"

	"gaussline/mapping/implant"
)

// groupSystems finds which parts make one system: parts put in by one source, parts of one parent device, a part
// put in by the source that took out another of its kind, and a part added while exactly one system was there.
func (f *fold) groupSystems() {
	u := newUnion()
	byID := map[string]*part{}
	for _, p := range f.parts {
		u.add(p.ID)
		byID[p.ID] = p
		if parent := f.byRef[p.Component.Parent]; parent != nil {
			u.join(p.ID, parent.ID)
		}
	}
	in := f.sessions(func(it item) bool { return it.Kind == implant.Implanted })
	out := f.sessions(func(it item) bool { return it.Kind == implant.Removed || it.Kind == implant.RemovedPart })
	for key, ps := range in {
		for _, p := range ps[1:] {
			u.join(ps[0].ID, p.ID)
		}
		for _, p := range ps {
			for _, q := range out[key] {
				if p.Component.Kind == q.Component.Kind && p != q {
					u.join(p.ID, q.ID)
				}
			}
		}
	}
	f.joinAdditions(u)
	for _, g := range u.groups() {
		for _, id := range g {
			byID[id].System = "sys-" + g[0][len("part-"):]
		}
	}
}

// sessions lists the parts told a fact that passes, by day where the fact has one, else by source.
func (f *fold) sessions(pass func(item) bool) map[string][]*part {
	m := map[string][]*part{}
	for _, p := range f.parts {
		for _, it := range p.told {
			if k := sessionKey(it); pass(it) && !slices.Contains(m[k], p) {
				m[k] = append(m[k], p)
			}
		}
	}
	return m
}

func sessionKey(it item) string {
	if it.At.DayPrecise() {
		return "on " + string(it.At[:10])
	}
	return "by " + it.st.Key
}

// joinAdditions joins a part put in later, with nothing of its kind taken out, to the one system that is there.
// Wires and adaptors only: a second generator is a second system.
func (f *fold) joinAdditions(u *union) {
	for _, p := range f.parts {
		k := p.Component.Kind
		if k != implant.Lead && k != implant.Extension && k != implant.Adaptor && k != implant.Anchor {
			continue
		}
		if f.sameSystem(u, p, implant.Generator) {
			continue
		}
		roots := map[string]bool{}
		for _, g := range f.parts {
			if g.Component.Kind == implant.Generator && g.overlaps(p) {
				roots[u.root(g.ID)] = true
			}
		}
		if len(roots) == 1 {
			for r := range roots {
				u.join(p.ID, r)
			}
		}
	}
}

func (f *fold) sameSystem(u *union, p *part, k implant.Kind) bool {
	return slices.ContainsFunc(f.parts, func(g *part) bool {
		return g.Component.Kind == k && u.root(g.ID) == u.root(p.ID)
	})
}

// overlaps says whether both parts may have been in the body at one time.
func (p *part) overlaps(q *part) bool {
	return !(p.Removed.Before(q.Implanted) || q.Removed.Before(p.Implanted))
}

// orphanedLeads marks the wires of a system whose generator is gone: in place, not connected. Where the removal
// itself is only reported, their state is unknown.
func (f *fold) orphanedLeads() {
	for _, p := range f.parts {
		k := p.Component.Kind
		if p.State != implant.Connected || k != implant.Lead && k != implant.Extension && k != implant.Adaptor {
			continue
		}
		var there, doubtful, gone *part
		for _, g := range f.parts {
			if g.System != p.System || g.Component.Kind != implant.Generator && g.Component.Kind != implant.Pump {
				continue
			}
			switch {
			case g.State == implant.NeverImplanted:
			case !g.State.InBody():
				gone = g
			case g.State == implant.ReportedRemoved:
				doubtful = g
			default:
				there = g
			}
		}
		switch {
		case there != nil:
		case doubtful != nil:
			p.State, p.Since = implant.StateUnknown, doubtful.Since
			p.Evidence = append(p.Evidence, firstSource(doubtful)...)
		case gone != nil:
			p.State, p.Since = implant.NotConnected, gone.Removed
			p.Evidence = append(p.Evidence, gone.removalSource()...)
		}
	}
}

func (p *part) removalSource() []implant.Source {
	for i := len(p.told) - 1; i >= 0; i-- {
		if p.told[i].Kind == implant.Removed {
			return []implant.Source{p.told[i].Source}
		}
	}
	return nil
}
