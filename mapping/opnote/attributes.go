package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// attributes hangs sides, levels, regions, nerves, counts and identifiers on the mentions of the sentence.
func (r *reader) attributes() {
	for k := 0; k < len(r.items); k++ {
		if r.items[k].celled {
			continue
		}
		if sp, ok := r.identAt(k); ok {
			if m := r.identOwner(k); m != nil {
				sp = r.rowSerial(m, sp)
				m = r.ownItem(m, sp)
				r.addIdent(m, sp)
				if d := sp.first - m.last; d > 1 || d < 0 {
					r.aside(m, implant.Described, sp.first, sp.last, implant.Site{}, sp.id)
				}
			} else {
				r.looseIdent(sp)
			}
			k = sp.last
			continue
		}
		if sp, ok := r.levelAt(k); ok {
			r.addLevel(sp)
			k = sp.last
			continue
		}
		it := r.at(k)
		if it.is(classRegion) && !it.is(classSideprone) {
			r.addRegion(k)
			continue
		}
		if e := it.as(classNerve); e != nil {
			if m := r.nearest(k, leadLike); m != nil && m.nerve == "" {
				m.nerve = e.value
			}
			continue
		}
		if n := r.timesAt(k); n > 0 && (r.at(k-1).is(classAct) || r.hasDigit(k-1) && r.itemKind(k) != tokNumber) {
			if m := r.nearest(k-1, func(m *mention) bool { return m.count == 0 && m.head < k }); m != nil && (m.plural || r.row) {
				m.count = n // "Leads implanted x2"
			}
			continue
		}
		if e := r.sideAt(k); e != nil {
			r.addSide(k, implant.Side(e.value))
		}
	}
}

// leadLike says whether a part has levels and nerves.
func leadLike(m *mention) bool {
	return m.kind == implant.Lead || m.kind == implant.Extension || m.kind == implant.Catheter || m.kind == implant.Hardware || m.kind == implant.Anchor
}

// pocketed says whether a part lies in a pocket.
func pocketed(m *mention) bool {
	return m.kind == implant.Generator || m.kind == implant.Pump || m.kind == implant.OtherActive || m.kind == implant.Unidentified
}

// sideAt gives the side at item k if it is a side of a part: not "left leg", not inside a mention, not "left" the
// verb, and a lone L or R only before a place or in brackets.
func (r *reader) sideAt(k int) *entry {
	it := r.at(k)
	e := it.as(classSide)
	if e == nil {
		if e = it.as(classSidel); e == nil || r.toks[it.first].gap&gapHyphen != 0 || r.toks[it.first].gap&gapSlash != 0 && false {
			return nil
		}
		n := r.at(k + 1)
		if !n.isAny(classRegion, classPlace) && !(r.at(k-1).is(classPart) && leadWord(r.at(k-1).as(classPart)) && r.toksGap(k)&gapLine == 0) && r.mark(k+1) != ')' && r.mark(k+1) != '(' && r.mark(k+1) != ':' && r.mark(k+1) != '|' && !(k+1 < len(r.items) && r.toksGap(k+1)&gapTab != 0) && r.mark(k+1) != '+' && r.mark(k-1) != '+' && r.mark(k+1) != '.' && r.mark(k+1) != ',' && k+1 < len(r.items) {
			return nil
		}
	}
	if r.at(k + 1).is(classSideprone) {
		return nil
	}
	return e
}

// leadWord says whether the entry names leads: "Lead R" is the right lead.
func leadWord(e *entry) bool {
	return e.value == string(implant.Lead) || e.value == string(implant.Extension)
}

