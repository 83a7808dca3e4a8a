package mri

import (
	"cmp"
	"slices"
	"strings"
)

// property is a fixed property of a scanner that a set may state something about.
type property uint8

// Properties, in the order in which they are judged.
const (
	ofField property = iota
	ofMagnet
	ofGradient
	ofSlew
	ofDBDt
	ofB1
	properties
)

// propertyElements names the properties.
var propertyElements = [properties]string{ElementField, ElementMagnet, ElementSpatialGradient, ElementSlewRate, ElementDBDt, ElementB1Rms}

// readProperties notes once which properties a set states something about, and in what words.
func (s *set) readProperties() {
	for p, is := range [properties]bool{len(s.fields) > 0 || s.atMost != 0, s.magnets != 0, s.has(qGradient), s.has(qSlew), s.has(qDBDt), s.has(qB1)} {
		if is {
			s.fixed |= 1 << p
		}
		s.fixedWords[p] = s.Words[propertyElements[p]]
	}
}

// judge holds what a set states against one property of a scanner.
func (s *set) judge(p property, sc *Scanner) Truth {
	v := &sc.values
	switch p {
	case ofField:
		return fieldIn(s, v.field)
	case ofMagnet:
		if v.magnet == 0 {
			return Unknown
		}
		return truthOf(v.magnet&s.magnets != 0)
	case ofGradient:
		return atMost(v.gradient, s.q[qGradient])
	case ofSlew:
		return limited(v.slew, s.q[qSlew], sc.SlewLimit)
	case ofDBDt:
		return limited(v.dbdt, s.q[qDBDt], sc.SlewLimit)
	}
	return shown(sc.B1Rms)
}

// said gives what the scanner has and what the label permits, in words.
func (s *set) said(p property, sc *Scanner) (has, label string) {
	v := &sc.values
	switch p {
	case ofField:
		return v.field.Words(), s.fieldText
	case ofMagnet:
		return sc.Magnet, s.magnetText
	case ofGradient:
		return v.gradient.Words(), s.q[qGradient].Words()
	case ofSlew:
		return v.slew.Words(), s.q[qSlew].Words()
	case ofDBDt:
		return v.dbdt.Words(), s.q[qDBDt].Words()
	}
	return sc.B1Rms, s.q[qB1].Words()
}

// fault is a property of a scanner that is not, or not surely, what a set permits. It becomes a reason only where one is
// shown.
type fault struct {
	set   *set
	of    property
	truth Truth
}

// onScanner judges what a set states against the fixed properties of the scanner, and keeps the faults.
func (w *search) onScanner(s *set) Truth {
	t := Met
	for p := range properties {
		if s.fixed&(1<<p) == 0 {
			continue
		}
		u := s.judge(p, w.sc)
		if u != Met {
			t = t.And(u)
			w.faults = append(w.faults, fault{s, p, u})
		}
		if w.d.pol.Trace {
			has, label := s.said(p, w.sc)
			w.d.note(TraceLine{Scanner: w.sc.ID, Set: s.ref, Code: propertyElements[p], Truth: u, Label: label, Edition: s.doc.Edition, Seen: has})
		}
	}
	return t
}

// faultReasons puts the faults as reasons, in the order of graver, with room for more.
func (w *search) faultReasons(more int) []Reason {
	slices.SortStableFunc(w.faults, func(a, b fault) int {
		switch {
		case a.truth != b.truth:
			return cmp.Compare(a.truth, b.truth)
		case a.set != b.set && a.set.ref != b.set.ref:
			return strings.Compare(a.set.ref, b.set.ref)
		case a.of != b.of:
			return strings.Compare(propertyElements[a.of], propertyElements[b.of])
		}
		return 0 // of two editions: tidy orders them
	})
	out := make([]Reason, 0, len(w.faults)+more)
	for i, f := range w.faults {
		out = out[:i+1]
		r := &out[i]
		r.Code, r.Truth = WhyScannerOutside, f.truth
		if f.truth == Unknown {
			r.Code = WhyScannerUnknown
		}
		has, label := f.set.said(f.of, w.sc)
		r.Args, r.Set = w.d.list(propertyElements[f.of], has, label), f.set.ref
		r.Words, r.Edition = f.set.fixedWords[f.of], f.set.doc.Edition
	}
	return out
}

// fieldIn: a list of fields is a set, not a range, in both directions (R17); "3 T or less" is a range as printed.
func fieldIn(s *set, has Quantity) Truth {
	if has.Printed == "" {
		return Unknown
	}
	return truthOf((len(s.fields) == 0 || slices.Contains(s.fields, has.Amount)) && (s.atMost == 0 || has.Amount <= s.atMost))
}

func fieldText(s *set) string {
	if s.FieldAtMost == "" {
		return joined(s.Fields)
	}
	return strings.Join(append(slices.Clone(s.Fields), "≤ "+s.FieldAtMost), ", ")
}

