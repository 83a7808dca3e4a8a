package mri

import (
	"slices"
	"time"

	"gaussline/mapping/implant"
)

// conditions judges what a set states that does not depend on the scanner: silence, region and distance of the
// exam, healing, and the checks that somebody has answered.
func (d *decision) conditions(a *alt, parts []*seen, events []implant.Event) {
	s := a.set
	for _, e := range s.silences {
		if e.stops {
			a.fail(Reason{Code: WhyLabelSilent, Args: []string{e.code}, Set: a.ref, Edition: s.doc.Edition}, Unknown)
		}
		d.lineSoft(a, e.code, Unknown, "", "the label is silent", !e.stops)
	}
	d.regionOf(a)
	if s.distance.Printed != "" {
		d.distanceOf(a, parts)
	}
	if s.healing > 0 {
		for _, p := range parts {
			d.healingOf(a, p, events)
		}
	}
	if len(d.exam.Checks) == 0 && !d.pol.Trace {
		return // all are to be confirmed
	}
	for _, c := range s.checks {
		d.check(a, c, d.exam.Checks[c])
	}
	if s.positions != 0 {
		d.check(a, ElementPosition, d.exam.Checks[ElementPosition])
	}
	d.limitsOf(a)
}

// limitsOf judges the answers on the limits that the operator enters and keeps. Without an answer a limit is named
// in the verdict and nothing else: no input holds what the scan will need.
func (d *decision) limitsOf(a *alt) {
	for i := qWholeBody; i < quantities; i++ {
		if !a.set.has(i) {
			continue
		}
		code := quantityInfo[i].code
		t := d.exam.Checks[code]
		if t == NotMet {
			a.fail(Reason{Code: WhyCheckFailed, Args: []string{code}, Set: a.ref, Words: a.set.Words[code], Edition: a.set.doc.Edition}, NotMet)
		}
		if t != Unknown || i != qB1 { // whether B1+rms can be shown is judged with the scanner
			d.lineSoft(a, code, t, a.set.q[i].Words(), "", t == Unknown)
		}
	}
}

func (d *decision) check(a *alt, code string, t Truth) {
	if t == NotMet {
		a.fail(Reason{Code: WhyCheckFailed, Args: []string{code}, Set: a.ref, Words: a.set.Words[code], Edition: a.set.doc.Edition}, NotMet)
	}
	d.lineSoft(a, code, t, a.set.Words[code], "", t == Unknown)
}

// regionOf judges R13 for every region of the exam.
func (d *decision) regionOf(a *alt) {
	r := a.set.Region
	if r == nil || r.WholeBody && len(a.set.exclude) == 0 {
		return
	}
	restricted := len(r.Regions) > 0 || len(a.set.permit) > 0 || len(a.set.exclude) > 0
	if !restricted {
		return
	}
	if len(d.exam.Regions) == 0 {
		d.failRegion(a, WhyRegionUnknown, "", Unknown)
		return
	}
	for i := range d.exam.Regions {
		e := &d.exam.Regions[i]
		code := WhyRegionPartly
		t := regionIn(a.set, &d.regions[i])
		switch {
		case t == NotMet:
			code = WhyRegionOutside
		case !d.regions[i].iso.ok:
			code = WhyRegionUnknown
		}
		if t != Met {
			d.failRegion(a, code, e.Region, t)
			continue
		}
		if d.pol.Trace {
			d.line(a, ElementRegion, t, a.set.Words[ElementRegion], e.Region)
		}
	}
}

func (d *decision) failRegion(a *alt, code, region string, t Truth) {
	a.fail(Reason{Code: code, Args: []string{region}, Set: a.ref, Words: a.set.Words[ElementRegion], Edition: a.set.doc.Edition}, t)
	d.line(a, ElementRegion, t, a.set.Words[ElementRegion], region)
}

// regionIn says whether the isocentre of an exam region stays where a set permits. The whole stretch inside is
// met; the centre outside is not met; anything else is unknown, because part of the stretch is in and part out.
func regionIn(s *set, e *regionPlan) Truth {
	t := Met
	if len(s.Region.Regions) > 0 || len(s.permit) > 0 {
		t = permitted(s, e)
	}
	for _, zone := range s.exclude {
		switch {
		case !e.iso.ok:
			t = t.And(Unknown)
		case !e.iso.overlaps(zone):
		case e.iso.within(zone) || e.centre.ok && e.centre.within(zone):
			t = NotMet
		default:
			t = t.And(Unknown)
		}
	}
	return t
}

func permitted(s *set, e *regionPlan) Truth {
	t := NotMet
	if len(s.Region.Regions) > 0 {
		switch {
		case slices.Contains(s.Region.Regions, e.region):
			return Met
		case e.region == "":
			t = Unknown
		}
	}
	if len(s.permit) == 0 {
		return t
	}
	if !e.iso.ok {
		return Unknown
	}
	touched, centred := false, !e.centre.ok
	for _, p := range s.permit {
		if e.iso.within(p) {
			return Met
		}
		touched = touched || e.iso.overlaps(p)
		centred = centred || e.centre.within(p)
	}
	if touched && centred {
		return Unknown
	}
	return t
}