// addSide hangs a side on the part it belongs to.
func (r *reader) addSide(k int, s implant.Side) {
	if o := r.owner[k]; o >= 0 {
		return // inside a phrase: leftOf has read it
	}
	if r.at(k + 1).is(classRegion) {
		return // the region's
	}
	if s == implant.Left || s == implant.Right { // "R+L", "left and right"
		for _, d := range []int{1, 2} {
			if e := r.sideAt(k + d); e != nil && e.value != string(s) && r.gapOnly(k+1, k+d) {
				s = implant.Bilateral
			}
			if e := r.sideAt(k - d); e != nil && e.value != string(s) && r.gapOnly(k-d+1, k) {
				return
			}
		}
	}
	if m := r.nearest(k, func(m *mention) bool { return m.kind != implant.Anchor || len(r.ments) == 1 }); m != nil {
		if m.side == "" {
			m.side = s
		}
		return
	}
}

// nearest gives the mention that an attribute at item k belongs to: the phrase around it, else the last one before
// it in the same clause, else the first after it.
func (r *reader) nearest(k int, fits func(*mention) bool) *mention {
	if o := r.owner[k]; o >= 0 && fits(&r.ments[o]) {
		return &r.ments[o]
	}
	var before, after *mention
	for i := range r.ments {
		m := &r.ments[i]
		if !fits(m) {
			continue
		}
		if m.head < k {
			if !r.strongBetween(m.head, k) {
				before = m
			}
		} else if after == nil && !r.strongBetween(k, m.head) {
			after = m
		}
	}
	if before != nil && r.mark(k+1) == ',' && r.at(k+2).is(classAux) {
		return before // "the generator, left side, was ..."
	}
	if before != nil && after != nil && r.opensClause(k) {
		return after // ", on the right the lead ..."
	}
	if before != nil {
		return before
	}
	return after
}

// opensClause says whether item k opens a clause after a comma or "and" that goes on to a part of its own.
func (r *reader) opensClause(k int) bool {
	for p := k - 1; p >= 0; p-- {
		if r.boundary(p) > 0 {
			return true
		}
		if !r.at(p).isAny(classPrep, classDet) {
			return false
		}
	}
	return true
}

// addLevel hangs a level on a lead, as nerve, entry, tip or bony level.
func (r *reader) addLevel(sp levelSpan) {
	m := r.nearest(sp.first, leadLike)
	nerve, ok := r.nerveOf(sp)
	if m == nil {
		if site := r.looseSiteOf(sp); site != (implant.Site{}) && !ok {
			r.looseLev = append(r.looseLev, looseLevel{site, r.items[sp.first].first, r.items[sp.last].last})
		}
		return
	}
	switch role := r.levelRole(sp, m); {
	case ok:
		if m.nerve == "" {
			m.nerve = nerve
		}
	case role == "entry":
		r.aside(m, implant.Located, sp.first, sp.last, implant.Site{Entry: sp.text}, identity{})
		if m.entry == "" {
			m.entry = sp.text
		}
	case role == "tip":
		r.aside(m, implant.Located, sp.first, sp.last, implant.Site{Tip: sp.text}, identity{})
		if m.tip == "" {
			m.tip = sp.text
		}
	case m.tip == "" && m.kind == implant.Lead && !m.piece && r.account && r.owner[sp.first] < 0 && (sp.text[0] == 'T' || sp.text[0] == 'C'):
		m.tip = sp.text // a lead put at a level of the canal has its tip there
	case m.level == "":
		m.level = sp.text
	}
}

// nerveOf names the nerve that a level belongs to: "L2 medial branch", "medial branch of the L2 dorsal ramus",
// "L5 DRG".
func (r *reader) nerveOf(sp levelSpan) (string, bool) {
	if strings.HasPrefix(r.itemText(sp.last+1), "drg ") {
		return sp.text + " DRG", true
	}
	if e := r.at(sp.last + 1).as(classNerveword); e != nil {
		name := sp.text + " " + e.value
		if e.value == "dorsal ramus" && r.at(sp.first-1).isAny(classDet, classOf) && r.behindMedialBranch(sp.first) {
			name = "medial branch of the " + name
		}
		return name, true
	}
	k := sp.first - 1
	if r.at(k).is(classOf) {
		if e := r.at(k - 1).as(classNerveword); e != nil {
			return sp.text + " " + e.value, true
		}
	}
	return "", false
}