func atMost(has, limit Quantity) Truth {
	if has.Printed == "" {
		return Unknown
	}
	return truthOf(has.Amount <= limit.Amount)
}

// limited is atMost for what some scanners let the operator hold down.
func limited(has, limit Quantity, can string) Truth {
	t := atMost(has, limit)
	switch {
	case t == Met || can == "yes":
		return Met
	case can == "no":
		return t
	}
	return Unknown
}

// shown: a B1+rms limit can only be kept where the scanner shows B1+rms (IEC 60601-2-33; newer systems must).
func shown(b1 string) Truth {
	switch b1 {
	case "limited", "shown":
		return Met
	case "no":
		return NotMet
	}
	return Unknown
}

func joined(words []string) string { return strings.Join(words, ", ") }

// shared is what the operator chooses, as far as all labels of a way leave a choice (RULES.md: sets
// intersect). 0 is not stated by any.
type shared struct{ coils, modes, excitation, positions, nuclei bits }

// common intersects the operator's choices over the sets of a way, the scanner and the exam.
func (d *decision) common(chosen []*alt, sc *Scanner, out *[]Reason) (shared, Truth) {
	var c shared
	t := Met
	meet := func(element string, get func(*set) bits, has bits, vocab []string) bits {
		all, stated := bits(0xff), false
		for _, a := range chosen {
			if a.set == nil {
				continue
			}
			if b := get(a.set); b != 0 {
				all, stated = all&b, true
			}
		}
		if !stated {
			return 0
		}
		u := Met
		switch {
		case all == 0:
			u = NotMet
		case has == 0:
			u = Unknown
		case all&has == 0:
			u = NotMet
		}
		if d.pol.Trace && out == nil {
			d.note(TraceLine{Scanner: sc.ID, Code: element, Truth: u, Label: joined(all.words(vocab)), Seen: joined(has.words(vocab))})
		}
		if u != Met {
			d.failCommon(element, u, all == 0, joined(has.words(vocab)), joined(all.words(vocab)), out)
		}
		t = t.And(u)
		if has != 0 {
			all &= has
		}
		return all
	}
	c.coils = meet(ElementCoil, func(s *set) bits { return s.coils }, sc.values.coils, coilWords)
	c.modes = meet(ElementMode, func(s *set) bits { return s.modes }, sc.values.modes, modeWords)
	c.excitation = meet(ElementExcitation, func(s *set) bits { return s.excitation }, sc.values.excitation, excitationWords)
	c.positions = meet(ElementPosition, func(s *set) bits { return s.positions }, 0xff, positionWords)
	c.nuclei = meet(ElementNuclei, func(s *set) bits { return s.nuclei }, 1, nucleusWords)
	if t != NotMet && c.coils != 0 {
		t = t.And(d.coilForExam(&c, sc, out))
	}
	return c, t
}

// coilForExam: some permitted coil of the scanner must suit each region of the exam (R14).
func (d *decision) coilForExam(c *shared, sc *Scanner, out *[]Reason) Truth {
	t := Met
	var suit bits
	if len(d.regions) == 0 {
		t = Unknown
	}
	for i := range d.regions {
		e := d.regions[i].coils
		switch {
		case e == 0:
			t = t.And(Unknown)
		case c.coils&e == 0:
			t = NotMet
		}
		suit |= e
	}
	if d.pol.Trace && out == nil {
		d.note(TraceLine{Scanner: sc.ID, Code: ElementCoil, Truth: t, Label: joined(c.coils.words(coilWords)), Seen: joined(suit.words(coilWords))})
	}
	if t != Met {
		d.failCommon(ElementCoil, t, false, joined(suit.words(coilWords)), joined(c.coils.words(coilWords)), out)
	} else {
		c.coils &= suit
	}
	return t
}

func (d *decision) failCommon(element string, t Truth, disjoint bool, has, label string, out *[]Reason) {
	if out == nil {
		return
	}
	r := Reason{Code: WhyScannerOutside, Truth: t, Args: []string{element, has, label}}
	switch {
	case disjoint:
		r.Code, r.Args = WhyNoCommonCondition, []string{element}
	case t == Unknown:
		r.Code = WhyScannerUnknown
	}
	*out = append(*out, r)
}

// regionPlan is an ExamRegion made ready.
type regionPlan struct {
	region      string
	iso, centre stretch
	coils       bits // 0 is not known; so is a list with a word that is not known
}

func readRegions(e Exam) []regionPlan {
	out := make([]regionPlan, len(e.Regions))
	for i := range e.Regions {
		r := &e.Regions[i]
		out[i] = regionPlan{region: r.Region, iso: r.Isocentre.stretch(), centre: spanStretch(r.Centre, r.Centre)}
		out[i].coils, _ = bitsOf(r.Coils, coilWords)
	}
	return out
}
