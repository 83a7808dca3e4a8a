package opnote

import "strings"

// bind finds what act i is done to.
func (r *reader) bind(i int) {
	ev := &r.events[i]
	ev.from = r.subjectFrom(i)
	end := ev.segR
	if i+1 < len(r.events) && r.events[i+1].item == ev.segR+1 {
		end = r.subjectFrom(i+1) - 1
	}
	args, obliq := r.split(r.ownMentions(ev.item, end))
	ev.obliq = obliq
	left := r.subjects(ev)
	switch {
	case r.row && r.topic >= 0 && r.cellOf(ev):
		ev.args, ev.elided, ev.foreign = []int{r.oneOfRow(ev)}, true, false
	case ev.e.form == formNoun:
		ev.args = r.nounArgs(ev, left, args)
	case r.takesObject(i):
		ev.args = r.objects(ev, args)
		if len(ev.args) == 0 && !ev.foreign && len(left) > 0 {
			ev.args = left
		}
	default:
		ev.args = left
		if len(left) == 0 && !ev.foreign && !ev.passive && !r.coordinated(i) {
			ev.args = r.objects(ev, args)
		}
	}
	if ev.foreign && len(ev.args) == 0 && !ev.passive && ev.e.form != formNoun && len(args) > 0 && r.objectRightBehind(ev, &r.ments[args[0]]) {
		ev.args, ev.foreign = args, false // "the technician removed one pulse generator"
	}
	if ev.act == "remove" || ev.act == "out" {
		ev.args = r.withoutExcepted(ev)
	}
	if len(ev.args) == 0 && !ev.foreign {
		r.elide(i)
	}
	if len(ev.args) > 0 {
		ev.args = append(ev.args[:len(ev.args):len(ev.args)], r.listedAfter(ev)...)
		ev.args = append(ev.args[:len(ev.args):len(ev.args)], r.likewise(ev)...)
	}
	for _, a := range ev.args {
		r.ments[a].bound = true
	}
}

// objectRightBehind says whether the part stands right behind the act with an article or a number, so that it is what the
// act is done to.
func (r *reader) objectRightBehind(ev *event, m *mention) bool {
	n := r.at(ev.item + 1)
	return m.head <= ev.item+6 && n.isAny(classDet, classNum) && !n.is(classAct) && m.first <= ev.item+1 && !r.at(m.last+1).isAny(classAux, classAct)
}

// oneOfRow gives the part that heads the row, or one of several that it names: "Anchor x2 | one removed".
func (r *reader) oneOfRow(ev *event) int {
	e := r.at(ev.item - 1).as(classNum)
	if e == nil || e.value != "1" || r.ments[r.topic].count < 2 {
		return r.topic
	}
	m := r.ments[r.topic]
	m.count, m.plural = 1, false
	m.first, m.last, m.head = ev.item-1, ev.item-1, ev.item-1
	m.tok0, m.tok1 = r.items[m.first].first, r.items[m.first].last
	r.ments = append(r.ments, m)
	r.ments[r.topic].bound = true
	return len(r.ments) - 1
}

// cellOf says whether the act stands in a cell of a row, behind the part that heads the row, with no part of its own.
func (r *reader) cellOf(ev *event) bool {
	head := &r.ments[r.topic]
	cell := false
	for k := ev.item - 1; k > head.last; k-- {
		if r.mark(k) == '|' || r.toksGap(k+1)&gapTab != 0 {
			cell = true
		}
		if o := r.owner[k]; o >= 0 && !cell {
			return false
		}
	}
	return cell
}

// ownMentions gives the parts between item a and item b, up to one with a verb of its own: "took it out, and the leads
// were dealt with".
func (r *reader) ownMentions(a, b int) []int {
	ms := r.mentionsIn(a, b)
	for i, m := range ms {
		n := r.ments[m].last + 1
		for n <= b && r.bareAdverb(n) {
			n++
		}
		if i > 0 && r.at(n).is(classAux) && !r.at(n).is(classPart) && r.sepBefore(r.ments[m].first, r.ments[ms[i-1]].last) {
			return ms[:i]
		}
	}
	return ms
}

// subjects gives the parts before the act that are its subject, and notes where that is something else.
func (r *reader) subjects(ev *event) []int {
	var out []int
	foreign, joined, depth, open := false, false, 0, 0
	for k := ev.from; k < ev.item; k++ {
		switch r.mark(k) {
		case '(':
			depth++
			open = k
		case ')':
			depth--
		}
		if depth > 0 && r.owner[k] < 0 {
			continue
		}
		if w := r.itemText(k); ev.passive && (strings.HasSuffix(w, "patient") || w == "pt" || w == "she" || w == "he") && r.at(k+1).isAny(classAux) {
			out, foreign = nil, true
			continue
		}
		if r.at(k).is(classSep) || r.mark(k) == '&' || r.mark(k) == '+' {
			joined = true
		}
		if !r.freeNoun(k) {
			continue
		}
		if o := r.owner[k]; o >= 0 {
			if depth > 0 && len(out) > 0 && r.ments[out[len(out)-1]].last < open {
				out = out[:0] // "a lead (generator removed 2020)"
			}
			if len(out) > 0 && (r.ments[o].oneOf() || r.relative(int(o))) {
				out = out[:0] // "extensions: one out, one snapped"
			}
			if !joined && !ev.passive && ev.e.form == formParticiple && len(out) > 0 && r.commaBetween(r.ments[out[len(out)-1]].last, k) {
				out = out[:0] // "hip replacement, wrist plate out": each has a fate of its own
			}
			out = append(out, int(o))
			foreign = false
		} else if len(out) > 0 && (r.at(k-1).is(classDet) || r.at(k-2).is(classDet) && r.at(k-1).isAny(classOld, classNew)) && r.hasAux(r.ments[out[len(out)-1]].last+1, k) && r.sepBefore(k, r.ments[out[len(out)-1]].last) {
			out, foreign = nil, true // "the pump was emptied and the drug taken out"
		} else if len(out) == 0 || !joined && r.sepBefore(k, r.ments[out[len(out)-1]].last) {
			foreign = true
		}
	}
	if foreign && len(out) > 0 { // "IPG in the flank, charger slides off"
		n := ev.item - 1
		for n > ev.from && (r.bareAdverb(n) || r.at(n).isAny(classAux, classNeg)) {
			n--
		}
		if r.thing(n) {
			out = nil
		}
	}
	if len(out) > 0 { // "the lead protector was removed"
		last := r.ments[out[len(out)-1]].last
		if (ev.passive || last+2 == ev.item) && r.thing(last+1) && r.adjacent(last, last+1) && !r.at(last+1).is(classAspect) {
			out, foreign = nil, true
		}
	}
	ev.foreign = foreign && len(out) == 0
	return out
}