func (r *reader) behindMedialBranch(k int) bool {
	for p := k - 1; p >= 0 && p >= k-3; p-- {
		if e := r.at(p).as(classNerveword); e != nil {
			return e.value == "medial branch"
		}
	}
	return false
}

// levelRole says whether a level is where a lead enters, where its tip lies, or neither is said. "Advanced to" gives
// the tip of a lead in the canal; at a lumbar level it is where the lead lies.
func (r *reader) levelRole(sp levelSpan, m *mention) string {
	canal := sp.text[0] == 'T' || sp.text[0] == 'C'
	entering := m.kind == implant.Lead || m.kind == implant.Catheter
	for p := sp.first - 1; p >= 0 && p >= sp.first-7; p-- {
		if e := r.at(p).as(classLevelcue); e != nil {
			if e.value == "tip" && !canal && m.kind == implant.Lead && !strings.Contains(r.itemText(p), "tip") && !strings.Contains(r.itemText(p), "top") && r.at(p).is(classAct) {
				return ""
			}
			return e.value
		}
		if r.mark(p) == '(' || r.mark(p) == ';' {
			break
		}
		if c, _ := r.levelToken(int(r.items[p].first)); c != 0 {
			break
		}
		if r.mark(p) == '>' && m.kind == implant.Lead && canal {
			return "tip"
		}
		switch _, last := cutLast(r.itemText(p)); last {
		case "via", "through", "from":
			if entering {
				return "entry"
			}
		case "to":
			if entering && canal {
				return "tip"
			}
		case "tip", "tips":
			if entering && m.aspect {
				return "tip"
			}
		}
	}
	if entering && r.needleBefore(sp.first) {
		return "entry"
	}
	if n := r.at(sp.last + 1); n.is(classLevelcue) && r.itemText(sp.last+1) != "tip" {
		return n.as(classLevelcue).value
	}
	return ""
}

// addRegion hangs a pocket site on a generator or pump, or keeps it for later.
func (r *reader) addRegion(k int) {
	e := r.at(k).as(classRegion)
	var side implant.Side
	first := k
	for p := k - 1; p >= 0 && p >= k-4; p-- {
		it := r.at(p)
		if s := it.as(classSide); s != nil {
			side, first = implant.Side(s.value), p
			break
		}
		if s := it.as(classSidel); s != nil {
			side, first = implant.Side(s.value), p
			break
		}
		if it.isAny(classAct, classSep, classDet) || r.boundary(p) > 0 {
			break
		}
	}
	switch r.itemText(k) {
	case "llq", "luq":
		side = implant.Left
	case "rlq", "ruq":
		side = implant.Right
	}
	if side == "" {
		if s := r.sideAt(k + 1); s != nil && !r.at(k+2).is(classRegion) {
			side = implant.Side(s.value)
		} else if r.mark(k+1) == ',' || r.mark(k+1) == '(' {
			if s := r.sideAt(k + 2); s != nil && k+3 >= len(r.items) || s != nil && r.itemKind(k+3) == tokPunct {
				side = implant.Side(s.value)
			}
		}
	}
	if m := r.nearest(k, pocketed); m != nil {
		if from, to := r.movedTo(first); from {
			return
		} else if to {
			m.pocket, m.side = "", ""
		}
		if m.pocket == "" {
			m.pocket = e.value
		}
		if m.side == "" {
			m.side = side
		}
		r.aside(m, implant.Located, first, k, implant.Site{Side: side, Pocket: e.value}, identity{})
		return
	}
	r.loose = append(r.loose, looseSite{kind: r.pocketOf, side: side, pocket: e.value, tok0: r.items[first].first, tok1: r.items[k].last, isPocket: r.pocketWord(), isSite: r.siteWord(k)})
}

