package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// emitDone handles an act that was done, now or before.
func (r *reader) emitDone(d draft, ev *event, m *mention) {
	hist := d.Scope == ScopeHistory
	switch ev.act {
	case "implant", "in", "advance", "tunnel":
		r.emitImplant(d, ev, m, hist)
	case "remove", "out":
		if r.fromPackage(ev) {
			return
		}
		if r.fromHeader(ev, m) {
			d.Kind, d.act, d.weak = implant.Disconnected, "disconnect", true
			r.keep(d)
			return
		}
		r.emitRemove(d, ev, m, hist)
	case "withdraw":
		if r.fromHeader(ev, m) {
			d.Kind, d.act, d.weak = implant.Disconnected, "disconnect", true
			r.keep(d)
			return
		}
		if r.withdrawnOut(ev, m) {
			r.emitRemove(d, ev, m, hist)
			return
		}
		d.Certainty, d.weak = implant.Possible, r.explant
		r.keep(d)
	case "cap", "cut", "disconnect", "leave", "abandonpart", "waste":
		r.emitFate(d, ev, m, hist)
	case "discard", "use", "break", "seek":
		r.emitOther(d, ev, m, hist)
	case "replace":
		d.wholeOK = false
		r.keep(d)
	case "deliver":
		if _, whole := r.extent(ev, m); whole && m.kind == implant.Lead && r.explant {
			r.emitRemove(d, ev, m, hist)
			return
		}
		if !hist && m.kind != implant.Lead && (r.explant || r.replacing) {
			d.Kind = implant.Removed
			r.keep(d)
			return
		}
		if to, _ := r.direction(ev.item); !hist && leadLike(m) && !m.old && (m.indef || r.primary) && (r.nerveBehind(ev.item) || to == up || to == in) {
			d.Kind = implant.Implanted // "delivered to the medial branch"
			r.keep(d)
			return
		}
		d.weak = true
		r.keep(d)
	case "connect", "secure", "check", "free", "see", "touch":
		d.weak = true
		if ev.act == "see" {
			if gone := r.goneAfter(m); gone != "" {
				d.Kind, d.Scope, d.weak = implant.ReportedGone, ScopeHistory, false
				r.keep(d)
				return
			}
		}
		if d.Kind == implant.Reconnected && hist {
			d.Kind = implant.PresentByWord
		}
		if ev.act == "connect" && !strings.HasPrefix(r.itemText(ev.item), "re") && (m.kind == implant.Generator || m.kind == implant.Adaptor || m.kind == implant.Pump && m.new) && (m.indef || m.new || m.id.model != "" || m.id.serial != "") && !m.old && !hist {
			d.Kind, d.weak = implant.Implanted, false
		}
		if ev.act == "secure" && !hist && leadLike(m) && m.kind != implant.Anchor {
			r.anchorsNamedByVerb(d, ev)
		}
		if ev.act == "secure" && !hist && (m.kind == implant.Anchor || r.primary && m.kind == implant.Generator && !m.old && r.pocketWord()) {
			d.Kind, d.weak = implant.Implanted, false
		}
		r.keep(d)
	case "reposition", "adjust":
		if hist {
			d.Kind = implant.PresentByWord
		}
		if ev.e.form == formNoun && strings.HasPrefix(r.itemText(ev.item), "revis") {
			d.Kind, d.weak = implant.PresentByWord, true // "revision" does not say what was done
			r.keep(d)
			return
		}
		d.putBack = r.putsBack(ev.item)
		if s := r.items[ev.item].sense; s == "move" || s == "remove" || s == "withdraw" {
			d.weak = !d.putBack // on its way out, if it is out
		}
		if d.putBack && m.new && !m.old && !hist {
			d.Kind, d.putBack = implant.Implanted, false
			r.keep(d)
			return
		}
		if d.putBack && !hist && (m.kind == implant.Generator || m.kind == implant.Pump) {
			d.Kind = implant.LeftInPlace
		}
		r.keep(d)
	}
}

// anchorsNamedByVerb adds the anchors that "anchored x2" or "anchored separately" tells of without naming them.
func (r *reader) anchorsNamedByVerb(d draft, ev *event) {
	n := r.itemText(ev.item + 1)
	if !strings.HasPrefix(r.itemText(ev.item), "anchored") || n != "separately" && n != "individually" && r.timesAt(ev.item+1) == 0 {
		return
	}
	for i := range r.ments {
		if r.ments[i].kind == implant.Anchor {
			return
		}
	}
	d.Kind, d.weak, d.Component = implant.Implanted, false, implant.Component{Kind: implant.Anchor, Words: r.itemText(ev.item), Count: r.timesAt(ev.item + 1)}
	d.Site, d.tok0, d.tok1, d.of = implant.Site{}, r.items[ev.item].first, r.items[ev.item+1].last, 0
	d.Why = "anchors told of by the verb: " + r.itemText(ev.item)
	r.keep(d)
}

