package mri

import (
	"slices"

	"gaussline/mapping/implant"
)

// judgeParts takes each part by itself: is it labelled MR Unsafe, may it be there or not, is it identified, does a
// source state something that keeps a label from being used.
func (d *decision) judgeParts() {
	for i := range d.parts {
		p := &d.parts[i]
		d.identify(p)
		d.judgeUnsafe(p)
		d.judgeStated(p)
		if p.sort == maybe {
			d.stop(Reason{Code: WhyMaybeInPlace, Truth: Unknown, Part: p.ID, Args: []string{string(p.State)}, Evidence: p.Evidence})
		}
		if p.Function == "non-functional" && active(p.Component.Kind) {
			d.stop(Reason{Code: WhyNotFunctional, Truth: Unknown, Part: p.ID, Args: []string{p.Function}, Evidence: p.Evidence})
		}
	}
}

// judgeUnsafe: MR Unsafe by a source or by a label, for a part that is or may be in the body, decides everything.
// A label that nobody has reviewed lately still counts here.
func (d *decision) judgeUnsafe(p *seen) {
	r := Reason{Code: WhyUnsafe, Truth: NotMet, Part: p.ID, Evidence: p.Evidence}
	if p.Label == implant.MRUnsafe {
		d.unsafe = true
		r.Args = []string{"record", p.Component.Model}
		d.stop(r)
	}
	for _, e := range p.entries {
		if e.comp == nil || e.comp.Status != implant.MRUnsafe {
			continue
		}
		d.unsafe = true
		d.use(e.comp.doc)
		r.Args, r.Set = []string{e.comp.doc.ID, p.Component.Model}, e.comp.ref
		r.Words, r.Edition = e.comp.Words, e.comp.doc.Edition
		d.stop(r)
	}
}

// judgeStated weighs the MR status that sources state. "MR Safe" and "MR Conditional" of a source are never used:
// only the labelling that the site keeps is (R16), and no part with a battery or a conductor is MR Safe by
// definition (ASTM F2503). A source that contradicts the labelling keeps the answer open.
func (d *decision) judgeStated(p *seen) {
	switch p.Label {
	case "", implant.MRUnsafe, implant.MRConditional:
	case implant.MRSafe:
		d.tell(Reason{Code: WhyStatedSafe, Truth: Met, Part: p.ID, Args: []string{string(p.Label)}, Evidence: p.Evidence})
	case implant.MRConflict, implant.LabelSilent, implant.NotEvaluated:
		d.stop(Reason{Code: WhyLabelStatus, Truth: Unknown, Part: p.ID, Args: []string{string(p.Label)}, Evidence: p.Evidence})
	default:
		d.oldWords = true
		d.tell(Reason{Code: WhyOldWords, Truth: Met, Part: p.ID, Args: []string{string(p.Label)}, Evidence: p.Evidence})
	}
}

// unit is what one label has to cover: an active system, or passive parts of one model.
type unit struct {
	parts []*seen
	alts  []alt
	holds bool // without a scanner to ask: some alternative is met
}

// alt is one condition set of one label, for a unit, with all that does not depend on the scanner judged.
type alt struct {
	ref    string
	set    *set    // nil: nothing to meet
	system *system // that it is of
	needs  *system // holds only beside an alternative of this system, which covers the part
	truth  Truth
	healed Truth // truth once healing times have passed
	day    int64 // first day on which they have; 0 none is running

	otherActive bool // the label is silent on the other active system
	distance    bool
	reasons     []Reason
}

func (a *alt) fail(r Reason, t Truth) {
	r.Truth = t
	a.truth, a.healed = a.truth.And(t), a.healed.And(t)
	a.reasons = append(a.reasons, r)
}

