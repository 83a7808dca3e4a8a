package mri

import (
	"cmp"
	"slices"
	"strconv"

	"gaussline/mapping/implant"
)

func itoa(n int) string { return strconv.Itoa(n) }

// judgeSystem finds the labelled combinations that name the unit's power source (or, for leads alone, its leads) and
// judges every condition set of each. It says false when no label names it: then nothing is established for it.
func (d *decision) judgeSystem(u *unit, passive []unit, others bool, events []implant.Event) bool {
	var room [8]*system
	candidates := d.candidates(u, room[:0])
	if len(candidates) == 0 {
		d.unlabelled(u)
		return false
	}
	n := 0
	for _, s := range candidates {
		n += len(s.sets)
	}
	u.alts = make([]alt, 0, n)
	for _, s := range candidates {
		d.use(s.doc)
		base := alt{system: s, truth: Met, healed: Met}
		d.combination(&base, s, u, passive)
		d.labelCurrent(&base, s.ref, s.doc, d.systemEdition(s))
		for i := range s.sets {
			a := base
			a.set, a.ref = &s.sets[i], s.sets[i].ref
			a.reasons = slices.Clone(base.reasons)
			d.leftBehind(&a)
			d.beside(&a, others)
			d.conditions(&a, u.parts, events)
			u.alts = append(u.alts, a)
		}
	}
	return true
}

func (d *decision) candidates(u *unit, out []*system) []*system {
	sourced := slices.ContainsFunc(u.parts, func(p *seen) bool { return source(p.Component.Kind) })
	for _, p := range u.parts {
		if sourced && !source(p.Component.Kind) {
			continue
		}
		for _, e := range p.entries {
			if e.system != nil && e.system.sourced == sourced && !slices.Contains(out, e.system) {
				out = append(out, e.system)
			}
		}
	}
	order := func(a, b *system) int {
		return cmp.Or(cmp.Compare(a.ref, b.ref), cmp.Compare(a.doc.Edition, b.doc.Edition), cmp.Compare(a.doc.Issued, b.doc.Issued), cmp.Compare(a.doc.Reviewed, b.doc.Reviewed))
	}
	slices.SortStableFunc(out, order)
	return out
}

func (d *decision) unlabelled(u *unit) {
	for _, p := range u.parts {
		if p.known == Met && source(p.Component.Kind) || len(u.parts) == 1 && p.known == Met {
			d.stop(Reason{Code: WhyUnlabelled, Truth: Unknown, Part: p.ID, Args: []string{p.Component.Maker, p.Component.Model}, Evidence: p.Evidence})
		}
	}
	u.alts = append(u.alts, alt{})
}

func (d *decision) labelCurrent(a *alt, ref string, doc *Document, ed Truth) {
	stale := d.stale(doc)
	if stale {
		a.fail(Reason{Code: WhyStale, Args: []string{string(doc.Reviewed)}, Set: ref, Edition: doc.Edition}, Unknown)
	}
	if ed != Met {
		a.fail(Reason{Code: WhyEditions, Args: []string{ref}, Set: ref, Edition: doc.Edition}, ed)
	}
	d.line(a, ElementStale, truthOf(!stale).Or(Unknown), "", string(doc.Reviewed))
}

// combination judges R1, R5 and R6: every part in a slot, as many as permitted, where permitted.
func (d *decision) combination(a *alt, s *system, u *unit, passive []unit) {
	var counts [maxSlots]int
	leads := 0
	for _, p := range u.parts {
		i := slotOf(p, s)
		switch {
		case i >= 0 && s.slots[i].Kind != p.Component.Kind:
			a.fail(d.partReason(p, WhyKindConflict, s, string(p.Component.Kind), string(s.slots[i].Kind)), Unknown)
		case i >= 0:
			counts[i] += p.units
			d.place(a, s, &s.slots[i], p)
		case p.known == Met:
			a.fail(d.partReason(p, WhyNotInCombination, s, string(p.Component.Kind), p.Component.Maker, p.Component.Model), NotMet)
		default:
			a.truth, a.healed = a.truth.And(Unknown), a.healed.And(Unknown)
		}
		if p.Component.Kind == implant.Lead {
			leads += p.units
		}
	}
	for i := range passive {
		for _, p := range passive[i].parts {
			if j := slotOf(p, s); j >= 0 && s.slots[j].Kind == p.Component.Kind {
				counts[j] += p.units
				d.place(a, s, &s.slots[j], p)
			}
		}
	}
	for i := range s.slots {
		d.count(a, s, first(s.slots[i].Models), counts[i], s.slots[i].Min, s.slots[i].Max)
	}
	most := s.LeadsMax
	if most == 0 {
		most = leads
	}
	d.count(a, s, string(implant.Lead), leads, s.LeadsMin, most)
	d.line(a, ElementCombination, a.truth, s.Words, "")
}

// count judges how many there are. More than permitted is outside; fewer may be a part that no source recorded.
func (d *decision) count(a *alt, s *system, what string, n, least, most int) {
	switch {
	case n > most:
		a.fail(Reason{Code: WhyTooMany, Args: []string{what, itoa(n), itoa(most)}, Set: s.ref, Words: s.Words, Edition: s.doc.Edition}, NotMet)
	case n < least:
		a.fail(Reason{Code: WhyTooFew, Args: []string{what, itoa(n), itoa(least)}, Set: s.ref, Words: s.Words, Edition: s.doc.Edition}, Unknown)
	}
}

