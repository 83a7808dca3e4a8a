package opnote

import (
	"strconv"

	"gaussline/mapping/implant"
)

// memory is how many earlier mentions are kept to resolve pronouns.
const memory = 12

// ellipsis reads a pronoun, or a side, number or ordinal that stands for a part: "it", "both", "the right one",
// "the other", "the second", or a bare model number.
func (r *reader) ellipsis(k int) (mention, bool) {
	it := r.at(k)
	const stand = 1<<classAspect | 1<<classPartly | 1<<classPron | 1<<classSide | 1<<classOtherOne | 1<<classNum | 1<<classSidel
	if it.mask&stand == 0 && r.itemKind(k) != tokNumber && !bitWords[r.itemText(k)] && (k+1 >= len(r.items) || r.toksGap(k+1) != gapHyphen) {
		return mention{}, false
	}
	m := mention{first: k, last: k, head: k, pron: true, sent: r.sentNo}
	switch {
	case r.modelLike(k) && it.e == nil || r.modelLike(k) && it.is(classSidel):
		return r.bareModel(k)
	case it.is(classAspect) && r.at(k-1).is(classDet) && !r.owner0(k) && (r.at(k+1).isAny(classAux, classHave, classAct) || r.mark(k+1) == '('):
		src, ok := r.antecedent(k, false, true)
		if !ok {
			return m, false
		}
		m.first = k - 1
		m.aspect = true
		return r.standIn(m, src), true
	case it.is(classPartly) && remnants[r.itemText(k)] && !r.nextPart(k) && !r.owner0(k) && !r.otherStuff(k):
		src, ok := r.antecedent(k, false, true)
		if !ok || !leadLike(&src) || src.kind == implant.Hardware || src.kind == implant.Anchor {
			if r.noteType == TypeClinic && len(r.past) == 0 {
				return m, false
			}
			src = mention{kind: implant.Lead, words: r.itemText(k)}
		}
		if r.at(k - 1).is(classDet) {
			m.first = k - 1
		}
		m = r.standIn(m, src)
		m.piece, m.pron, m.count, m.id = true, false, src.pieceCount(), identity{}
		if s := r.sideBefore(k); s != "" || r.sentNo-src.sent > 1 {
			m.side = s
		}
		m.neg = r.at(k-1).isAny(classNegdet, classNeg)
		return m, true
	case r.lengthStays(k):
		src, ok := r.antecedent(k, false, true)
		if !ok || !leadLike(&src) || src.kind == implant.Hardware || src.kind == implant.Anchor {
			return m, false
		}
		for m.first > 0 && (r.at(m.first-1).isAny(classDet, classOld) || restWords[r.itemText(m.first-1)]) {
			m.first--
		}
		m.last, m.head = k+1, k+1
		if bitWords[r.itemText(k)] {
			m.last, m.head = k, k
		}
		m = r.standIn(m, src)
		m.piece, m.pron, m.count, m.id = true, false, src.pieceCount(), identity{}
		return m, true
	case it.is(classPron) && r.pronounHere(k):
		return r.pronoun(m, k)
	case (r.itemText(k) == "one" || r.itemText(k) == "ones") && r.at(k-1).isAny(classNew, classOld) && !r.at(k+1).is(classPart) && !r.owner0(k-1):
		m.new, m.old = r.at(k-1).is(classNew), r.at(k-1).is(classOld)
		m.first = k - 1
		src, ok := r.antecedent(k, r.itemText(k) == "ones", false)
		for i := len(r.ments) - 1; i >= 0; i-- { // "old anchor removed, new one sewn down"
			if o := &r.ments[i]; !o.pron && !o.neg && (o.old && m.new || o.new && m.old) {
				src, ok = *o, true
				break
			}
		}
		if !ok {
			return m, false
		}
		src.side, src.count, src.id, src.old, src.new = "", 0, identity{}, m.old, m.new
		return r.standIn(m, src), true
	case it.is(classSidel) && r.itemKind(k) == tokWord && (k == 0 || r.boundary(k-1) > 0) && r.at(k+1).is(classAct) && !r.at(k+1).isAny(classPart, classPlace) && r.at(k+1).as(classAct).form != formActive && !r.owner0(k): // "L untouched"
		src, ok := r.antecedent(k, false, true)
		if !ok || !leadLike(&src) {
			return m, false
		}
		m.side = implant.Side(it.as(classSidel).value)
		src.count = 0
		return r.standIn(m, src), true
	case r.itemText(k) == "one" && r.at(k-1).is(classDet) && r.at(k+1).is(classSide) && !r.owner0(k): // "the one on the left"
		src, ok := r.antecedent(k, false, true)
		if !ok || !leadLike(&src) {
			return m, false
		}
		m.first, m.last, m.definite, m.side = k-1, k+1, true, implant.Side(r.at(k+1).as(classSide).value)
		src.count = 0
		return r.standIn(m, src), true
	case it.isAny(classSide, classOtherOne, classNum) && r.elliptic(k):
		if e := it.as(classSide); e != nil {
			m.side = implant.Side(e.value)
		} else if e := it.as(classNum); e != nil && !it.is(classOtherOne) {
			m.count, _ = strconv.Atoi(e.value)
			m.plural = m.count > 1
		} else {
			r.setOrdinal(&m, k)
		}
		if r.at(k - 1).is(classDet) {
			m.first = k - 1
			m.definite = true
		}
		if r.itemText(k+1) == "one" {
			m.last = k + 1
		}
		src, ok := r.antecedent(k, false, true)
		if !ok {
			return m, false
		}
		return r.standIn(m, src), true
	}
	return m, false
}

