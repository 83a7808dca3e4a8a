package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// emitAttr reads a participle before its noun: "the capped lead", "a retained fragment", "the explanted generator".
func (r *reader) emitAttr(s sentence, sc *sentScope, m *mention) {
	switch s.sec.kind {
	case secImplants, secExplants, secWasted, secLeft:
		if !m.bound && (s.sec.kind != secLeft || m.attr.value != "cap" && m.attr.value != "cut") {
			r.emitMention(s, sc, m) // the list says what became of it
			return
		}
	}
	d := r.draftOf(s, m, "", m.tok0, m.tok1)
	d.Scope = sc.base
	if r.others(sc, m.head) {
		d.Scope, d.Why = sc.other, sc.otherWhy
	} else if sc.kin(m.head) {
		d.Scope = ScopeFamily
	}
	d.Why = "named by its state: " + m.words
	d.act = m.attr.value
	hist := d.Scope == ScopeHistory
	switch m.attr.value {
	case "cap", "cut":
		d.Kind = actKinds[m.attr.value]
	case "leave", "abandonpart":
		d.Kind = implant.LeftInPlace
		if hist {
			d.Kind = implant.PresentByWord
		}
	case "disconnect":
		d.Kind = implant.Disconnected
	case "remove":
		if m.bound || hist {
			d.Kind = implant.ReportedGone
		} else {
			d.Kind = implant.Removed
		}
		if m.bound {
			return
		}
	case "waste":
		d.Kind = implant.Wasted
	default:
		if m.bound {
			return
		}
		r.emitMention(s, sc, m)
		return
	}
	if m.neg {
		d.Kind, d.Scope = implant.DeniedPresence, ScopeNegated
	}
	if m.bound && (d.Kind == implant.LeftInPlace || d.Kind == implant.PresentByWord) {
		d.weak = true
	}
	if d.Scope == ScopePlan || d.Scope == ScopeConsent {
		if d.Scope == ScopeConsent {
			d.Kind = implant.Planned
		} else {
			d.Scope = r.documentScope()
		}
	}
	r.keep(d)
}

// emitMention reads a part that no act touches: it is there, unless the words say otherwise.
func (r *reader) emitMention(s sentence, sc *sentScope, m *mention) {
	if m.pron && m.id.model == "" {
		return
	}
	if m.new && r.notNeeded(m) {
		return
	}
	d := r.draftOf(s, m, implant.PresentByWord, m.tok0, m.tok1)
	d.weak = true
	d.act = "mention"
	if m.kind == implant.Anchor && !(r.noteType == TypeProcedure && !r.speaks(classAct) && m.prep == "" && !m.definite && len(r.items) <= 6) && (m.prep != "" || m.definite || m.count == 0) && !(m.new && (!m.id.empty() || m.side != "")) && !(m.indef && (r.noteType == TypeImaging || r.mentionDoubt(m) != "")) && s.sec.kind != secImplants && s.sec.kind != secExplants && s.sec.kind != secLeft {
		return // a landmark: small, passive and told by its own act where it matters
	}
	d.Scope, d.Why = sc.base, "named: "+m.words+"; "+sc.why
	if r.others(sc, m.head) {
		d.Scope, d.Why = sc.other, sc.otherWhy
	} else if sc.kin(m.head) {
		d.Scope, d.Why = ScopeFamily, "speaks of a relative"
	}
	m.scope = d.Scope
	switch {
	case d.Scope == ScopeFamily || d.Scope == ScopeOther:
		r.keep(d)
		return
	case m.neg || r.deniedBefore(m) || r.deniedAfter(m):
		d.Kind, d.Scope = implant.DeniedPresence, ScopeNegated
		r.keep(d)
		return
	}
	if w := r.itemText(m.first - 1); m.indef && (w == "may be" || w == "might be" || w == "could be") {
		m.cert, d.Certainty = implant.Possible, implant.Possible // "a ring that may be an anchor"
	} else if cue := r.mentionCue(m, classCond); cue != "" {
		d.Scope, d.Why = ScopeHypothetical, "conditional: "+cue
		if m.definite && (strings.HasSuffix(cue, "whether") || r.ownedByPatient(m)) { // it may be there
			p := d
			p.Certainty, p.Scope, p.Why = implant.Possible, r.documentScope(), "said of it under a condition, as of what is there: "+cue
			r.keep(p)
		}
	} else if cue := r.mentionCue(m, classConsent); cue != "" || sc.base == ScopeConsent {
		d.Kind, d.Scope, d.Why = implant.Planned, ScopeConsent, "consent: "+cue
	} else if cue := r.mentionPlanAny(m); cue != "" || m.prep == "for" && m.kind == implant.Hardware && !m.definite && !r.account || sc.base == ScopePlan && m.prep == "" && !m.definite {
		d.Kind, d.Scope, d.Why = implant.Planned, ScopePlan, "intended: "+cue
		if m.definite || m.old || r.possessive(m) {
			p := d
			p.Kind, p.Certainty, p.Scope = implant.PresentByWord, implant.Possible, r.documentScope()
			p.Why += "; spoken of as there"
			r.keep(p)
		}
	}
	if d.Scope == ScopePlan && d.Kind == implant.PresentByWord {
		d.Scope = r.documentScope()
	}
	if d.Kind == implant.PresentByWord {
		if gone := r.goneAfter(m); gone != "" {
			d.Kind, d.Why, d.weak = implant.ReportedGone, "said to be gone: "+gone, false
			if d.Scope == ScopeCurrent {
				d.Scope = ScopeHistory
			}
		}
		if d.Certainty == "" {
			d.Certainty = r.mentionDoubt(m)
		}
		if sc.date != "" {
			d.At = r.mentionDate(m)
		}
		r.sectionFate(&d, s, sc, m)
	}
	r.keep(d)
}

