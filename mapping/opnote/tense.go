package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// dateSeen notes a date and whether it is before the note's own by more than a month, or of another year.
func (r *reader) dateSeen(sc *sentScope, at implant.When) {
	if at == "" {
		return
	}
	sc.date = at
	if r.note.Date == "" {
		if r.noteType != TypeProcedure {
			sc.pastDate = at
		}
		return
	}
	from, _, ok := r.note.Date.Bounds()
	_, to, ok2 := at.Bounds()
	if ok && ok2 && from.Sub(to).Hours() > 24*maxStayDays {
		sc.pastDate = at
	}
}

// maxStayDays is how long before a document's date an act can lie and still be the one the document is about: a
// long hospital stay.
const maxStayDays = 45

// pastAux says whether the auxiliary before the act at k is in the past: "was removed", not "will be removed".
func (r *reader) pastAux(k int) bool {
	for p := k - 1; p >= 0 && p >= k-6; p-- {
		if r.at(p).is(classAux) {
			switch r.itemText(p) {
			case "be", "being", "is", "are":
				return false
			}
			return true
		}
	}
	return false
}

// planCue gives the word that makes the act an intention.
func (r *reader) planCue(ev *event, finite bool) string {
	for p := ev.item - 1; p >= 0; p-- {
		it := r.at(p)
		if it.is(classPlan) && !r.inMention(p) && !it.is(classDone) {
			if finite && r.pastAux(ev.item) && p < ev.item-4 {
				return ""
			}
			return r.itemText(p)
		}
		if it.is(classDone) {
			return ""
		}
		if (r.boundary(p) == 2 || r.mark(p) == '(') && !(r.itemText(p) == "that" && finite && !r.pastAux(ev.item)) {
			break
		}
		if it.is(classAct) && !r.inMention(p) && r.finitePassive(p) && r.pastAux(p) {
			break
		}
		if finite && r.boundary(p) == 1 && p < ev.item-6 {
			break
		}
	}
	if ev.e.form == formNoun {
		if r.at(ev.item - 1).is(classMaybe) {
			return r.itemText(ev.item - 1)
		}
		for p := ev.item + 1; p < len(r.items) && r.boundary(p) < 2 && !(r.at(p).is(classAct) && !r.inMention(p)); p++ {
			if r.at(p).is(classPlan) && !r.inMention(p) {
				return r.itemText(p)
			}
		}
	}
	if p := ev.item - 1; ev.e.form == formNoun && (takesOut[ev.act] || ev.act == "implant") {
		for p >= 0 && (r.at(p).isAny(classDet, classOld, classNew) || r.inMention(p)) {
			p--
		}
		if r.itemText(p) == "for" && (p == 0 || r.boundary(p-1) == 2 || r.mark(p-1) != 0 || !r.account && !r.toldAsDone(p)) {
			return "for"
		}
	}
	if takesOut[ev.act] && r.imperative(ev) {
		return "said as an order: " + r.itemText(ev.item)
	}
	if ev.infin && ev.act != "leave" && !r.doneBefore(ev) {
		return "to " + r.itemText(ev.item)
	}
	return ""
}

// toldAsDone says whether a past verb stands before item k: "was admitted for removal" may well be told of as done.
func (r *reader) toldAsDone(k int) bool {
	for p := k - 1; p >= 0; p-- {
		switch w, _, _ := strings.Cut(r.itemText(p), " "); w {
		case "was", "were", "had", "underwent", "attended", "came", "admitted", "operated", "went", "returned":
			return true
		}
	}
	return false
}

// baseVerbs come before "... out" in an order or an option.
var baseVerbs = wordSet("take get bring have pull want whip lift")

// imperative says whether the act is in the bare form of an order or an option, "take out the lot", in a text that
// is no account of an operation, or after "take", "get", "have".
func (r *reader) imperative(ev *event) bool {
	if ev.act == "out" {
		for p := ev.item - 1; p >= 0 && p >= ev.item-5; p-- {
			if baseVerbs[r.itemText(p)] {
				return true
			}
		}
		return false
	}
	w := r.itemText(ev.item)
	if ev.e.form != formActive || r.documentScope() == ScopeCurrent || strings.Contains(w, "ing") || strings.HasPrefix(w, "took") || strings.HasPrefix(w, "pulled") ||
		strings.HasPrefix(w, "got") || strings.HasPrefix(w, "teased") {
		return false
	}
	verb, _, _ := strings.Cut(w, " ")
	return !strings.HasSuffix(verb, "s") && !r.at(ev.item-1).is(classAgent)
}

// doneBefore says whether the infinitive was carried out: "managed to remove".
func (r *reader) doneBefore(ev *event) bool {
	for p := ev.item - 1; p >= 0 && p >= ev.item-4; p-- {
		if r.at(p).is(classDone) {
			return true
		}
	}
	return false
}

// pastCue gives the word or date that puts the act before the occasion of the note.
func (r *reader) pastCue(ev *event, sc *sentScope) string {
	body := r.noteType == TypeProcedure || r.noteType == TypeDischarge
	if sc.pastDate != "" && (!body || !sc.today) && r.dateBelongs(ev) {
		return string(sc.pastDate)
	}
	for p := ev.item - 1; p >= ev.segL && p >= ev.item-5; p-- {
		if r.at(p).is(classAux) && r.itemText(p) == "had been" && ev.act != "waste" && ev.act != "use" && body && ev.act != "discard" {
			return "had been"
		}
	}
	if !body && ev.e.form == formParticiple && (r.itemText(ev.item-1) == "had" || r.itemText(ev.item-2) == "had") {
		return "had"
	}
	for p := 0; p < len(r.items) && r.speaks(classHist); p++ {
		it := r.at(p)
		if !it.is(classHist) || r.inMention(p) || it.is(classPlan) {
			continue
		}
		if r.strongBetweenAny(p, ev.item) {
			continue
		}
		if w := r.itemText(p); body && (w == "underwent" || w == "has undergone" || w == "s/p") && sc.pastDate == "" {
			continue
		}
		if r.itemText(p) == "previously" && (p < ev.item-3 || p > ev.item+2) {
			continue
		}
		return r.itemText(p)
	}
	return ""
}

// dateBelongs says whether a date stands in the same stretch as the act.
func (r *reader) dateBelongs(ev *event) bool {
	for _, d := range r.dates {
		if d.at != "" && !r.bracketed(d.k, ev.item) && !r.strongBetweenAny(d.k, ev.item) && r.isPast(d.at) && r.owner[d.k] < 0 {
			return true
		}
	}
	return false
}

// bracketed says whether item k stands in brackets that item other is not in: "the lead (2019) was capped".
func (r *reader) bracketed(k, other int) bool {
	open := -1
	for p := k - 1; p >= 0 && p >= k-8; p-- {
		if r.mark(p) == ')' {
			return false
		}
		if r.mark(p) == '(' {
			open = p
			break
		}
	}
	if open < 0 || other > open && other < k {
		return false
	}
	for p := k + 1; p < len(r.items) && p <= k+8; p++ {
		if r.mark(p) == ')' {
			return other < open || other > p
		}
	}
	return false
}

// isPast says whether a date lies clearly before the note's.
func (r *reader) isPast(at implant.When) bool {
	if r.note.Date == "" {
		return r.noteType != TypeProcedure
	}
	from, _, ok := r.note.Date.Bounds()
	_, to, ok2 := at.Bounds()
	return ok && ok2 && from.Sub(to).Hours() > 24*maxStayDays
}