// timesAt reads "x2" or "x 2" at item k, 0 if it is none.
func (r *reader) timesAt(k int) int {
	w := r.itemText(k)
	if len(w) == 2 && w[0] == 'x' && w[1] >= '1' && w[1] <= '9' {
		return int(w[1] - '0')
	}
	if (r.mark(k) == 'x' || w == "x") && r.smallInt(r.firstTok(k+1), 12) > 0 {
		return r.smallInt(r.firstTok(k+1), 12)
	}
	return 0
}

// nerveBehind says whether the act at item k is directed to a nerve: "to the medial branch".
func (r *reader) nerveBehind(k int) bool {
	for p := k + 1; p < len(r.items) && p <= k+5 && r.boundary(p) == 0; p++ {
		if r.at(p).isAny(classNerve, classNerveword) {
			return true
		}
	}
	return false
}

// putsBack says whether the words at item k say that a part taken out went back in.
func (r *reader) putsBack(k int) bool {
	w, it := r.itemText(k), &r.items[k]
	if t := int(it.till); t > k && r.itemText(t) == "back" {
		n := r.itemText(t + 1)
		return it.sense == "implant" || it.sense == "rest" || n == "in" || n == "into" || n == "under"
	}
	return it.sense == "" && (strings.HasSuffix(w, " back") || strings.HasPrefix(w, "put back") || strings.Contains(w, "back in") || strings.Contains(w, "returned") ||
		strings.HasPrefix(w, "replaced in") || strings.HasPrefix(w, "reimplant") || strings.HasPrefix(w, "re implant") || strings.HasPrefix(w, "re-implant"))
}

// emitImplant: a part put in, or an old one moved.
func (r *reader) emitImplant(d draft, ev *event, m *mention, hist bool) {
	switch {
	case hist:
		d.Kind = implant.PresentByWord
	case m.neg:
		d.Kind, d.Scope = implant.DeniedPresence, ScopeNegated
	case m.kind == implant.Lead && r.intoGenerator(ev):
		d.Kind, d.weak = implant.Reconnected, true
	case m.piece && !m.new:
		d.Kind, d.act = implant.LeftInPlace, "piece"
	case r.items[ev.item].sense == "move" && ev.act == "implant" && !m.new && (m.aspect && leadLike(m) || m.definite && !r.primary):
		d.Kind = implant.Repositioned
		if leadLike(m) {
			d.Kind, d.weak = implant.LeftInPlace, true
		}
	case ev.elided && !m.new && r.fateBefore(ev):
		d.Kind, d.weak = implant.PresentByWord, true // "capped and buried in the pocket"
	case m.old && !m.new:
		d.Kind = implant.Repositioned
	case ev.act == "advance" && m.definite && !m.new && m.ordinal == 0 && r.byDistance(ev.item):
		d.Kind = implant.Repositioned
	case ev.act == "advance" && r.revision && m.definite && !m.new && m.ordinal == 0:
		d.Kind = implant.Repositioned
	case ev.act == "tunnel" && r.revision && m.definite && !m.new:
		d.Kind, d.weak = implant.PresentByWord, true
	default:
		d.Kind = implant.Implanted
	}
	r.keep(d)
}

// intoGenerator says whether a part behind "in" or "into" the act is a generator: the lead is plugged in.
func (r *reader) intoGenerator(ev *event) bool {
	for _, o := range ev.obliq {
		m := &r.ments[o]
		if (m.kind == implant.Generator || m.kind == implant.Pump) && m.first > ev.item && m.first <= ev.item+3 {
			switch r.itemText(m.first - 1) {
			case "in", "into":
				return true
			}
			if _, last := cutLast(r.itemText(ev.item)); m.first == ev.item+1 && (last == "into" || last == "in") {
				return true
			}
		}
	}
	return false
}

// fateBefore says whether the act before this one in the sentence left the same part in the body as it was.
func (r *reader) fateBefore(ev *event) bool {
	for i := range r.events {
		o := &r.events[i]
		if o.item >= ev.item {
			return false
		}
		switch o.act {
		case "cap", "cut", "disconnect", "leave", "abandonpart":
			for _, a := range o.args {
				if r.argOf(ev, a) {
					return true
				}
			}
		}
	}
	return false
}

