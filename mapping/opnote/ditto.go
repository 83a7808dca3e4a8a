package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// "The left was done likewise", "LT: mirror image", "and its fellow to the right": what was done to a lead is told of
// another by saying that it was the same.

// dittoKinds are the acts that are told of a second lead in this way.
var dittoKinds = map[implant.FactKind]bool{implant.Implanted: true, implant.Removed: true, implant.WasCapped: true, implant.WasCut: true, implant.Repositioned: true, implant.Disconnected: true}

// ditto reads a sentence that says that what was done to the lead before was done again, on another side.
func (r *reader) ditto(s sentence, sc *sentScope, from int) {
	at := r.saysAgain()
	if at < 0 || r.speaks(classNegdet, classPlan, classCond, classConsent) || sc.other != "" || sc.base != ScopeCurrent || sc.kinFrom > 0 {
		return
	}
	k, side, ok := r.dittoSide(at)
	if !ok {
		return
	}
	src := r.dittoSource(from, r.items[at].first)
	if src >= 0 && r.drafts[src].sent == r.sentNo && strings.HasPrefix(r.itemText(at), "as ") {
		return // "cut, as on the left": the side is that of the one before
	}
	if src < 0 || side != "" && r.drafts[src].Site.Side == side || side == "" && r.drafts[src].sent == r.sentNo {
		return
	}
	if r.drafts[src].sent != r.sentNo && r.dittoNamed(src, from, side) {
		return
	}
	first := 0
	if r.drafts[src].sent == r.sentNo {
		first = at
	}
	last := len(r.items) - 1
	m := mention{first: first, last: last, head: k, sent: r.sentNo, tok0: r.items[first].first, tok1: r.items[last].last,
		kind: implant.Lead, side: side, words: r.drafts[src].Component.Words}
	d := r.draftOf(s, &m, r.drafts[src].Kind, m.tok0, m.tok1)
	d.Scope, d.act, d.Why, d.Value = ScopeCurrent, r.drafts[src].act, "done as the one before: "+r.itemText(at), r.drafts[src].Value
	if len(r.looseID) == 1 {
		id := r.looseID[0].id
		d.Component.Lot, d.Component.Serial, d.Component.Model = id.lot, id.serial, id.model
	}
	if len(r.looseLev) == 1 {
		d.Site.Entry, d.Site.Tip, d.Site.Level = r.looseLev[0].site.Entry, r.looseLev[0].site.Tip, r.looseLev[0].site.Level
	}
	r.keep(d)
}

// dittoSide gives the side that the repeated act was on: the nearest after the word at item at, else the first before
// it; ok is false where neither a side nor "the second" is named.
func (r *reader) dittoSide(at int) (int, implant.Side, bool) {
	side := func(k int) implant.Side {
		for _, c := range [...]class{classSide, classSidel} {
			if e := r.at(k).as(c); e != nil {
				return implant.Side(e.value)
			}
		}
		return ""
	}
	for k := at; k < len(r.items) && k <= at+4 && r.boundary(k) < 2; k++ {
		if s := side(k); s != "" {
			return k, s, true
		}
	}
	for k := 0; k < len(r.items); k++ {
		if s := side(k); s != "" || ordinalWords[r.itemText(k)] {
			return k, s, true
		}
	}
	return 0, "", false
}

// dittoSource gives the draft of the lead whose act is repeated: the last before token tok.
func (r *reader) dittoSource(from int, tok int32) int {
	for i := len(r.drafts) - 1; i >= 0 && r.sentNo-r.drafts[i].sent <= dittoReach; i-- {
		d := &r.drafts[i]
		if d.Scope == ScopeCurrent && !d.title && d.Component.Kind == implant.Lead && dittoKinds[d.Kind] && (i < from || d.tok1 < tok) {
			return i
		}
	}
	return -1
}

// dittoNamed gives a lead that the sentence names the act of draft src. It says whether there was one.
func (r *reader) dittoNamed(src, from int, side implant.Side) bool {
	for i := from; i < len(r.drafts); i++ {
		d := &r.drafts[i]
		if d.Component.Kind != implant.Lead || !d.factual() {
			continue
		}
		if d.weak || d.act == "mention" {
			d.Kind, d.Value, d.weak, d.Certainty = r.drafts[src].Kind, r.drafts[src].Value, false, ""
			if d.Site.Side == "" {
				d.Site.Side = side
			}
			d.Why = "done as the one before"
		}
		return true
	}
	return false
}

// ordinalWords name the next of several like parts.
var ordinalWords = wordSet("second third fourth other remaining")

// dittoReach is how many sentences back the act lies that is said to be repeated.
const dittoReach = 8

// again says whether the phrase says that something was done once more in the same way.
func (h hit) again() bool {
	e := h.has(classOtherOne)
	return e != nil && e.value == "again"
}

// saysAgain gives the item that says so, -1 if none does: the word itself, or "same" behind what heads the line.
func (r *reader) saysAgain() int {
	for k := range r.items {
		e := r.at(k).as(classOtherOne)
		if e != nil && e.value == "again" {
			return k
		}
		if e == nil || !sameWords[r.itemText(k)] || k == 0 {
			continue
		}
		if k <= 3 && r.labelSide != "" || r.topic >= 0 && r.ments[r.topic].kind == implant.Lead && (r.mark(k-1) == '-' || r.mark(k-1) == ':') {
			return k
		}
	}
	return -1
}

// sameWords behind what heads a line repeat what was done on the other side: "L: same".
var sameWords = wordSet("same ditto likewise idem")