// pronounHere says whether the pronoun at k stands alone and not before a noun.
func (r *reader) pronounHere(k int) bool {
	switch r.itemText(k) {
	case "it", "they", "them":
		return true
	}
	if r.owner0(k) {
		return false
	}
	n := r.at(k + 1)
	return n.isAny(classAux, classAct, classNeg, classHave, classSep, classPrep, classUnable, classGone) && !n.is(classPart) || k+1 >= len(r.items) || r.itemKind(k+1) == tokPunct || r.bareAdverb(k+1)
}

// owner0 says whether item k was already taken into a mention of this sentence.
func (r *reader) owner0(k int) bool {
	n := len(r.ments)
	return n > 0 && r.ments[n-1].last >= k
}

// elliptic says whether a side, number or ordinal at k is followed by a verb and not by a noun.
func (r *reader) elliptic(k int) bool {
	n := r.at(k + 1)
	det := r.at(k - 1).is(classDet)
	if r.itemText(k+1) == "one" && !r.at(k+2).is(classPart) && !r.bare(k+2) {
		return det || k == 0
	}
	verb := n.isAny(classAux, classAct, classUnable) && !n.isAny(classPart, classPlace) || r.itemText(k+1) == "did"
	if n.is(classAct) && n.as(classAct).form == formParticiple && r.at(k+2).is(classPart) {
		verb = false
	}
	if r.at(k).is(classSide) {
		return det && verb
	}
	return verb && (det || k == 0 || r.boundary(k-1) > 0 || r.mark(k-1) == ':')
}

// pronoun resolves "it", "they", "both", "the latter".
func (r *reader) pronoun(m mention, k int) (mention, bool) {
	word := r.itemText(k)
	if word == "it" && r.expletive(k) {
		return m, false
	}
	plural := word == "they" || word == "them" || word == "both" || word == "these" || word == "those" || word == "all" || word == "each"
	if word == "both" {
		m.count = 2
	}
	var src mention
	var ok bool
	if word == "component" && r.at(k-1).isAny(classOld, classNew) && len(r.past) > 0 { // "Old component: ..." of a form
		for i := range r.past {
			if src = r.past[i]; !src.system && !src.vague {
				break
			}
		}
		src.id, src.side, src.count = identity{}, "", 0
		m.old, m.new, m.first = r.at(k-1).is(classOld), r.at(k-1).is(classNew), k-1
		return r.standIn(m, src), true
	}
	switch word {
	case "which", "who":
		src, ok = r.prevMention(k)
	case "former", "the former":
		src, ok = r.ofPair(false)
	case "latter", "the latter":
		src, ok = r.ofPair(true)
	case "everything", "all components", "all parts", "components", "component", "all hardware", "all implanted hardware", "all implanted material", "all system components", "entire construct", "the components", "all foreign material":
		return mention{first: k, last: k, head: k, kind: implant.Generator, system: true, vague: true, plural: true, sent: r.sentNo,
			tok0: r.items[k].first, tok1: r.items[k].last, words: word}, true
	default:
		if word == "all" && r.spokeOfBoth() {
			return mention{first: k, last: k, head: k, kind: implant.Generator, system: true, vague: true, plural: true, pron: true, sent: r.sentNo, from: r.sentNo,
				tok0: r.items[k].first, tok1: r.items[k].last, words: word}, true
		}
		src, ok = r.antecedent(k, plural, false)
	}
	if !ok {
		return m, false
	}
	m.plural = plural
	return r.standIn(m, src), true
}

// spokeOfBoth says whether the last sentences spoke of a generator and of leads, so that "all" is the whole system.
func (r *reader) spokeOfBoth() bool {
	gen, lead := false, false
	for i := range r.past {
		gen = gen || r.past[i].kind == implant.Generator
		lead = lead || r.past[i].kind == implant.Lead
	}
	return gen && lead
}

// expletive says whether "it" at k stands for nothing: "it was decided", "it is possible".
func (r *reader) expletive(k int) bool {
	for p := k + 1; p <= k+3 && p < len(r.items); p++ {
		it := r.at(p)
		if it.isAny(classPlan, classUnable, classMaybe, classProb) && !it.is(classAct) && p > k+1 {
			return true
		}
		switch r.itemText(p) {
		case "clear", "noted", "possible", "apparent", "felt", "important", "agreed", "decided", "advisable", "necessary", "difficult", "hoped", "written", "safe":
			return true
		}
		if it.is(classAct) {
			return false
		}
	}
	return false
}

