package opnote

import "gaussline/mapping/implant"

// bareModel reads a model number that stands for a part: "old MV-300 out", "a TB-420 placed".
func (r *reader) bareModel(k int) (mention, bool) {
	if r.items[k].celled || r.row && len(r.ments) > 0 && r.ments[0].id.model == "" && !r.at(k-1).isAny(classOld, classNew) {
		return mention{}, false // the number of the part that heads the row
	}
	if r.at(k-1).is(classIdent) || r.mark(k-1) != 0 && r.at(k-2).is(classIdent) {
		return mention{}, false
	}
	text, last := r.joinedText(k, len(r.items))
	if r.pluggedInto(k) {
		m := mention{first: k - 1, last: last, head: last, sent: r.sentNo, kind: implant.Generator, words: text, indef: r.itemText(k-1) != "the", definite: r.itemText(k-1) == "the"}
		m.id.model = text
		m.tok0, m.tok1 = r.items[m.first].first, r.items[m.last].last
		return m, true
	}
	if n := len(r.ments); n > 0 && r.attributeGap(r.ments[n-1].last+1, k) {
		return mention{}, false
	}
	if n := len(r.ments); n > 0 && (r.openBracket(r.ments[n-1].last+1, k) || r.copula(r.ments[n-1].last+1, k)) {
		return mention{}, false
	}
	for j := last + 1; j < len(r.items) && j <= last+4; j++ {
		if r.at(j).is(classPart) && r.at(j-1).e == nil {
			return mention{}, false
		}
		if r.itemKind(j) == tokPunct || r.at(j).isAny(classAct, classAux, classPrep, classSep) {
			break
		}
	}
	m := mention{first: k, last: last, head: last, sent: r.sentNo, kind: r.modelKind(text, last), words: text}
	m.id.model = text
	for p := k - 1; p >= 0 && p >= k-4; p-- {
		it := r.at(p)
		if it.is(classOld) {
			m.old = true
		} else if it.is(classNew) {
			m.new = true
		} else if it.is(classDet) {
			m.definite = r.itemText(p) == "the"
			m.indef = !m.definite
		} else if !(r.bare(p) && p == k-1) && !it.is(classNum) && r.itemText(p) != "x" && r.itemKind(p) != tokNumber {
			break
		}
		m.first = p
	}
	m.tok0, m.tok1 = r.items[m.first].first, r.items[m.last].last
	return m, true
}

// pluggedInto says whether the model at k, with an article, is what a lead is connected to: "joined to an MV-S30".
func (r *reader) pluggedInto(k int) bool {
	if !r.at(k - 1).is(classDet) {
		return false
	}
	for p := k - 2; p >= 0 && p >= k-3; p-- {
		if e := r.at(p).as(classAct); e != nil && e.value == "connect" {
			return true
		}
		if !r.at(p).is(classPrep) {
			return false
		}
	}
	return false
}

// openBracket says whether a bracket opened at [a,b) is still open at b, with no part, act or verb before it.
func (r *reader) openBracket(a, b int) bool {
	open := false
	for p := max(a, 0); p < b; p++ {
		switch {
		case r.mark(p) == '(':
			open = true
		case r.mark(p) == ')':
			open = false
		case r.at(p).isAny(classPart, classAux) || r.at(p).is(classAct) && !r.at(p).is(classSide):
			open = false
		}
	}
	return open
}

// copula says whether the items [a,b) only say what the part before them is: "the new generator is an MV-520".
func (r *reader) copula(a, b int) bool {
	if b-a < 1 || b-a > 3 || !r.at(a).is(classAux) || r.at(a).is(classAct) {
		return false
	}
	for p := a + 1; p < b; p++ {
		if !r.at(p).is(classDet) && !r.bare(p) {
			return false
		}
	}
	return true
}

// attributeGap says whether only marks, labels, numbers and maker's words lie between a part and its model.
func (r *reader) attributeGap(a, b int) bool {
	for p := a; p < b; p++ {
		it := r.at(p)
		if r.itemKind(p) != tokPunct && !it.isAny(classAct, classAux, classPart, classSep, classTerm, classDet, classPrep) || it.isAny(classIdent, classDose) {
			continue
		}
		switch r.mark(p) {
		case ':', '(', ',', '#', '"', '|', ')', '-':
			continue
		}
		return false
	}
	return b-a <= 9 || r.row
}

// lotBehind says whether a lot number follows item k closely: leads and small parts come by the lot, generators and
// pumps by the serial.
func (r *reader) lotBehind(k int) bool {
	for p := k + 1; p < len(r.items) && p <= k+3; p++ {
		if e := r.at(p).as(classIdent); e != nil {
			return e.value == "lot"
		}
	}
	return false
}

// modelKind gives the kind of part that the note has called by this model before, else what it last spoke of that
// has a model of its own.
func (r *reader) modelKind(model string, last int) implant.Kind {
	if k, ok := r.models[lowerASCII(model)]; ok {
		return k
	}
	if r.levelHere() && len(r.past) > 0 && leadLike(&r.past[0]) && r.past[0].kind != implant.Anchor && r.past[0].kind != implant.Hardware {
		return r.past[0].kind // "new TB-L45 deployed at L3", after the lead that came out
	}
	if by := r.lotBehind(last); by {
		for i := len(r.ments) - 1; i >= 0; i-- {
			if leadLike(&r.ments[i]) {
				return r.ments[i].kind
			}
		}
		for i := range r.past {
			if leadLike(&r.past[i]) {
				return r.past[i].kind
			}
		}
		return implant.Lead
	}
	for i := len(r.ments) - 1; i >= 0; i-- {
		if k := r.ments[i].kind; k == implant.Pump || k == implant.Generator {
			return k
		}
	}
	for i := range r.past {
		if r.past[i].kind == implant.Pump || r.past[i].kind == implant.Generator {
			return r.past[i].kind
		}
	}
	return implant.Generator
}