func (d *decision) partReason(p *seen, code string, s *system, args ...string) Reason {
	return Reason{Code: code, Part: p.ID, Args: args, Set: s.ref, Words: s.Words, Edition: s.doc.Edition, Evidence: p.Evidence}
}

func slotOf(p *seen, s *system) int {
	for _, e := range p.entries {
		if e.system == s {
			return e.slot
		}
	}
	return -1
}

// leftBehind judges R2: every abandoned part in the body must be one that the set allows.
func (d *decision) leftBehind(a *alt) {
	for i := range d.parts {
		p := &d.parts[i]
		if p.sort != abandoned {
			continue
		}
		t := NotMet
		for j := range a.set.Abandoned {
			t = t.Or(allows(&a.set.Abandoned[j], p))
		}
		if t == Met {
			d.line(a, ElementAbandoned, Met, a.set.Words[ElementAbandoned], string(p.State))
			continue
		}
		r := abandonedReason(p, t)
		if t == Unknown {
			r.Code = WhyAbandonedRegion
		}
		r.Set, r.Words, r.Edition = a.ref, a.set.Words[ElementAbandoned], a.set.doc.Edition
		a.fail(r, t)
		d.line(a, ElementAbandoned, t, r.Words, string(p.State))
	}
}

func allows(w *Allowance, p *seen) Truth {
	if w.Kind != p.Component.Kind || !slices.Contains(w.States, p.State) {
		return NotMet
	}
	t := Met
	if len(w.Models) > 0 {
		switch {
		case p.known != Met || p.key.model == "":
			t = Unknown
		case !slices.ContainsFunc(w.Models, func(m string) bool { return fold(m) == p.key.model }):
			return NotMet
		}
	}
	if len(w.Regions) > 0 {
		t = t.And(inRegions(p.Site.Region, w.Regions))
	}
	return t
}

// beside judges whether the label has something to say of another active system in the body (R4).
func (d *decision) beside(a *alt, others bool) {
	if !others {
		return
	}
	switch a.set.OtherActive {
	case "barred":
		a.fail(Reason{Code: WhyOtherActiveBarred, Set: a.ref, Words: a.set.Words[ElementOtherActive], Edition: a.set.doc.Edition}, NotMet)
	case "":
		a.otherActive = true
	}
	if d.pol.Trace {
		d.line(a, ElementOtherActive, map[string]Truth{"barred": NotMet, "allowed": Met}[a.set.OtherActive], a.set.OtherActive, itoa(d.sources))
	}
}

// judgePassive judges passive parts of one model by their own label, or finds the system whose label covers them.
func (d *decision) judgePassive(u *unit, events []implant.Event) {
	p := u.parts[0]
	for _, e := range p.entries {
		if e.kind() != p.Component.Kind {
			u.alts = append(u.alts, alt{})
			a := &u.alts[len(u.alts)-1]
			a.truth, a.healed = Met, Met
			a.fail(Reason{Code: WhyKindConflict, Part: p.ID, Args: []string{string(p.Component.Kind), string(e.kind())}, Evidence: p.Evidence}, Unknown)
			continue
		}
		if e.system != nil {
			u.alts = append(u.alts, alt{ref: e.system.ref, needs: e.system, truth: Met, healed: Met})
			continue
		}
		d.judgeComp(u, e.comp, events)
	}
	slices.SortStableFunc(u.alts, func(a, b alt) int { return cmp.Compare(a.ref, b.ref) })
	if len(p.entries) == 0 {
		if p.known == Met {
			d.tell(Reason{Code: WhyUnlabelled, Truth: Unknown, Part: p.ID, Args: []string{p.Component.Maker, p.Component.Model}, Evidence: p.Evidence})
		}
		u.alts = append(u.alts, alt{truth: Unknown, healed: Unknown})
	}
}

func (d *decision) judgeComp(u *unit, c *comp, events []implant.Event) {
	d.use(c.doc)
	p := u.parts[0]
	base := alt{ref: c.ref, truth: Met, healed: Met}
	d.labelCurrent(&base, c.ref, c.doc, d.compEdition(c))
	reason := Reason{Part: p.ID, Args: []string{string(c.Status)}, Set: c.ref, Words: c.Words, Edition: c.doc.Edition, Evidence: p.Evidence}
	switch {
	case c.Status == implant.MRSafe && oldMarking(c.doc):
		reason.Code = WhyOldWords
		d.oldWords = true
		base.fail(reason, Unknown)
	case c.Status == implant.MRSafe || c.Status == implant.MRUnsafe: // MR Unsafe has decided already
	case c.Status == implant.MRConditional:
		for i := range c.sets {
			a := base
			a.set, a.ref = &c.sets[i], c.sets[i].ref
			a.reasons = slices.Clone(base.reasons)
			d.conditions(&a, u.parts, events)
			u.alts = append(u.alts, a)
		}
		return
	default:
		reason.Code = WhyLabelStatus
		base.fail(reason, Unknown)
	}
	u.alts = append(u.alts, base)
}