// standIn makes the mention that a pronoun stands for.
func (r *reader) standIn(m, src mention) mention {
	m.kind, m.system, m.vague, m.piece = src.kind, src.system, src.vague, src.piece
	m.words = src.words
	m.scope = src.scope
	m.from = max(src.sent, src.from)
	if m.side == "" && !m.other && m.ordinal == 0 {
		m.other, m.ordinal = src.other, src.ordinal
		if m.count == 0 {
			m.count = src.count
		}
		if src.side != "" || src.other || src.ordinal != 0 {
			m.side = src.side
			m.id = src.id
			m.old, m.new = src.old, src.new
		}
	}
	m.tok0, m.tok1 = r.items[m.first].first, r.items[m.last].last
	if m.side == "" && !m.other && m.ordinal == 0 && m.count == 0 {
		m.side = src.side
		m.count = src.count
		m.id = src.id
		m.old = src.old
		m.new = src.new
	}
	if m.count == 0 && m.plural {
		m.count = src.count
	}
	return m
}

// antecedent finds the mention that a pronoun or an ellipsis at item k means: the nearest one that fits, first in
// this sentence, then in those before; for an ellipsis with a side or ordinal a lead comes before a generator.
func (r *reader) antecedent(k int, plural, ellipsis bool) (mention, bool) {
	fits := func(m *mention, strict bool) bool {
		if m.neg || m.kind == "" {
			return false
		}
		if strict && (m.prep != "" || m.kind == implant.Anchor || m.kind == implant.Adaptor) {
			return false
		}
		if ellipsis {
			return !strict || m.kind == implant.Lead || m.kind == implant.Extension || m.kind == implant.Catheter
		}
		return !strict || (m.plural || m.count > 1) == plural
	}
	for i := len(r.ments) - 1; i >= 0 && ellipsis; i-- { // "one anchor ..., the other ..."
		if m := &r.ments[i]; m.head < k && (m.count == 1 || m.ordinal != 0) && fits(m, false) && m.prep == "" {
			return *m, true
		}
	}
	agrees := func(m *mention) bool {
		return fits(m, false) && (ellipsis || (m.plural || m.count > 1) == plural) && m.kind != implant.Anchor && m.kind != implant.Adaptor
	}
	for _, reach := range [2]int{1, 3} { // what is near and fits loosely comes before what is far
		for pass := range 2 {
			ok := func(m *mention) bool {
				if pass == 0 {
					return fits(m, true)
				}
				return !ellipsis && agrees(m)
			}
			for i := len(r.ments) - 1; i >= 0; i-- {
				if r.ments[i].head < k && ok(&r.ments[i]) {
					return r.ments[i], true
				}
			}
			for i := range r.past {
				if r.sentNo-r.past[i].sent > reach && !(ellipsis && reach == 3) {
					continue
				}
				if ok(&r.past[i]) {
					return r.past[i], true
				}
			}
		}
	}
	for i := len(r.ments) - 1; i >= 0; i-- {
		if r.ments[i].head < k && fits(&r.ments[i], false) {
			return r.ments[i], true
		}
	}
	for i := range r.past {
		if r.sentNo-r.past[i].sent > 3 && !ellipsis {
			break
		}
		if fits(&r.past[i], false) {
			return r.past[i], true
		}
	}
	return mention{}, false
}

// prevMention gives the mention just before item k in this sentence.
func (r *reader) prevMention(k int) (mention, bool) {
	for i := len(r.ments) - 1; i >= 0; i-- {
		if r.ments[i].head < k {
			return r.ments[i], true
		}
	}
	return r.antecedent(k, false, false)
}

// ofPair resolves "the former" and "the latter": the last two mentions of one kind that differ in side or order.
func (r *reader) ofPair(latter bool) (mention, bool) {
	var seq []mention
	for i := len(r.ments) - 1; i >= 0; i-- {
		if !r.ments[i].pron || r.ments[i].side != "" && r.itemText(r.ments[i].head) != "former" && r.itemText(r.ments[i].head) != "latter" {
			seq = append(seq, r.ments[i])
		}
	}
	seq = append(seq, r.past...)
	for i, a := range seq {
		if a.side == "" && a.ordinal == 0 {
			continue
		}
		for _, b := range seq[i+1:] {
			if b.kind == a.kind && (b.side != a.side && b.side != "" || b.ordinal != a.ordinal && b.ordinal != 0) {
				if latter {
					return a, true
				}
				return b, true
			}
		}
	}
	if len(seq) == 0 {
		return mention{}, false
	}
	if latter || len(seq) == 1 {
		return seq[0], true
	}
	return seq[1], true
}

// borrow adds a mention of this sentence that stands for one said before, at the act that needs it.
func (r *reader) borrow(src mention, k int) int {
	m := mention{first: k, last: k, head: k, pron: true, sent: r.sentNo, plural: src.plural}
	m = r.standIn(m, src)
	if r.labelSide != "" && leadLike(&m) {
		m.side = r.labelSide
	}
	r.ments = append(r.ments, m)
	return len(r.ments) - 1
}
