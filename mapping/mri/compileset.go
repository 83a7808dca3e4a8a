package mri

import (
	"fmt"
	"slices"

	"gaussline/mapping/implant"
)

func (c *compiler) documents() {
	for i := range c.l.Documents {
		d := &c.l.Documents[i]
		path := fmt.Sprintf("documents[%d]", i)
		if d.ID == "" || c.docs[d.ID] != nil {
			c.errorf(path+".id", "id %.40q is empty or used twice", d.ID)
		}
		c.docs[d.ID] = d
		d.reviewed, _, d.isReviewed = d.Reviewed.Bounds()
		for _, w := range []struct {
			name string
			at   implant.When
		}{{"issued", d.Issued}, {"reviewed", d.Reviewed}} {
			if _, err := implant.ParseWhen(string(w.at)); err != nil {
				c.errorf(path+"."+w.name, "%v", err)
			}
		}
		if !d.Issued.Known() {
			c.warnf(path+".issued", "no date of issue: editions cannot be put in order and MR Safe is not used")
		}
		if !d.Reviewed.Known() {
			c.warnf(path+".reviewed", "nobody has compared this with the maker's current edition: everything that rests on it is not established")
		}
		if d.Reviewed.Before(d.Issued) {
			c.warnf(path+".reviewed", "reviewed before it was issued")
		}
		if d.Edition == "" {
			c.warnf(path+".edition", "no edition: a reader cannot tell which text was relied on")
		}
		if d.Withdrawn {
			c.warnf(path+".withdrawn", "withdrawn: everything that rests on it is not established")
		}
	}
}

// doc finds a document; a missing one is an error and an empty document stands in for it.
func (c *compiler) doc(path, id string) *Document {
	if d := c.docs[id]; d != nil {
		return d
	}
	c.errorf(path+".document", "document %.40q is not in this file", id)
	return &Document{ID: id}
}

func (c *compiler) sets(path, ref string, doc *Document, act bool, src []ConditionSet) []set {
	if len(src) > maxSetsPerLabel {
		c.errorf(path+".sets", "%d condition sets, the limit is %d", len(src), maxSetsPerLabel)
		return nil
	}
	ids := map[string]bool{}
	out := make([]set, 0, len(src))
	for i := range src {
		p := fmt.Sprintf("%s.sets[%d]", path, i)
		if src[i].ID == "" || ids[src[i].ID] {
			c.errorf(p+".id", "id %.40q is empty or used twice", src[i].ID)
		}
		ids[src[i].ID] = true
		out = append(out, c.set(p, ref, doc, act, &src[i]))
	}
	return out
}

func (c *compiler) set(path, ref string, doc *Document, act bool, src *ConditionSet) set {
	s := set{ConditionSet: src, ref: ref + "#" + src.ID, doc: doc, active: act, healing: -1}
	for i, text := range src.Fields {
		if q, ok := c.quantity(fmt.Sprintf("%s.fields[%d]", path, i), text, Field); ok {
			c.senseField(path+".fields", q)
			s.fields = append(s.fields, q.Amount)
		}
	}
	if src.FieldAtMost != "" {
		if q, ok := c.quantity(path+".fieldAtMost", src.FieldAtMost, Field); ok {
			c.senseField(path+".fieldAtMost", q)
			s.atMost = q.Amount
		}
	}
	texts := [quantities]string{src.SpatialGradient, src.SlewRate, src.DBDt, src.WholeBodySAR, src.HeadSAR,
		src.PartialBodySAR, src.B1Rms, src.ScanTime, src.Wait, src.Session}
	for i, text := range texts {
		if text == "" {
			continue
		}
		info := quantityInfo[i]
		if q, ok := c.quantity(path+"."+info.code, text, info.dim); ok {
			if q.Amount < info.low || q.Amount > info.high {
				c.warnf(path+"."+info.code, "%s reads as %s %s, an unusual number (%s)", text, q.Amount, info.dim, info.senseSource)
			}
			s.q[i] = q
		}
	}
	s.fieldText = fieldText(&s)
	s.magnetText = joined(src.Magnets)
	c.setWords(path, &s)
	if src.Healing != "" {
		if q, ok := c.quantity(path+".healing", src.Healing, Days); ok {
			s.healing = int((q.Amount + micro - 1) / micro)
		}
	}
	c.region(path+".region", &s)
	c.allowances(path, src)
	c.silence(path, &s)
	s.readProperties()
	s.readAskings()
	return s
}