// notNeeded says whether the words behind a new part say that there was none: "new extensions not needed".
func (r *reader) notNeeded(m *mention) bool {
	for p := m.last + 1; p < len(r.items) && p <= m.last+3 && r.boundary(p) < 2 && r.mark(p) != ','; p++ {
		if r.at(p).is(classNeg) && !r.at(p).is(classPseudoneg) || r.itemText(p) == "unnecessary" {
			return true
		}
	}
	return false
}

// sectionFate reads a part in a list whose heading says what became of it, or in an implant note without a verb.
func (r *reader) sectionFate(d *draft, s sentence, sc *sentScope, m *mention) {
	if d.Scope == ScopeHypothetical || d.Kind != implant.PresentByWord {
		return
	}
	switch s.sec.kind {
	case secImplants:
		if r.noteType == TypeProcedure && !m.old {
			d.Kind, d.weak, d.Scope = implant.Implanted, false, ScopeCurrent
			d.Why = "listed under implants: " + m.words
		}
	case secExplants:
		if r.noteType == TypeProcedure {
			d.Kind, d.weak, d.Scope = implant.Removed, false, ScopeCurrent
			d.Why = "listed under explants: " + m.words
			if r.wholeNear(m) {
				d.Value = "whole"
			}
		}
	case secWasted:
		d.Kind, d.weak, d.Scope = implant.Wasted, false, ScopeCurrent
		d.Why = "listed under items not used: " + m.words
	case secLeft:
		d.Kind, d.weak, d.Scope = implant.LeftInPlace, false, ScopeCurrent
		d.Why = "listed under what stays: " + m.words
	default:
		located := d.Site != (implant.Site{}) || d.Component.Model != "" || d.Component.Serial != "" || d.Component.Lot != "" || d.Component.Count > 0
		if r.primary && d.Scope == ScopeCurrent && located && !m.old && !m.pron && !m.aspect {
			d.Kind, d.weak = implant.Implanted, false
			d.Why = "named with its place in a note of a first implantation: " + m.words
		}
	}
}