// byDistance says whether a length or "one level" follows the act closely: "advanced by 2 cm".
func (r *reader) byDistance(k int) bool {
	for p := k + 1; p < len(r.items) && p <= k+5; p++ {
		if r.at(p).is(classDose) || r.itemText(p) == "contact" || r.itemText(p) == "level" {
			return true
		}
		if r.boundary(p) == 2 {
			return false
		}
	}
	return false
}

// emitRemove: a part taken out. Whole only with words that say so; in part with words that say that.
func (r *reader) emitRemove(d draft, ev *event, m *mention, hist bool) {
	partly, whole := r.extent(ev, m)
	switch {
	case ev.attempt && !whole:
		a := d
		a.Kind = implant.Abandoned
		r.keep(a)
		d.Kind = implant.LeftInPlace
		d.act = "leave"
	case !hist && !whole && r.at(ev.item-1).is(classDose) && r.itemKind(ev.item-2) == tokNumber && (m.kind == implant.Lead || m.kind == implant.Extension || m.kind == implant.Catheter):
		d.Kind, d.act = implant.WasCut, "cut" // "6 cm excised"
	case partly:
		d.Kind = implant.RemovedPart
	case d.Certainty == implant.Possible && !whole:
		r.askTokens(implant.AskRemovalDoubtful, "thought to be removed, not known", d.tok0, d.tok1, "")
		d.Kind, d.weak = implant.PresentByWord, true
		d.Why += "; a removal that is only believed"
	case hist:
		d.Kind = implant.ReportedGone
	default:
		d.Kind = implant.Removed
		if whole && !m.system && !d.title && m.kind != implant.Anchor {
			d.Value = "whole"
		}
	}
	r.keep(d)
}

// emitFate: what stays, or was never used.
func (r *reader) emitFate(d draft, ev *event, m *mention, hist bool) {
	switch ev.act {
	case "cut":
		for _, o := range ev.obliq {
			om := &r.ments[o]
			d.atHeader = d.atHeader || (om.prep == "at" || om.prep == "from" || om.prep == "near") && (om.kind == implant.Generator || om.kind == implant.Pump)
		}
		for p := ev.item + 1; p < len(r.items) && p <= ev.item+5 && r.boundary(p) == 0; p++ {
			switch r.itemText(p) {
			case "pocket", "header", "ipg pocket", "battery pocket", "connector":
				d.atHeader = true
			}
		}
		if m.kind != implant.Lead && m.kind != implant.Extension && m.kind != implant.Catheter && !m.system {
			d.Kind, d.weak = implant.PresentByWord, true
		}
	case "cap":
		if m.kind != implant.Lead && m.kind != implant.Extension && m.kind != implant.Catheter && !m.system {
			d.Kind, d.weak = implant.PresentByWord, true
		}
	case "disconnect":
		if w := r.itemText(ev.item); r.noteType == TypeImaging && (w == "not connected" || w == "unconnected") {
			d.Kind = implant.PresentByWord
			r.keep(d)
			return
		}
		d.weak = true
		for _, o := range ev.obliq { // "the generator was disconnected from both leads"
			om := &r.ments[o]
			if om.prep == "from" && om.kind != m.kind && (om.kind == implant.Lead || om.kind == implant.Extension) {
				x := r.draftOf(sentence{}, om, implant.Disconnected, d.tok0, d.tok1)
				x.act, x.Scope, x.Why, x.weak = ev.act, d.Scope, d.Why, true
				r.keep(x)
			}
		}
	case "leave", "abandonpart":
		if !hist && r.primary && !m.old && !m.neg && strings.HasPrefix(r.itemText(ev.item), "buried") && pocketed(m) {
			d.Kind = implant.Implanted
			r.keep(d)
			return
		}
		if hist {
			d.Kind = implant.PresentByWord
		}
		if m.neg {
			d.Kind, d.Scope = implant.DeniedPresence, ScopeNegated
		}
		if ev.act == "abandonpart" && (ev.elided || r.actBefore(ev)) {
			d.Kind = implant.Abandoned
			r.keep(d)
			return
		}
		if (m.piece || m.partly || ev.piece || r.brokeHere(ev) || m.aspect && r.explant && leadLike(m)) && !hist || (m.piece || m.partly) && hist {
			d.act = "piece"
			if hist && strings.HasSuffix(r.itemText(ev.item), "behind") {
				d.Kind = implant.RemovedPart
			}
		}
	case "waste":
		if hist || m.old || m.attr != nil && m.attr.value == "remove" {
			return
		}
	}
	r.keep(d)
}

