package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// reasons reads why something was done and what went wrong.
func (r *reader) reasons(s sentence, sc *sentScope) {
	if sc.other != "" || sc.base == ScopePlan || sc.base == ScopeConsent || sc.base == ScopeOther || sc.base == ScopeFamily {
		return
	}
	for _, t := range r.troubles {
		k, re, co := t.a, t.re, t.co
		if r.items[k].mask == 0 && t.a == t.b || r.deniedWord(k) || r.feared(k) {
			continue
		}
		d := draft{tok0: r.items[t.a].first, tok1: r.items[t.b].last, sent: r.sentNo}
		d.Scope, d.Why = ScopeCurrent, r.text[r.toks[d.tok0].start:r.toks[d.tok1].end]
		switch {
		case re != nil && r.surgeonsAct(t):
			continue
		case re != nil && r.isReason(s, k, co != nil):
			d.Kind, d.Value = implant.Reason, re.value
		case co != nil:
			d.Kind, d.Value = implant.Complication, co.value
		default:
			continue
		}
		r.keep(d)
	}
}

// surgeonsAct says whether words that could be of a part that moved or ran down by itself are what the surgeon did with
// one: "slipped off", "run down to the flank".
func (r *reader) surgeonsAct(t troubleSpan) bool {
	if t.re.value != "lead-migration" && t.re.value != "battery-depletion" || strings.Contains(r.itemText(t.a), "migrat") || !r.account {
		return false
	}
	if e := r.at(t.a).as(classAct); e == nil || r.be(t.a) && r.at(t.a-1).is(classHave) {
		return false
	}
	for p := t.a - 1; p >= 0 && p >= t.a-3; p-- {
		switch r.itemText(p) {
		case "had", "has", "have", "had been":
			return false
		}
	}
	for p := t.b + 1; p < len(r.items) && p <= t.b+2; p++ {
		switch r.itemText(p) {
		case "off", "from", "to", "over", "under", "through", "into", "beneath", "subcut", "subcutaneously":
			return true
		}
	}
	return false
}

// deniedWord says whether a negation reaches the word at item k.
func (r *reader) deniedWord(k int) bool {
	for p := k - 1; p >= 0; p-- {
		it := r.at(p)
		if it.isAny(classNegdet, classNeg) && !it.is(classPseudoneg) || r.itemText(p) == "exclude" || r.itemText(p) == "excluded" {
			return true
		}
		if r.boundary(p) == 2 || it.is(classAux) && p < k-1 && !r.at(p+1).is(classNeg) {
			return false
		}
		if r.mark(p) == ',' && p > 0 && !r.at(p-1).isAny(classReason, classComplication) && !r.bare(p-1) {
			return false
		}
	}
	return false
}

// feared says whether the word at item k is only a risk, a condition or a plan against it.
func (r *reader) feared(k int) bool {
	if r.mark(k-1) == '?' && r.toksGap(k) == 0 {
		return true
	}
	for p := k - 1; p >= 0; p-- {
		it := r.at(p)
		if it.isAny(classConsent, classCond) || it.is(classMaybe) && (r.itemText(p) == "might" || r.itemText(p) == "may" || r.itemText(p) == "could") || it.is(classPlan) && r.itemText(p) != "presented for" && r.itemText(p) != "presents for" && r.itemText(p) != "admitted for" && !it.is(classReason) {
			return true
		}
		if w := r.itemText(p); w == "prevent" || w == "avoid" || w == "against" || w == "prophylaxis" {
			return true
		}
		if r.boundary(p) == 2 {
			return false
		}
	}
	return r.at(k + 1).is(classNeg)
}