func (c *compiler) setWords(path string, s *set) {
	for _, w := range []struct {
		name  string
		words []string
		vocab []string
		to    *bits
	}{
		{"magnets", s.Magnets, magnetWords, &s.magnets}, {"transmitCoils", s.Coils, coilWords, &s.coils},
		{"modes", s.Modes, modeWords, &s.modes}, {"excitation", s.Excitation, excitationWords, &s.excitation},
		{"positions", s.Positions, positionWords, &s.positions}, {"nuclei", s.Nuclei, nucleusWords, &s.nuclei},
	} {
		got, bad := bitsOf(w.words, w.vocab)
		if bad != "" {
			c.errorf(path+"."+w.name, "%.40q is not one of %v", bad, w.vocab)
		}
		*w.to = got
	}
	if s.modes == 2 {
		c.warnf(path+".modes", "First Level without Normal: does the label bar the milder mode?")
	}
	for _, list := range [][]string{s.Before, s.Patient} {
		for _, code := range list {
			if i := slices.Index(checkCodes, code); i < 0 {
				c.errorf(path, "%.40q is not one of %v", code, checkCodes)
			} else {
				s.before |= 1 << i
			}
			if !slices.Contains(s.checks, code) {
				s.checks = append(s.checks, code)
			}
		}
	}
	for _, code := range s.ConditionSet.After {
		i := slices.Index(afterCodes, code)
		if i < 0 {
			c.errorf(path+".after", "%.40q is not one of %v", code, afterCodes)
			continue
		}
		s.after |= 1 << i
	}
	if !slices.Contains([]string{"", "barred", "allowed"}, s.OtherActive) {
		c.errorf(path+".otherActive", "%.40q is not barred, allowed or left out", s.OtherActive)
	}
}

func (c *compiler) region(path string, s *set) {
	r := s.Region
	if r == nil {
		return
	}
	for i := range r.Permit {
		s.permit = append(s.permit, c.span(fmt.Sprintf("%s.permit[%d]", path, i), &r.Permit[i]))
	}
	for i := range r.Exclude {
		s.exclude = append(s.exclude, c.span(fmt.Sprintf("%s.exclude[%d]", path, i), &r.Exclude[i]))
	}
	if r.Distance != "" {
		s.distance, _ = c.quantity(path+".distance", r.Distance, Length)
	}
	for _, k := range r.From {
		if !knownKind(implant.Kind(k)) {
			c.errorf(path+".from", "%.40q is no kind of part", k)
		}
	}
	c.regions(path+".regions", r.Regions)
	if r.WholeBody && (len(r.Regions) > 0 || len(r.Permit) > 0) {
		c.errorf(path, "whole body and a permitted region: which?")
	}
	if !r.WholeBody && len(r.Regions) == 0 && len(r.Permit) == 0 && len(r.Exclude) == 0 && r.Distance == "" {
		c.errorf(path, "says nothing; leave it out where the label is silent")
	}
}

func (c *compiler) allowances(path string, src *ConditionSet) {
	for i, a := range src.Abandoned {
		p := fmt.Sprintf("%s.abandoned[%d]", path, i)
		if !knownKind(a.Kind) {
			c.errorf(p+".kind", "%.40q is no kind of part", a.Kind)
		}
		if len(a.States) == 0 {
			c.errorf(p+".states", "names no state that is allowed")
		}
		for _, st := range a.States {
			if !st.Abandoned() {
				c.errorf(p+".states", "%.40q is not a state of an abandoned part", st)
			}
		}
		c.regions(p+".regions", a.Regions)
	}
}

// silence complains of what a label of its kind should state: at the least the static field, the switched
// gradients and the RF field (ASTM F2503-23, MR Conditional; FDA guidance of 2023).
func (c *compiler) silence(path string, s *set) {
	say := func(element string, stops bool) {
		then := "the MR medical director is asked on every scan"
		if stops {
			then = "everything that rests on this set is not established"
		}
		c.warnf(path, "silent on %s: silence is unknown, not unlimited; %s", element, then)
	}
	s.silences = silences(s)
	for _, e := range s.silences {
		if !s.printed(e.code) { // what is printed and cannot be read has its complaint already
			say(e.code, e.stops)
		}
	}
}

// printed says whether the file has something, readable or not, for an element that may be silent.
func (s *set) printed(element string) bool {
	switch element {
	case ElementField:
		return len(s.Fields) > 0 || s.FieldAtMost != ""
	case ElementSpatialGradient:
		return s.SpatialGradient != ""
	case ElementSlewRate:
		return s.SlewRate != ""
	case ElementRF:
		return s.WholeBodySAR != "" || s.HeadSAR != "" || s.PartialBodySAR != "" || s.B1Rms != ""
	case ElementCoil:
		return len(s.Coils) > 0
	case ElementMode:
		return len(s.Modes) > 0
	}
	return false
}

type silent struct {
	code  string
	stops bool
}

// silences lists what a set does not state and should. For a passive part the region and the coil are mostly not
// stated, so they are asked about; for an active system they stop. Rule: RULES.md, "silence is unknown".
func silences(s *set) []silent {
	var out []silent
	if len(s.fields) == 0 && s.atMost == 0 {
		out = append(out, silent{ElementField, true})
	}
	if !s.has(qGradient) {
		out = append(out, silent{ElementSpatialGradient, true})
	}
	if !s.hasRF() {
		out = append(out, silent{ElementRF, true})
	}
	if s.Region == nil {
		out = append(out, silent{ElementRegion, s.active})
	}
	if s.coils == 0 {
		out = append(out, silent{ElementCoil, s.active})
	}
	if !s.has(qSlew) {
		out = append(out, silent{ElementSlewRate, false})
	}
	if s.modes == 0 {
		out = append(out, silent{ElementMode, false})
	}
	return out
}