// emitOther: acts whose meaning hangs on others in the sentence.
func (r *reader) emitOther(d draft, ev *event, m *mention, hist bool) {
	opened := false
	for i := range r.events {
		opened = opened || r.events[i].act == "use" && r.itemText(r.events[i].item) != "used"
	}
	switch ev.act {
	case "discard":
		switch {
		case hist, r.outBefore(ev, m):
			return
		case opened || (m.new || r.primary) && !m.old:
			d.Kind = implant.Wasted
		case m.old || r.explant || r.replacing:
			d.Kind = implant.Removed
		default:
			d.Kind, d.weak, d.Certainty = implant.PresentByWord, true, implant.Possible
		}
	case "use":
		if !opened && !m.neg && !hist && r.noteType == TypeProcedure && r.itemText(ev.item) == "used" && m.kind != implant.Hardware && !m.old {
			d.Kind = implant.Implanted
			r.keep(d)
			return
		}
		if !opened || m.neg {
			return
		}
		d.Kind, d.weak, d.Certainty = implant.Mentioned, true, implant.Possible
	case "break":
		d.Kind, d.weak = implant.PresentByWord, true
		d.act = "break"
		d.pulled = !hist && leadLike(m) && r.underTraction(m.kind)
		r.broken(d, ev, m)
		if m.aspect && leadLike(m) && !hist {
			d.Kind, d.weak, d.Certainty, d.act = implant.LeftInPlace, false, implant.Possible, "piece"
		}
	case "seek":
		d.Kind, d.weak = implant.PresentByWord, true
		d.Certainty = implant.Possible
		r.seeking = true
		d.act = "seek"
	}
	r.keep(d)
}

// outBefore says whether an act before this one in the sentence took the same part out: "pulled out and discarded".
func (r *reader) outBefore(ev *event, m *mention) bool {
	for i := range r.events {
		o := &r.events[i]
		if o.item >= ev.item || o.neg || o.act != "remove" && o.act != "out" || o.scope != ScopeCurrent {
			continue
		}
		for _, a := range o.args {
			if &r.ments[a] == m {
				return true
			}
		}
	}
	return false
}

// outSoFar says whether the note has told of the removal of such a part, or of its attempt, a few sentences before.
func (r *reader) outSoFar(kind implant.Kind) bool {
	for i := len(r.drafts) - 1; i >= 0 && r.sentNo-r.drafts[i].sent <= 3; i-- {
		if d := &r.drafts[i]; d.Component.Kind == kind && !d.title && d.Scope == ScopeCurrent && (d.Kind == implant.Removed || d.Kind == implant.Abandoned) {
			return true
		}
	}
	return false
}

// pullWords say that a part is being pulled.
var pullWords = wordSet("traction pull pulled pulling tension tug tugging tugged withdrawal withdrawing drawing stretched stretching elongated uncoiled unravelled removal extraction avulsed")

// underTraction says whether a part that breaks here does so in being taken out: the sentence speaks of pulling, and the
// note is the account of an operation.
func (r *reader) underTraction(kind implant.Kind) bool {
	if !r.account {
		return false
	}
	for k := range r.items {
		for _, w := range strings.Fields(r.itemText(k)) {
			if pullWords[w] {
				return true
			}
		}
	}
	return false
}

// actBefore says whether an act named by a noun stands before this one: "implantation - abandoned".
func (r *reader) actBefore(ev *event) bool {
	for i := range r.events {
		if r.events[i].item < ev.item && r.events[i].e.form == formNoun {
			return true
		}
	}
	return false
}

// brokeHere says whether the same part broke in the same sentence.
func (r *reader) brokeHere(ev *event) bool {
	for i := range r.events {
		o := &r.events[i]
		if o.act != "break" || len(o.args) == 0 || len(ev.args) == 0 {
			continue
		}
		for _, a := range o.args {
			for _, b := range ev.args {
				if a == b {
					return true
				}
			}
		}
	}
	return false
}

// broken adds the fracture of a lead that is said to be broken, as a reason when the lead is then worked on.
func (r *reader) broken(d draft, ev *event, m *mention) {
	if m.kind != implant.Lead && m.kind != implant.Extension && m.kind != implant.Catheter {
		return
	}
	if d.pulled || d.Scope == ScopeCurrent && !ev.passive && (r.takingOut || r.account && r.outSoFar(m.kind)) {
		return // it broke under the surgeon's hands: what became of it says so
	}
	f := draft{tok0: d.tok0, tok1: d.tok1, sent: r.sentNo}
	f.Scope, f.Why = ScopeCurrent, d.Why
	f.Kind, f.Value = implant.Complication, "fracture"
	for i := range r.events {
		if a := r.events[i].act; a == "remove" || a == "replace" || a == "out" {
			f.Kind, f.Value = implant.Reason, "lead-fracture"
		}
	}
	r.keep(f)
}