// isReason says whether the word at item k is why a part is worked on, and not what went wrong besides.
func (r *reader) isReason(s sentence, k int, both bool) bool {
	if s.sec.kind == secIndication || r.inTitle {
		return true
	}
	if s.sec.kind == secComplications || r.noteType == TypeImaging {
		return false
	}
	for p := k - 1; p >= 0 && p >= k-6; p-- {
		switch r.itemText(p) {
		case "complicated", "developed", "complication":
			return false
		case "because", "due", "owing", "reason", "reasons", "secondary":
			return true
		case "for", "as", "with", "after":
			for _, ev := range r.events {
				if ev.act == "remove" || ev.act == "replace" || ev.act == "reposition" || ev.act == "out" {
					return true
				}
			}
		}
	}
	if !both {
		return true
	}
	if r.noteType == TypeImaging {
		return false
	}
	work := r.explant || r.revision
	for _, ev := range r.events {
		if (ev.act == "remove" || ev.act == "replace" || ev.act == "out" || ev.act == "reposition") && !ev.neg {
			work = true
		}
	}
	return work && (r.noteType != TypeClinic || len(r.events) > 0 && r.goneHere())
}

// goneHere says whether the sentence tells of a removal, exchange or move.
func (r *reader) goneHere() bool {
	for _, ev := range r.events {
		switch ev.act {
		case "remove", "replace", "out", "reposition":
			if !ev.neg && (ev.scope == ScopeCurrent || ev.scope == ScopeHistory) {
				return true
			}
		}
	}
	return false
}

// remarks raises the questions that lie in single words: slips, numbering, old MR wording, stopped procedures;
// and reads whether a device works.
func (r *reader) remarks(s sentence, sc *sentScope) {
	if sc.other != "" {
		for k := range r.items {
			if it := r.at(k); it.is(classMrold) && (len(r.ments) > 0 || len(r.past) > 0) {
				r.askTokens(implant.AskLabelOldWords, r.itemText(k), it.first, it.last, "")
			}
		}
		return
	}
	for k := 0; k < len(r.items) && r.speaks(classTransit, classMrold, classStopped, classSlip, classFunc); k++ {
		it := r.at(k)
		switch {
		case it.is(classTransit):
			r.askTokens(implant.AskLevelConflict, "a remark on numbering: "+r.itemText(k), it.first, it.last, "")
		case it.is(classMrold):
			r.askTokens(implant.AskLabelOldWords, r.itemText(k), it.first, it.last, "")
		case it.is(classStopped) && r.noteType != TypeClinic:
			r.askTokens(implant.AskNotDone, r.itemText(k), it.first, it.last, "")
		case it.is(classSlip):
			r.slip(k)
		case it.is(classFunc) && !r.deniedWord(k):
			r.function(k, sc)
		}
	}
	for _, d := range r.dates {
		if d.at.Ambiguous() && r.datesPart(d.at) {
			r.askTokens(implant.AskDateDoubtful, string(d.at), int32(d.span.first), int32(d.span.last), "")
		}
	}
}

// datesPart says whether a finding of this sentence takes effect at the date.
func (r *reader) datesPart(at implant.When) bool {
	for i := len(r.drafts) - 1; i >= 0 && r.drafts[i].sent == r.sentNo; i-- {
		if r.drafts[i].At == at {
			return true
		}
	}
	return false
}

// function reads whether the device works, when the sentence or the one before speaks of one.
func (r *reader) function(k int, sc *sentScope) {
	if len(r.ments) == 0 && len(r.past) == 0 || sc.base == ScopePlan {
		return
	}
	it := r.at(k)
	d := draft{tok0: it.first, tok1: it.last, sent: r.sentNo}
	d.Kind, d.Value, d.Scope, d.Why = implant.Function, it.as(classFunc).value, ScopeCurrent, r.itemText(k)
	if m := r.nearest(k, func(m *mention) bool { return m.kind != implant.Hardware }); m != nil {
		d.Component.Kind = m.kind
	} else if len(r.past) > 0 {
		d.Component.Kind = r.past[0].kind
	}
	r.keep(d)
}

