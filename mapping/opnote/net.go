package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// safetyNet: a part that the sentence names and that no rule accounts for may be there. A missed implant is the
// worst error, so doubt gives a presence, marked possible, for a person to look at.
func (r *reader) safetyNet(s sentence, sc *sentScope, from int) {
	if sc.base == ScopeFamily || sc.base == ScopeOther || sc.base == ScopeConsent || !r.speaks(classPart) {
		return
	}
	for k := range r.items {
		it := &r.items[k]
		if !it.is(classPart) || it.isAny(classExternal, classTool, classAct) || sc.kin(k) || r.others(sc, k) || r.accounted(it, from) || r.netDenied(k) {
			continue
		}
		e := it.as(classPart)
		m := mention{first: k, last: k, head: k, sent: r.sentNo, tok0: it.first, tok1: it.last, cert: implant.Possible}
		if r.inMention(k) {
			m = r.ments[r.owner[k]]
			if m.neg || m.kind == "" || m.scope == ScopeFamily || m.scope == ScopeOther || m.scope == ScopeHypothetical {
				continue
			}
			m.cert = implant.Possible
		} else {
			m.kind, m.system, m.piece, m.vague = partValue(e)
			m.words = r.itemText(k)
			if m.vague || !r.netNoun(k) || strings.HasPrefix(m.words, "catheter") && !r.pumpNote() {
				continue
			}
		}
		if w := r.itemText(k); m.kind == implant.Anchor || (w == "screw" || w == "screws") && r.setScrew() {
			continue // a landmark, as in emitMention
		}
		d := r.draftOf(s, &m, implant.PresentByWord, m.tok0, m.tok1)
		d.weak, d.act, d.Scope = true, "net", r.documentScope()
		d.Why = "named, and nothing else is said of it: " + m.words
		r.keep(d)
	}
}

// netNoun says whether the part named at k is the thing itself and not an adjective of something else: "the
// stimulator rep", "generator pocket closed".
func (r *reader) netNoun(k int) bool {
	n := r.at(k + 1)
	if !n.is(classPlace) || r.noteType != TypeProcedure {
		return !r.at(k+1).isAny(classTool, classExternal) && (!n.is(classPlace) || r.placeNoun(k+1))
	}
	switch r.itemText(k + 1) {
	case "card", "id", "identification": // only who has one has the card
		return true
	}
	return false
}

// placeNoun says whether the place at k is one on the body that only a patient with the part has.
func (r *reader) placeNoun(k int) bool {
	switch r.itemText(k) {
	case "card", "id", "identification", "company", "site", "pocket", "pocket site", "position", "check", "interrogation", "lifetime", "longevity", "status", "settings", "erosion", "infection":
		return true
	}
	return false
}

// accounted says whether a finding of this sentence speaks of what became of the item, or of its being there.
func (r *reader) accounted(it *item, from int) bool {
	for i := len(r.drafts) - 1; i >= from; i-- {
		d := &r.drafts[i]
		switch d.Kind {
		case "", implant.Described, implant.Located, implant.Mentioned, implant.Function, implant.Impedance, implant.UsageHours, implant.Reason, implant.Complication, implant.Outcome:
			if d.Scope == ScopeCurrent || d.Scope == ScopeHistory {
				continue
			}
		}
		if d.tok0 <= it.last && it.first <= d.tok1 {
			return true
		}
	}
	return false
}

// netDenied says whether a negation, a condition or an intention to put one in reaches the part at k.
func (r *reader) netDenied(k int) bool {
	for p := k - 1; p >= 0; p-- {
		it := r.at(p)
		if it.isAny(classNegdet, classCond, classConsent, classPlan) || it.is(classNeg) && !it.is(classPseudoneg) {
			return true
		}
		if r.boundary(p) == 2 {
			break
		}
	}
	for p := k + 1; p < len(r.items) && p <= k+4; p++ {
		if r.mark(p) == ':' || r.mark(p) == '-' {
			w := r.itemText(p + 1)
			return w == "no" || w == "none" || w == "nil" || w == "n"
		}
		if w := r.itemText(p); w == "no" || w == "none" || w == "nil" || r.at(p).isAny(classPlan, classNegdet) {
			return true
		}
	}
	return false
}

// implied: a serial, a pocket or hours of use are those of a part, and the part may be there though no words of its
// sentence say so.
func (r *reader) implied() {
	n := len(r.drafts)
	for i := 0; i < n; i++ {
		d := &r.drafts[i]
		kind := d.Component.Kind
		switch d.Kind {
		case implant.UsageHours:
			kind = implant.Generator
		case implant.Described, implant.Located:
		default:
			continue
		}
		if !d.factual() || kind == "" || d.act == "loose" || kind == implant.Anchor || r.fateNear(i, kind) {
			continue
		}
		p := draft{tok0: d.tok0, tok1: d.tok1, sent: d.sent, weak: true, act: "net", system: d.Kind == implant.UsageHours}
		p.Finding = d.Finding
		p.Kind, p.Value, p.Certainty, p.At, p.Component.Kind = implant.PresentByWord, "", implant.Possible, "", kind
		p.Scope, p.Why = r.documentScope(), "what is told of it says that it is there: "+d.Why
		r.keep(p)
	}
}

// fateNear says whether some draft of the sentence of draft i, or one with the same number, already says what became
// of such a part.
func (r *reader) fateNear(i int, kind implant.Kind) bool {
	d := &r.drafts[i]
	for j := max(0, i-maxPeers); j < len(r.drafts) && j < i+maxPeers; j++ {
		o := &r.drafts[j]
		if j == i || o.Component.Kind != kind || o.Kind == implant.Described || o.Kind == implant.Located || o.Kind == implant.UsageHours || o.Kind == "" {
			continue
		}
		if o.Kind == implant.Function || o.Kind == implant.Impedance || o.Kind == implant.Complication || o.Kind == implant.Reason {
			continue
		}
		if o.sent == d.sent && !o.factual() || d.Kind == implant.UsageHours && presence[o.Kind] {
			return true // intended, conditional or somebody else's; or the device is there by other words
		}
		if removalKinds[o.Kind] && !o.agreesWith(d) {
			continue // another item came out
		}
		if o.tok0 <= d.tok1 && d.tok0 <= o.tok1 || d.Component.Serial != "" && o.Component.Serial == d.Component.Serial || d.Component.Lot != "" && o.Component.Lot == d.Component.Lot {
			return true
		}
	}
	return false
}

// removalKinds are the kinds that say that a part is out.
var removalKinds = map[implant.FactKind]bool{implant.Removed: true, implant.ReportedGone: true}

// agreesWith says whether no model, serial or lot of the two drafts differs.
func (d *draft) agreesWith(o *draft) bool {
	same := func(a, b string) bool { return a == "" || b == "" || a == b }
	return same(d.Component.Model, o.Component.Model) && same(d.Component.Serial, o.Component.Serial) && same(d.Component.Lot, o.Component.Lot)
}

// presence are the kinds that say that a part is or may be there.
var presence = map[implant.FactKind]bool{implant.Implanted: true, implant.PresentByWord: true, implant.LeftInPlace: true, implant.Adjusted: true, implant.Exchanged: true, implant.Repositioned: true}
