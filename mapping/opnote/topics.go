package opnote

import "gaussline/mapping/implant"

func (r *reader) commaBetween(a, b int) bool {
	for p := a; p < b; p++ {
		if r.mark(p) == ',' {
			return true
		}
	}
	return false
}

// findTopic finds the part that heads the line: a first phrase with a dash, colon or bar after it.
func (r *reader) findTopic() {
	r.topic = -1
	if len(r.ments) == 0 {
		return
	}
	m := &r.ments[0]
	for p := 0; p < m.first; p++ {
		if r.mark(p) == 0 && !r.at(p).isAny(classSide, classSidel, classDet, classNum) && r.itemKind(p) != tokNumber {
			return
		}
	}
	for p := m.last + 1; p <= m.last+3; p++ {
		switch r.mark(p) {
		case '-', ':', '|', '=', '>':
			if r.toksGap(p+1) != 0 {
				r.topic = 0
				r.topicStatus(m, p)
			}
			return
		case '(', ')', 0:
		default:
			return
		}
	}
}

// topicStatus reads a cell or a remark that is nothing but "new" or "existing" as the age of the part that heads the
// line.
func (r *reader) topicStatus(m *mention, from int) {
	for p := from + 1; p < len(r.items); p++ {
		if it := r.at(p); r.itemKind(p-1) == tokPunct && (p+1 >= len(r.items) || r.itemKind(p+1) == tokPunct) {
			m.new = m.new || it.is(classNew)
			m.old = m.old || it.is(classOld)
		}
	}
}

// listedAfter gives the parts that are named after an act as what it was done to: "the system was explanted,
// including the generator, both leads and the anchors".
func (r *reader) listedAfter(ev *event) []int {
	system := false
	for _, a := range ev.args {
		system = system || r.ments[a].system || r.ments[a].kind == implant.Hardware
	}
	if !system || ev.act != "remove" && ev.act != "out" && ev.act != "implant" && ev.act != "leave" {
		return nil
	}
	cue := -1
	for p := ev.item + 1; p < len(r.items) && p <= ev.item+6 && cue < 0; p++ {
		switch r.itemText(p) {
		case "including", "includes", "comprising", "consisting of", "incl", "namely", "ie":
			cue = p
		}
		switch r.mark(p) {
		case ':', '-':
			cue = p
		case '(':
			if ev.act != "implant" {
				cue = p
			}
		}
	}
	if cue < 0 {
		return nil
	}
	var out []int
	at := cue + 1
	for i := range r.ments {
		m := &r.ments[i]
		if m.head < cue || m.neg || m.pron || r.argOf(ev, i) {
			continue
		}
		if !r.gapOnly(at, m.first) || r.hasAux(at, m.first) {
			break
		}
		out, at = append(out, i), m.last+1
		if len(out) > maxPeers {
			break
		}
	}
	for p := at; p < len(r.items) && r.boundary(p) < 2; p++ {
		if r.at(p).is(classAux) || r.at(p).is(classAct) && !r.inMention(p) {
			return nil // they have an act of their own
		}
	}
	return out
}

// likewise gives a part that "likewise", "as were", "so did" after an act brings under it.
func (r *reader) likewise(ev *event) []int {
	for i := range r.ments {
		m := &r.ments[i]
		if m.head <= ev.item || m.pron || m.neg || r.argOf(ev, i) {
			continue
		}
		for p := m.first - 1; p > ev.item && p >= m.first-2; p-- {
			switch r.itemText(p) {
			case "likewise", "ditto", "similarly", "as were", "as was", "so were", "so was", "so did", "as did":
				for q := ev.item + 1; q < len(r.items); q++ {
					if it := r.at(q); it.is(classAct) && !r.inMention(q) {
						return nil
					}
				}
				return []int{i}
			}
		}
	}
	return nil
}

// emitStuck reads a part that would not come out or go in, where no act is named: "the left lead would not budge".
func (r *reader) emitStuck(s sentence, sc *sentScope) {
	if !r.speaks(classUnable) || r.noteType != TypeProcedure && r.noteType != TypeDischarge || sc.base != ScopeCurrent || sc.other != "" || sc.kinFrom > 0 {
		return
	}
	for k := range r.items {
		e := r.at(k).as(classUnable)
		if e == nil || e.value == "" || r.at(k-1).is(classCond) {
			continue
		}
		m := r.nearest(k, leadLike)
		if m == nil && r.topic >= 0 && leadLike(&r.ments[r.topic]) {
			m = &r.ments[r.topic]
		}
		if m == nil || m.kind == implant.Hardware || m.neg || r.abandonedHere() {
			if m != nil || len(r.past) == 0 || !leadLike(&r.past[0]) || len(r.ments) > 0 {
				continue
			}
			p := r.past[0]
			m = &p
			m.first, m.last, m.head, m.tok0, m.tok1 = k, k, k, r.items[k].first, r.items[k].last
		}
		d := r.draftOf(s, m, implant.Abandoned, r.items[k].first, r.items[k].last)
		d.Scope, d.act, d.Why = ScopeCurrent, "stuck", "it "+r.itemText(k)
		r.keep(d)
		if e.value == "out" {
			d.Kind, d.weak = implant.LeftInPlace, true
			r.keep(d)
		}
		return
	}
}

// abandonedHere says whether the sentence has told of an attempt given up already.
func (r *reader) abandonedHere() bool {
	for i := len(r.drafts) - 1; i >= 0 && r.drafts[i].sent == r.sentNo; i-- {
		if r.drafts[i].Kind == implant.Abandoned {
			return true
		}
	}
	return false
}