// wholeNear says whether the words after a listed part say that it is whole.
func (r *reader) wholeNear(m *mention) bool {
	for p := m.last + 1; p < len(r.items); p++ {
		it := r.at(p)
		if it.is(classPart) || r.boundary(p) == 2 {
			return false
		}
		if it.is(classWhole) && !r.at(p-1).is(classNeg) {
			return true
		}
	}
	return false
}

// deniedBefore says whether a negation before the part denies it: "denies pacemaker or pump", "never had a
// stimulator", and lists after "no".
func (r *reader) deniedBefore(m *mention) bool {
	bare := 0
	for p := m.first - 1; p >= 0; p-- {
		it := r.at(p)
		switch {
		case it.is(classPseudoneg):
			return false
		case it.is(classNeg) && !it.is(classNegdet) && m.definite && p == m.first-1:
			return false // "but not the leads" says nothing of their being there
		case it.is(classNegdet), it.is(classNeg):
			return !m.definite || p == m.first-1 || r.itemText(p) == "denies"
		case r.bare(p) && !r.bareAdverb(p):
			if bare++; bare > 3 {
				return false
			}
		case it.is(classPrep) && bare > 0 && r.itemText(p) != "or":
			return false
		case it.is(classAct) && !r.inMention(p):
			return false
		case r.boundary(p) == 2:
			return false
		case r.mark(p) == ',' || it.is(classSep):
			// "no pacemaker, pump or clip": a list goes on while each part has no article of its own
			if it.is(classSep) && r.itemText(p) == "and" || m.definite || m.indef || m.count > 0 || m.side != "" {
				return false
			}
		case it.isAny(classHave, classAux) && !it.is(classNeg):
			if p == 0 || !r.at(p-1).isAny(classNeg, classNegdet) {
				return false
			}
		}
	}
	return false
}

// possessive says whether the part is somebody's: "Mrs E's system".
func (r *reader) possessive(m *mention) bool {
	from, to := int(r.toks[m.tok0].start), int(r.toks[r.items[m.head].first].start)
	s := r.low[from:to]
	return strings.Contains(s, "'s") || strings.Contains(s, "\u2019s")
}

// deniedAfter reads "Pacemaker: no", "pacemaker / ICD / pump - none", "stimulator? N".
func (r *reader) deniedAfter(m *mention) bool {
	for p := m.last + 1; p < len(r.items) && p <= m.last+8; p++ {
		switch r.mark(p) {
		case ':', '?', '-', '=', '|':
			switch r.itemText(p + 1) {
			case "none", "nil":
				return true
			case "no", "n", "negative", "neg", "never", "absent", "denied", "denies", "nope":
				return p+2 >= len(r.items) || r.itemKind(p+2) == tokPunct || r.toksGap(p+2)&gapLine != 0
			}
			return false
		case ',', '/':
			if w := r.itemText(p + 1); (w == "no" || w == "none") && (p+2 >= len(r.items) || r.itemKind(p+2) == tokPunct) {
				return true // "pump, no."
			}
			continue
		}
		if !r.inMention(p) && r.itemText(p) != "or" && r.itemText(p) != "and" {
			return false
		}
	}
	return false
}

// ownedByPatient says whether the part is spoken of as the patient's: "her stimulator", "Mr P's pump".
func (r *reader) ownedByPatient(m *mention) bool {
	switch r.itemText(m.first) {
	case "her", "his", "their", "your", "my":
		return true
	}
	return r.possessive(m)
}

// goneAfter reads "no longer in place" after a part.
func (r *reader) goneAfter(m *mention) string {
	for p := m.last + 1; p < len(r.items) && r.boundary(p) < 2; p++ {
		if r.at(p).is(classGone) {
			return r.itemText(p)
		}
		if r.at(p).is(classPart) {
			break
		}
	}
	for p := m.first - 1; p >= 0 && p >= m.first-3; p-- {
		if r.at(p).is(classGone) {
			return r.itemText(p)
		}
	}
	return ""
}

