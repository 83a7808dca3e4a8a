package mri_test

import (
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// units splits the parts into what labels cover and gives the choices of each.
func (w world) units(body []implant.Part, powered int) (units [][]choice, groups [][]implant.Part, t tv) {
	t = yes
	var nerve, passive []implant.Part
	maybePower, unknownKind := false, false
	for _, p := range body {
		certain := p.State == implant.Connected
		maybePower = maybePower || hasPower(p) && !certain && !left(p)
		unknownKind = unknownKind || !kindKnown(p)
		switch {
		case !certain || !kindKnown(p):
		case p.Component.Kind == implant.Hardware || p.Component.Kind == implant.Anchor:
			passive = append(passive, p)
		default:
			nerve = append(nerve, p)
		}
	}
	switch n := powerOf(nerve); {
	case len(nerve) == 0:
	case n == 0:
		if w.leadsAlone(nerve) {
			groups = [][]implant.Part{nerve}
		} else if maybePower || unknownKind {
			t = dunno
		} else {
			t = no
		}
	case n == 1:
		groups = [][]implant.Part{nerve}
	default:
		names := map[string]bool{}
		for _, p := range nerve {
			if p.System == "" {
				t = dunno
			} else {
				names[p.System] = true
			}
		}
		for name := range names {
			var g []implant.Part
			for _, p := range nerve {
				if p.System == name {
					g = append(g, p)
				}
			}
			if powerOf(g) == 0 {
				t = dunno
			} else {
				groups = append(groups, g)
			}
		}
	}
	labelled := len(groups) > 0
	for _, g := range groups {
		c := w.systemChoices(g, passive, body, powerOf(g) < powered)
		if len(c) == 0 {
			labelled = false
			t = all(t, dunno)
			continue
		}
		units = append(units, c)
	}
	if !labelled && slices.ContainsFunc(body, left) {
		t = no
	}
	done := map[string]int{}
	for _, p := range passive {
		id := strings.ToUpper(p.Component.Maker+"|"+p.Component.Model) + "|" + p.Component.DI + "|" + string(p.Component.Kind)
		if w.identified(p) {
			done[id]++
			if done[id] > 1 {
				continue
			}
		}
		var alike []implant.Part
		for _, q := range passive {
			if strings.ToUpper(q.Component.Maker+"|"+q.Component.Model)+"|"+q.Component.DI+"|"+string(q.Component.Kind) == id && w.identified(q) == w.identified(p) {
				alike = append(alike, q)
			}
		}
		if !w.identified(p) {
			alike = []implant.Part{p}
		}
		units = append(units, w.passiveChoices(p, alike))
	}
	return units, groups, t
}

func alone(s *mri.System) bool {
	return !slices.ContainsFunc(s.Parts, func(sl mri.Slot) bool {
		return sl.Kind == implant.Generator || sl.Kind == implant.Pump || sl.Kind == implant.OtherActive
	})
}

func (w world) leadsAlone(ps []implant.Part) bool {
	return slices.ContainsFunc(ps, func(p implant.Part) bool {
		ms, _ := w.mentions(p)
		return slices.ContainsFunc(ms, func(m mention) bool { return m.sys != nil && alone(m.sys) })
	})
}

func (w world) systemChoices(g, passive, body []implant.Part, others bool) (out []choice) {
	hasSource := powerOf(g) > 0
	for i := range w.labels {
		l := &w.labels[i]
		for j := range l.Systems {
			s := &l.Systems[j]
			named := slices.ContainsFunc(g, func(p implant.Part) bool {
				ms, _ := w.mentions(p)
				return (!hasSource || hasPower(p)) && slices.ContainsFunc(ms, func(m mention) bool { return m.sys == s })
			})
			if !named || alone(s) == hasSource {
				continue
			}
			fits := all(w.combination(s, g, passive), w.current(l, s.Document, s.ID, true))
			for k := range s.Sets {
				c := choice{ref: s.Document + "/" + s.ID + "#" + s.Sets[k].ID, sys: s, set: &s.Sets[k], act: true, others: others && s.Sets[k].OtherActive == ""}
				t := fits
				for _, p := range body {
					if left(p) {
						t = all(t, w.allowed(p, s.Sets[k].Abandoned))
					}
				}
				if others && s.Sets[k].OtherActive == "barred" {
					t = no
				}
				c.now, c.day = t, t
				w.setTruth(&c, g)
				out = append(out, c)
			}
		}
	}
	return out
}

// combination: R1, R5, R6.
func (w world) combination(s *mri.System, g, passive []implant.Part) tv {
	t := yes
	counts := map[*mri.Slot]int{}
	leads := 0
	for _, p := range g {
		if p.Component.Kind == implant.Lead {
			leads += number(p)
		}
		ms, _ := w.mentions(p)
		i := slices.IndexFunc(ms, func(m mention) bool { return m.sys == s })
		switch {
		case i < 0 && w.identified(p):
			t = no
		case i < 0:
			t = all(t, dunno)
		case ms[i].slot.Kind != p.Component.Kind:
			t = all(t, dunno)
		default:
			counts[ms[i].slot] += number(p)
			t = all(t, placed(ms[i].slot, p))
		}
	}
	for _, p := range passive {
		ms, _ := w.mentions(p)
		for _, m := range ms {
			if m.sys == s && m.slot.Kind == p.Component.Kind {
				counts[m.slot] += number(p)
				t = all(t, placed(m.slot, p))
				break
			}
		}
	}
	for i := range s.Parts {
		n := counts[&s.Parts[i]]
		if n > s.Parts[i].Max {
			t = no
		}
		if n < s.Parts[i].Min {
			t = all(t, dunno)
		}
	}
	if s.LeadsMax > 0 && leads > s.LeadsMax {
		t = no
	}
	if leads < s.LeadsMin {
		t = all(t, dunno)
	}
	return t
}

func regionOK(region string, list []string) tv {
	for _, l := range list {
		if l == region {
			return yes
		}
	}
	switch region {
	case "", "spine", "spinal-canal", "back", "whole-body":
		return dunno
	}
	return no
}

func insideSpan(level string, sp *mri.Span) tv {
	a, b := levelEnds(level)
	if a < 0 {
		return dunno
	}
	x, y := ends(sp.From, sp.To)
	return is(a >= x && b <= y)
}

func placed(sl *mri.Slot, p implant.Part) tv {
	t := yes
	if len(sl.Regions) > 0 {
		t = all(t, regionOK(p.Site.Region, sl.Regions))
	}
	if len(sl.Pockets) > 0 {
		where := p.Site.Pocket
		if where == "" {
			where = p.Site.Region
		}
		t = all(t, regionOK(where, sl.Pockets))
	}
	if sl.Levels != nil {
		t = all(t, insideSpan(p.Site.Level, sl.Levels))
	}
	if sl.Entry != nil {
		t = all(t, insideSpan(p.Site.Entry, sl.Entry))
	}
	if sl.Tip != nil {
		if a, _ := levelEnds(p.Site.Tip); a >= 0 {
			t = all(t, insideSpan(p.Site.Tip, sl.Tip))
		} else if a, b := levelEnds(p.Site.Level); a < 0 {
			t = all(t, dunno)
		} else {
			x, y := ends(sl.Tip.From, sl.Tip.To)
			in, out := 0, 0
			for h := a; h <= b; h++ {
				if h >= x && h <= y {
					in++
				} else {
					out++
				}
			}
			switch {
			case out == 0:
			case in == 0:
				t = no
			default:
				t = all(t, dunno)
			}
		}
	}
	if len(sl.Sides) > 0 {
		switch p.Site.Side {
		case "":
			t = all(t, dunno)
		case implant.Bilateral:
			t = all(t, is(slices.Contains(sl.Sides, implant.Left) && slices.Contains(sl.Sides, implant.Right)))
		default:
			t = all(t, is(slices.Contains(sl.Sides, p.Site.Side)))
		}
	}
	if len(sl.Lengths) > 0 {
		i := strings.Index(p.Component.Name, " cm")
		if i < 0 {
			t = all(t, dunno)
		} else {
			text := p.Component.Name[strings.LastIndex(p.Component.Name[:i], " ")+1 : i]
			ok := no
			for _, l := range sl.Lengths {
				ok = anyOf(ok, is(rat(l, "cm").Cmp(rat(text+" cm", "cm")) == 0))
			}
			t = all(t, ok)
		}
	}
	return t
}

func (w world) allowed(p implant.Part, list []mri.Allowance) tv {
	best := no
	for _, a := range list {
		if a.Kind != p.Component.Kind || !slices.Contains(a.States, p.State) {
			continue
		}
		t := yes
		if len(a.Models) > 0 {
			if !w.identified(p) || p.Component.Model == "" {
				t = dunno
			} else {
				t = is(oneOf(p.Component.Model, a.Models))
			}
		}
		if len(a.Regions) > 0 {
			t = all(t, regionOK(p.Site.Region, a.Regions))
		}
		best = anyOf(best, t)
	}
	return best
}

func (w world) passiveChoices(p implant.Part, alike []implant.Part) (out []choice) {
	ms, _ := w.mentions(p)
	if len(ms) == 0 {
		return []choice{{now: dunno, day: dunno}}
	}
	for _, m := range ms {
		kind := implant.Kind("")
		if m.sys != nil {
			kind = m.slot.Kind
		} else {
			kind = m.comp.Kind
		}
		switch {
		case kind != p.Component.Kind:
			out = append(out, choice{now: dunno, day: dunno})
			continue
		case m.sys != nil:
			out = append(out, choice{needs: m.sys, now: yes, day: yes})
			continue
		}
		t := w.current(m.l, m.comp.Document, m.comp.ID, false)
		ref := m.comp.Document + "/" + m.comp.ID
		switch m.comp.Status {
		case implant.MRConditional:
			for k := range m.comp.Sets {
				c := choice{ref: ref + "#" + m.comp.Sets[k].ID, set: &m.comp.Sets[k], now: t, day: t}
				w.setTruth(&c, alike)
				out = append(out, c)
			}
			continue
		case implant.MRSafe:
			issued, _, ok := document(m.l, m.comp.Document).Issued.Bounds()
			if !ok || issued.Before(time.Date(2005, 9, 1, 0, 0, 0, 0, time.UTC)) {
				t = all(t, dunno)
			}
		case implant.MRUnsafe:
		default:
			t = all(t, dunno)
		}
		out = append(out, choice{ref: ref, now: t, day: t})
	}
	return out
}