// distanceOf judges a least distance of the isocentre from the device. Where the isocentre's stretch covers the
// part it is not met; else it can be measured on the table and is to be confirmed.
func (d *decision) distanceOf(a *alt, parts []*seen) {
	for _, p := range parts {
		if from := a.set.Region.From; len(from) > 0 && !slices.Contains(from, string(p.Component.Kind)) {
			continue
		}
		t, code := Met, WhyRegionOutside
		where := partStretch(p)
		if len(d.exam.Regions) == 0 {
			t, code = Unknown, WhyRegionUnknown
		}
		for i := range d.exam.Regions {
			iso := d.regions[i].iso
			switch {
			case !iso.ok:
				t, code = t.And(Unknown), WhyRegionUnknown
			case !where.ok:
				t, code = t.And(Unknown), WhyPartPlaceUnknown
			case iso.overlaps(where):
				t, code = NotMet, WhyRegionOutside
			}
		}
		if t != Met {
			a.fail(Reason{Code: code, Part: p.ID, Args: []string{ElementDistance, a.set.distance.Printed}, Set: a.ref,
				Words: a.set.Words[ElementDistance], Edition: a.set.doc.Edition, Evidence: p.Evidence}, t)
		}
		a.distance = true
		d.lineSoft(a, ElementDistance, t, a.set.distance.Printed, p.Site.Level, t == Met)
	}
}

// partStretch is where a part lies: its level, or the stretch of its pocket or region.
func partStretch(p *seen) stretch {
	if l := levelStretch(p.Site.Level); l.ok {
		return l
	}
	if s := regionStretch[p.Site.Pocket].stretch(); s.ok {
		return s
	}
	return regionStretch[p.Site.Region].stretch()
}

// healingOf judges R12: from the last day on which the part can have been put in, or the system re-operated, to the
// first day on which the exam can be.
func (d *decision) healingOf(a *alt, p *seen, events []implant.Event) {
	if !p.last.read {
		p.last = d.lastOperated(p, events)
	}
	last := p.last.day
	healed := last + int64(a.set.healing)
	if p.last.known && d.examDay >= healed {
		d.line(a, ElementHealing, Met, a.set.Healing, string(p.Implanted))
		return
	}
	r := Reason{Part: p.ID, Set: a.ref, Words: a.set.Words[ElementHealing], Edition: a.set.doc.Edition, Evidence: p.Evidence}
	if !p.last.known {
		r.Code, r.Args = WhyImplantDate, []string{string(p.Implanted)}
		a.fail(r, Unknown)
		d.line(a, ElementHealing, Unknown, a.set.Healing, string(p.Implanted))
		return
	}
	r.Code, r.Truth, r.Args = WhyHealing, NotMet, []string{string(dayText(last)), string(dayText(healed))}
	a.truth = NotMet // and not a.healed: time alone mends it
	a.day = max(a.day, healed)
	a.reasons = append(a.reasons, r)
	d.line(a, ElementHealing, NotMet, a.set.Healing, string(p.Implanted))
}

// lastSeen is the last day on which a part can have been put in or its system re-operated.
type lastSeen struct {
	read, known bool
	day         int64
}

func (d *decision) lastOperated(p *seen, events []implant.Event) lastSeen {
	if d.put.stated != p.Implanted || p.Implanted == "" {
		d.put.stated = p.Implanted
		d.put.day, d.put.known = lastDay(p.Implanted)
	}
	out := lastSeen{read: true, day: d.put.day, known: d.put.known}
	for i := range events {
		e := &events[i]
		if !reopened(e.Kind) || !slices.Contains(e.In, p.ID) && !slices.Contains(e.Parts, p.ID) {
			continue
		}
		at, known := lastDay(e.At)
		out.known = out.known && known
		out.day = max(out.day, at)
	}
	return out
}

func reopened(k implant.EventKind) bool {
	return k == implant.EventRevised || k == implant.EventReplaced || k == implant.EventRepositioned
}

// lastDay is the last day that a date can mean.
func lastDay(w implant.When) (int64, bool) {
	_, to, ok := w.Bounds()
	if !ok {
		return 0, false
	}
	return dayOf(to.Add(-time.Microsecond)), true
}

// line adds a line to the trace, where one is asked for.
func (d *decision) line(a *alt, code string, t Truth, label, seen string) {
	d.lineSoft(a, code, t, label, seen, false)
}

func (d *decision) lineSoft(a *alt, code string, t Truth, label, seen string, soft bool) {
	if !d.pol.Trace {
		return
	}
	l := TraceLine{Set: a.ref, Code: code, Truth: t, Label: label, Seen: seen, ToConfirm: soft}
	if a.set != nil {
		l.Edition = a.set.doc.Edition
	}
	if l.Set == "" && a.system != nil {
		l.Set, l.Edition = a.system.ref, a.system.doc.Edition
	}
	d.note(l)
}