// mentionCue looks for a trigger of class c before the part in its clause.
func (r *reader) mentionCue(m *mention, c class) string {
	for p := m.first - 1; p >= 0; p-- {
		it := r.at(p)
		if it.is(c) {
			return r.itemText(p)
		}
		if r.boundary(p) == 2 && !(it.is(classTerm) && c == classCond) {
			return ""
		}
		if c == classConsent && it.is(classAux) && p < m.first-3 && r.at(p+1).is(classAct) {
			return ""
		}
	}
	return ""
}

// mentionPlan looks for an intention before the part, with no finite act between.
func (r *reader) mentionPlan(m *mention) string {
	for p := m.first - 1; p >= 0; p-- {
		it := r.at(p)
		if it.is(classPlan) && !it.is(classHave) && !r.inMention(p) {
			return r.itemText(p)
		}
		if r.boundary(p) == 2 || it.isAny(classHave) && !it.isAny(classPrep, classPlan) || it.is(classAct) && !r.inMention(p) && r.finitePassive(p) && r.pastAux(p) {
			return ""
		}
	}
	return ""
}

// mentionPlanAny looks for an intention before the part, or close behind one that is not there yet: "new device to be
// considered".
func (r *reader) mentionPlanAny(m *mention) string {
	if cue := r.mentionPlan(m); cue != "" || m.definite || m.old || !m.new && !m.indef {
		return cue
	}
	for p := m.last + 1; p <= m.last+5 && p < len(r.items) && r.boundary(p) < 2; p++ {
		if r.at(p).is(classPlan) && !r.at(p).is(classHave) {
			return r.itemText(p)
		}
		if r.itemText(p) == "in" && (r.itemKind(p+1) == tokNumber || r.at(p+1).is(classNum)) && timeUnits[r.itemText(p+2)] && len(r.events) == 0 {
			return "in time"
		}
	}
	return ""
}

// timeUnits follow the number of a span of time.
var timeUnits = wordSet("day days week weeks wk wks month months mo mos year years")

// mentionDoubt reads how sure the note is that the part is there.
func (r *reader) mentionDoubt(m *mention) implant.Certainty { return r.doubt(m.head) }

// doubt reads a hedge before item k in its clause, or a question mark beside it.
func (r *reader) doubt(k int) implant.Certainty {
	for p := k - 1; p >= 0 && p >= k-8; p-- {
		it := r.at(p)
		if r.mark(p) == '?' && p >= k-4 {
			return implant.Possible
		}
		if it.is(classMaybe) {
			return implant.Possible
		}
		if it.is(classProb) {
			return implant.Probable
		}
		if r.boundary(p) == 2 {
			break
		}
	}
	if r.mark(k+1) == '?' || k+2 < len(r.items) && r.mark(k+1) == ')' && r.mark(k+2) == '?' {
		return implant.Possible
	}
	return ""
}

// mentionDate gives a date that stands close behind the part: "SCS 2018", "PPM '18", "stimulator (2017)".
func (r *reader) mentionDate(m *mention) implant.When {
	at := func(p int) (implant.When, bool) {
		for _, d := range r.dates {
			if d.k == p {
				return d.at, true
			}
		}
		return "", false
	}
	for p := m.last + 1; p < len(r.items) && p <= m.last+5; p++ {
		if w, ok := at(p); ok {
			return w
		}
		if r.at(p).is(classPart) || r.boundary(p) == 2 {
			return ""
		}
	}
	for p := m.head - 1; p >= 0 && p >= m.first-3; p-- {
		if w, ok := at(p); ok {
			return w
		}
	}
	return r.sharedDate(m)
}

// sharedDate gives the only date of a sentence without an act to a part that stands in one list with it: "2016 leads x2 +
// battery", "cage and screws 2018". A comma ends the list.
func (r *reader) sharedDate(m *mention) implant.When {
	if len(r.dates) != 1 || len(r.events) > 0 {
		return ""
	}
	d := r.dates[0]
	if d.at == "" {
		return ""
	}
	for p := min(d.k, m.last) + 1; p < max(d.k, m.first); p++ {
		if r.mark(p) == ',' || r.boundary(p) == 2 || r.at(p).isAny(classAux, classHave, classPlan) {
			return ""
		}
	}
	return d.at
}