// makeUnits groups the parts in place into what labels cover, and judges each label's sets on them.
func (d *decision) makeUnits(events []implant.Event) {
	var groups [4]unit
	active, passive := d.group(groups[:0])
	lacking := len(active) == 0
	for i := range active {
		own := 0
		for _, p := range active[i].parts {
			if source(p.Component.Kind) {
				own += p.units
			}
		}
		d.combined = d.combined || own < d.sources
		lacking = !d.judgeSystem(&active[i], passive, own < d.sources, events) || lacking
	}
	d.combined = d.combined || len(active) == 0 && d.sources > 1
	d.units = active
	for i := range passive {
		d.judgePassive(&passive[i], events)
		d.units = append(d.units, passive[i])
	}
	if lacking { // no label that could allow what was left behind
		for i := range d.parts {
			if p := &d.parts[i]; p.sort == abandoned {
				d.stop(abandonedReason(p, NotMet))
			}
		}
	}
}

func abandonedReason(p *seen, t Truth) Reason {
	return Reason{Code: WhyAbandoned, Truth: t, Part: p.ID, Args: []string{string(p.State), string(p.Component.Kind)}, Evidence: p.Evidence}
}

// group sorts the parts surely in place: those of active systems by system, passive ones by model. With one power
// source in the body all active parts in place and connected are its system; with more, the record must say which
// part is of which (R1). Conductors without any source are the remains of a system (R2), unless a label is of
// leads alone.
func (d *decision) group(active []unit) (units, passive []unit) {
	neuro := make([]*seen, 0, len(d.parts))
	sources := 0
	for i := range d.parts {
		p := &d.parts[i]
		switch {
		case p.sort != sure:
		case isPassive(p):
			passive = addPassive(passive, p)
		case knownKind(p.Component.Kind):
			neuro = append(neuro, p)
			if source(p.Component.Kind) {
				sources += p.units
			}
		}
	}
	switch {
	case len(neuro) == 0:
		return active, passive
	case sources == 0:
		return d.groupWithoutSource(active, neuro), passive
	case sources == 1:
		return append(active, unit{parts: neuro}), passive
	}
	return d.groupBySystem(active, neuro, sources), passive
}

func isPassive(p *seen) bool {
	return p.Component.Kind == implant.Hardware || p.Component.Kind == implant.Anchor
}

func addPassive(units []unit, p *seen) []unit {
	for i := range units {
		q := units[i].parts[0]
		if p.known == Met && q.known == Met && q.key == p.key && q.Component.DI == p.Component.DI && q.Component.Kind == p.Component.Kind {
			units[i].parts = append(units[i].parts, p)
			return units
		}
	}
	return append(units, unit{parts: []*seen{p}})
}

func (d *decision) groupWithoutSource(active []unit, neuro []*seen) []unit {
	alone := func(e entry) bool { return e.system != nil && !e.system.sourced }
	if slices.ContainsFunc(neuro, func(p *seen) bool { return slices.ContainsFunc(p.entries, alone) }) {
		return append(active, unit{parts: neuro})
	}
	t := NotMet
	if d.doubtful || slices.ContainsFunc(d.parts, func(p seen) bool { return !knownKind(p.Component.Kind) }) {
		t = Unknown // what is doubtful may be their source
	}
	for _, p := range neuro {
		d.stop(Reason{Code: WhyNoSource, Truth: t, Part: p.ID, Args: []string{string(p.Component.Kind)}, Evidence: p.Evidence})
	}
	return active
}

func (d *decision) groupBySystem(active []unit, neuro []*seen, sources int) []unit {
	for _, p := range neuro {
		if p.System == "" {
			d.stop(Reason{Code: WhyMembership, Truth: Unknown, Part: p.ID, Args: []string{itoa(sources)}, Evidence: p.Evidence})
			continue
		}
		i := slices.IndexFunc(active, func(u unit) bool { return u.parts[0].System == p.System })
		if i < 0 {
			i = len(active)
			active = append(active, unit{parts: make([]*seen, 0, 4)})
		}
		active[i].parts = append(active[i].parts, p)
	}
	for i := range active {
		if !slices.ContainsFunc(active[i].parts, func(p *seen) bool { return source(p.Component.Kind) }) {
			for _, p := range active[i].parts {
				d.stop(Reason{Code: WhyMembership, Truth: Unknown, Part: p.ID, Args: []string{itoa(sources)}, Evidence: p.Evidence})
			}
			active[i].parts = nil
		}
	}
	return slices.DeleteFunc(active, func(u unit) bool { return len(u.parts) == 0 })
}
