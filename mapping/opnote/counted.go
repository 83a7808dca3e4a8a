package opnote

import (
	"strconv"
	"strings"

	"gaussline/mapping/implant"
)

// Contacts that were counted say whether a part came out whole: "all eight electrodes were present", "only 5 of 8
// contacts". They are read only where a removal was just told.

// contactWord says whether item k names the contacts of a lead.
func (r *reader) contactWord(k int) bool {
	w := r.itemText(k)
	return strings.HasPrefix(w, "contact") || strings.HasPrefix(w, "electrode") || strings.HasPrefix(w, "pole") || strings.HasPrefix(w, "band")
}

// contactCount reads contacts counted at item k: n of m, both m for "all".
func (r *reader) contactCount(k int) (n, m int) {
	num := func(p int) int {
		if e := r.at(p).as(classNum); e != nil {
			v, _ := strconv.Atoi(e.value)
			return v
		}
		return max(0, r.smallInt(r.firstTok(p), 64))
	}
	if r.itemText(k) == "all" || r.itemText(k) == "all of" {
		p := k + 1
		if r.at(p).is(classDet) {
			p++
		}
		if v := num(p); v > 1 && r.contactWord(p+1) {
			return v, v
		}
		return 0, 0
	}
	a := num(k)
	if a == 0 || !r.at(k+1).is(classOf) && r.mark(k+1) != '/' && r.toksGap(k+1)&gapSlash == 0 {
		return 0, 0
	}
	p := k + 2
	if r.toksGap(k+1)&gapSlash != 0 {
		p = k + 1
	}
	if r.at(p).is(classDet) {
		p++
	}
	if b := num(p); b > 1 && b >= a && r.contactWord(p+1) {
		return a, b
	}
	return 0, 0
}

// counted applies counted contacts to the last removal of leads: all of them make it whole, fewer a removal in part.
func (r *reader) counted() {
	if r.speaks(classImpval, classImpedance, classUnit, classFunc, classCond) {
		return
	}
	for k := range r.items {
		n, m := r.contactCount(k)
		if m == 0 {
			continue
		}
		for i := len(r.drafts) - 1; i >= 0 && r.sentNo-r.drafts[i].sent <= wholeReach; i-- {
			d := &r.drafts[i]
			if d.Kind != implant.Removed || d.Scope != ScopeCurrent || d.title || d.Component.Kind != implant.Lead || d.noun && d.system {
				continue
			}
			if n == m && d.Value == "" && (d.Component.Count < 2 && !d.plural || d.sent == r.sentNo) {
				d.Value = "whole"
				d.Why += "; its contacts were counted"
			} else if n < m && d.Component.Count < 2 && !d.plural {
				d.Kind, d.Value = implant.RemovedPart, ""
				d.Why += "; contacts are missing"
			}
			break
		}
		return
	}
}

// sideLine reads "Right: clean, all contacts." below the removal of both leads: what it says of the one on that side.
func (r *reader) sideLine(s sentence, sc *sentScope, from int) {
	if r.labelSide == "" || sc.base != ScopeCurrent && r.noteType != TypeClinic || sc.other != "" || r.toldHere(from) {
		return
	}
	src := -1
	for i := from - 1; i >= 0 && r.sentNo-r.drafts[i].sent <= wholeReach; i-- {
		d := &r.drafts[i]
		if d.Kind == implant.Removed && d.Scope == ScopeCurrent && d.Component.Kind == implant.Lead && (d.plural || d.Component.Count > 1) {
			src = i
			break
		}
	}
	if src < 0 {
		return
	}
	whole, part := false, false
	for k := range r.items {
		it := r.at(k)
		whole = whole || it.is(classWhole) && !r.at(k-1).is(classNeg)
		part = part || it.is(classPartly) || missingWords[r.itemText(k)]
		if n, m := r.contactCount(k); m > 0 {
			whole, part = whole || n == m, part || n < m
		}
	}
	if whole == part {
		return
	}
	last := len(r.items) - 1
	m := mention{first: 0, last: last, head: 0, sent: r.sentNo, tok0: r.items[0].first, tok1: r.items[last].last, kind: implant.Lead, side: r.labelSide, words: r.drafts[src].Component.Words}
	d := r.draftOf(s, &m, implant.Removed, m.tok0, m.tok1)
	d.Scope, d.act, d.Value, d.Why = ScopeCurrent, "remove", "whole", "one of the leads taken out before, whole"
	if part {
		d.Kind, d.Value, d.Why = implant.RemovedPart, "", "one of the leads taken out before, and not all of it"
	}
	r.keep(d)
}