// slipFits says whether what the slip at item k may stand for would fit there.
func (r *reader) slipFits(k int) bool {
	it := r.at(k)
	meant := it.as(classSlip).value
	fits := false
	switch meant {
	case "explanted", "implanted", "removed", "capped", "cut", "transected", "sited", "tunnelled", "retained", "disconnected", "extracted", "revised", "divided", "severed", "retrieved", "withdrawn", "buried":
		fits = (r.at(k-1).is(classAux) || (r.mark(k-1) == ',' || r.at(k-1).is(classSep)) && r.at(k-2).is(classAct) || r.at(k-1).is(classPart) && !r.at(k+1).isAny(classDet, classPron)) && r.partBefore(k) || r.partBefore(k) && k+1 >= len(r.items)
		if meant == "severed" || meant == "retrieved" {
			fits = fits && r.at(k-1).is(classAux) && r.itemText(k) != "severe"
		}
	case "in situ":
		fits = true
	case "right", "left", "lumbar", "sacral":
		fits = r.at(k+1).isAny(classPart, classRegion)
	case "iliac":
		fits = r.itemText(k+1) == "crest" || r.itemText(k+1) == "spine" || r.itemText(k+1) == "wing"
	case "flank", "buttock", "pocket":
		fits = r.at(k-1).isAny(classSide, classPart) || r.at(k+1).is(classAux) && r.at(k-1).is(classPart)
	case "fascia", "sheath", "epidural", "tip":
		fits = r.at(k+1).is(classPart) || r.at(k-1).is(classPart) && meant == "tip"
	default: // a part
		n := r.at(k + 1)
		if n.is(classSide) {
			n = r.at(k + 2) // "the led on the left was exposed"
		}
		if r.mark(k+1) == ',' && r.itemText(k+2) == "which" {
			fits = r.at(k-1).isAny(classDet, classSide)
		}
		fits = fits || r.at(k-1).isAny(classDet, classNum, classSide, classSidel, classOld, classNew) && (n.is(classAct) && r.at(k-1).isAny(classSide, classSidel) || n.is(classAux) && (r.actAfter(k+1) || r.actAfter(k+2)) || n.is(classAct) && n.as(classAct).form == formParticiple)
	}
	return fits
}

// slipParts are the parts that slips of dictation may stand for.
var slipParts = map[string]implant.Kind{"lead": implant.Lead, "leads": implant.Lead, "electrode": implant.Lead, "wire": implant.Lead, "paddle": implant.Lead, "array": implant.Lead,
	"generator": implant.Generator, "battery": implant.Generator, "stimulator": implant.Generator, "pump": implant.Pump, "extension": implant.Extension, "anchor": implant.Anchor, "anchors": implant.Anchor}

// slip asks about a word that dictation may have put for another, where the other would fit: a verb after a part
// and an auxiliary, a part between an article and an act, a place after "in".
func (r *reader) slip(k int) {
	it := r.at(k)
	meant := it.as(classSlip).value
	fits := r.slipFits(k)
	if kind := slipParts[meant]; fits && kind != "" { // what may be a part may be there
		m := mention{first: k, last: k, head: k, sent: r.sentNo, tok0: it.first, tok1: it.last, kind: kind, cert: implant.Possible, words: r.itemText(k)}
		d := r.draftOf(sentence{}, &m, implant.PresentByWord, m.tok0, m.tok1)
		d.weak, d.act, d.Scope, d.Why = true, "net", r.documentScope(), "a slip of dictation may name a part: "+meant
		r.keep(d)
	}
	if fits {
		r.askTokens(implant.AskDictation, "\""+r.itemText(k)+"\" may stand for \""+meant+"\"", it.first, it.last, meant)
	}
}

// partBefore says whether a part or a pronoun for one stands before item k in its clause.
func (r *reader) partBefore(k int) bool {
	for p := k - 1; p >= 0 && r.boundary(p) == 0; p-- {
		if r.inMention(p) {
			return true
		}
	}
	return false
}

// actAfter says whether an act on parts follows item k closely.
func (r *reader) actAfter(k int) bool {
	for p := k + 1; p <= k+3 && p < len(r.items); p++ {
		if e := r.at(p).as(classAct); e != nil && e.value != "check" {
			return true
		}
	}
	return false
}