// identOwner gives the mention that an identifier at item k belongs to.
func (r *reader) identOwner(k int) *mention {
	if o := r.owner[k]; o >= 0 {
		return &r.ments[o]
	}
	var before, after *mention
	for i := range r.ments {
		m := &r.ments[i]
		if m.head < k {
			before = m
		} else if after == nil {
			after = m
		}
	}
	if before == nil && after != nil && after.head-k <= 8 {
		return after
	}
	return before
}

// ownItem gives the mention that an identifier goes to: a list of identifiers behind a plural names several items,
// "leads: lot 4411 (left), lot 4412 (right)", and each gets a mention of its own.
func (r *reader) ownItem(m *mention, sp identSpan) *mention {
	if m.id.apart(sp.id) || sp.field == "maker" || sp.field == "expiry" || !m.plural || m.count == 1 || m.kind != implant.Lead && m.kind != implant.Extension || m.prep != "" {
		return m
	}
	if m.id.agrees(sp.id) && (m.id.lot == "" && m.id.serial == "") {
		return m
	}
	of := -1
	for i := range r.ments {
		if &r.ments[i] == m {
			of = i
		}
	}
	c := *m
	c.first, c.last, c.head, c.tok0, c.tok1 = sp.first, sp.last, sp.first, r.items[sp.first].first, r.items[sp.last].last
	c.id, c.side, c.count, c.plural, c.attr = identity{}, "", 1, false, nil
	c.level, c.entry, c.tip, c.nerve = "", "", "", ""
	if m.side == implant.Bilateral {
		m.side = ""
	}
	m.count, m.plural = 1, false
	r.ments = append(r.ments, c)
	for i := range r.events {
		if r.argOf(&r.events[i], of) {
			r.events[i].args = append(append([]int{}, r.events[i].args...), len(r.ments)-1)
		}
	}
	for k := sp.first; k <= sp.last; k++ {
		r.owner[k] = int16(len(r.ments) - 1)
	}
	return &r.ments[len(r.ments)-1]
}

// addIdent puts an identifier on a part. A second serial beside a first stays the first's: it is a question.
func (r *reader) addIdent(m *mention, sp identSpan) {
	if sp.field == "model" && (m.kind == "" || m.count > 1 && m.id.model != "") {
		return
	}
	m.id.merge(sp.id)
	if m.id.model != "" && m.kind != "" && !m.pron {
		r.models[lowerASCII(m.id.model)] = m.kind
	}
	if m.id.maker == "" {
		m.id.maker = r.makerBefore(sp.first)
	}
}

// makerBefore reads "Tarnbeck Devices" before a model or a part: a word that makers' names end in, and the one
// before it.
func (r *reader) makerBefore(k int) string {
	for p := k - 1; p >= 1 && p >= k-3; p-- {
		if r.at(p).is(classMakerword) && r.bare(p-1) {
			return r.text[r.toks[r.items[p-1].first].start:r.toks[r.items[p].last].end]
		}
	}
	// one unknown word between an article or a mark and the model: "(Tarnbeck TB-D16"
	if p := k - 1; p >= 0 && r.bare(p) && len(r.itemText(p)) > 4 && (p == 0 || r.mark(p-1) != 0 || r.at(p-1).is(classDet)) && !describes(r.itemText(p)) && !r.hasDigit(p) {
		return r.text[r.toks[r.items[p].first].start:r.toks[r.items[p].last].end]
	}
	return ""
}

// describes says whether an unknown word has the ending of an adjective, a participle or an adverb.
func describes(w string) bool {
	for _, end := range []string{"er", "ed", "ing", "able", "ible", "al", "ic", "ous", "ive", "ly", "est", "ant", "ent", "sized", "ary"} {
		if strings.HasSuffix(w, end) {
			return true
		}
	}
	return false
}

type looseIdent struct {
	id         identity
	tok0, tok1 int32
}