// relative says whether mention i is a relative pronoun.
func (r *reader) relative(i int) bool {
	return r.relativeAt(r.ments[i].first)
}

// relativeAt says whether item k is "which", "who" or "that" before a verb.
func (r *reader) relativeAt(k int) bool {
	switch r.itemText(k) {
	case "which", "who":
		return true
	case "that":
		return r.at(k+1).isAny(classAux, classAct, classAgent, classHave)
	}
	return false
}

// objects gives the parts right behind the act; something else there is what it is done to.
func (r *reader) objects(ev *event, args []int) []int {
	n := ev.item + 1
	for n <= ev.segR && (r.at(n).isAny(classDet, classNum, classSide, classSidel, classOld, classNew, classPartly, classOtherOne, classAct) && !r.inMention(n) || r.bareAdverb(n) || r.mark(n) == ':') && !r.thing(n) {
		n++
	}
	if r.thing(n) && !r.modelLike(n) && (len(args) == 0 || r.ments[args[0]].first > n) && !r.inMention(n) {
		if len(args) == 0 || !r.sepBefore(r.ments[args[0]].first, n) || ev.e.form == formParticiple {
			ev.foreign = true
			return nil
		}
	}
	return args
}

// nounArgs binds an act named by a noun: "removal of the lead", "lead removal", "explant IPG".
func (r *reader) nounArgs(ev *event, left, right []int) []int {
	of := r.at(ev.item+1).is(classOf) || len(r.itemText(ev.item)) > 3 && r.itemText(ev.item)[len(r.itemText(ev.item))-3:] == " of"
	if !of && len(left) > 0 {
		last := r.ments[left[len(left)-1]]
		if last.last == ev.item-1 || r.gapOnly(last.last+1, ev.item) {
			k := len(left) - 1
			for k > 0 && r.gapOnly(r.ments[left[k-1]].last+1, r.ments[left[k]].first) {
				k--
			}
			return left[k:]
		}
	}
	if len(right) > 0 && (of || r.ments[right[0]].first <= ev.item+3 && !r.hasAux(ev.item+1, r.ments[right[0]].first) && !r.sepBefore(r.ments[right[0]].first, ev.item)) {
		return right
	}
	if !of && len(left) > 0 {
		return left
	}
	return nil
}

// elide gives an act without a part of its own the part of the act before it, the part that heads its line, or what the
// sentence before was about.
func (r *reader) elide(i int) {
	ev := &r.events[i]
	if ev.e.form == formNoun {
		return
	}
	switch p := r.itemText(ev.item - 1); p {
	case "when", "while", "whilst", "if", "once", "until", "unless", "although", "though":
		return // "tested well when driven": said of what went before, and no act of its own
	}
	if i > 0 {
		if p := &r.events[i-1]; len(p.args) > 0 && !r.strongBetween(p.item, ev.item) {
			for k := max(p.item, r.ments[p.args[len(p.args)-1]].last) + 1; k < ev.item; k++ {
				if r.thing(k) && r.freeNoun(k) && !(k == p.item+1 && p.passive) { // "was found easy and is taken away"
					ev.foreign = true
					return
				}
			}
			ev.args, ev.elided = p.args, true
			ev.piece = ev.act == "leave" && r.pieceAfter(ev.item)
			return
		} else if p.foreign && !r.strongBetween(p.item, ev.item) {
			ev.foreign = true
			return
		}
	}
	if r.topic >= 0 && ev.item > r.ments[r.topic].last {
		ev.args, ev.elided = []int{r.topic}, true
		return
	}
	if ev.e.form == formActive && !r.at(ev.item-1).isAny(classAgent, classSep) {
		return
	}
	if i > 0 && len(r.events[i-1].args) > 0 && r.heads(ev) { // behind a dash or a semicolon
		ev.args, ev.elided = r.events[i-1].args, true
		return
	}
	if r.heads(ev) {
		if m, ok := r.antecedent(ev.item, false, false); ok {
			ev.args, ev.elided = []int{r.borrow(m, ev.item)}, true
		}
	}
}

// heads says whether the act opens its sentence or clause, so that its subject is left out: "Drawn out whole."
func (r *reader) heads(ev *event) bool {
	for p := ev.segL; p < ev.item; p++ {
		it := r.at(p)
		if r.mark(p) == 0 && !it.isAny(classAux, classSep, classNeg, classTerm, classPartly, classWhole, classHist, classToday, classUnable, classDone, classMaybe, classPseudoneg, classAgent) && !r.bareAdverb(p) && !subjectless[r.itemText(p)] {
			return false
		}
	}
	return true
}

// ownSubject says whether the act is done to something that is no part.
func (r *reader) ownSubject(ev *event) bool { return ev.foreign }
