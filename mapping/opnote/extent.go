package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// extent reads how much of a part came out, from the words of the act's own stretch.
func (r *reader) extent(ev *event, m *mention) (partly, whole bool) {
	partly = m.partly && !m.pron || m.piece && r.removesPiece(m)
	switch _, last := cutLast(r.itemText(ev.item)); last {
	case "whole", "intact", "entire", "toto", "completely", "entirely":
		whole = true
	}
	for p := ev.segL; p < len(r.items); p++ {
		it := r.at(p)
		if p > ev.item && exceptWords[r.itemText(p)] && r.pieceAfter(p) {
			return true, false
		}
		if p > ev.item && (r.boundary(p) == 2 || it.is(classAct) && !r.inMention(p) && it.as(classAct).value != ev.act && it.as(classAct).value != "check") {
			break
		}
		if p > ev.item && r.inMention(p) && r.ments[r.owner[p]].first == p && !r.ments[r.owner[p]].pron && r.ments[r.owner[p]].prep == "" && !r.argOf(ev, int(r.owner[p])) && r.boundary(p-1) > 0 {
			break // words about the next part
		}
		if p < ev.item && it.is(classWhole) && r.wholeOfOther(p, m) {
			continue // "pump and entire catheter explanted"
		}
		if r.withTip(p) || it.is(classWhole) && !r.contactsOnly(p) && !(boxed(m.kind) && (p > ev.item+3 || p < ev.item-3)) && !r.at(p-1).is(classNeg) && !(r.itemText(p) == "complete" && r.at(p+1).is(classPart)) && !(p < ev.item && r.itemText(p) == "intact") {
			whole = true
		}
		if it.is(classPartly) && !r.inMention(p) && (p > ev.item && p <= ev.item+2 || p == ev.item-1) {
			partly = true
		}
	}
	return partly, whole && !partly
}

// wholeOfOther says whether "entire" at item p belongs to a part named behind it that is not m.
func (r *reader) wholeOfOther(p int, m *mention) bool {
	switch r.itemText(p) {
	case "entire", "whole", "complete", "intact":
	default:
		return false
	}
	for i := range r.ments {
		if o := &r.ments[i]; o.head > p {
			return o != m && o.first <= p+3
		}
	}
	return false
}

// argOf says whether the act is done to mention i.
func (r *reader) argOf(ev *event, i int) bool {
	for _, a := range ev.args {
		if a == i {
			return true
		}
	}
	return false
}

// withTip says whether item k is the tip in "with its tip", "with tips".
func (r *reader) withTip(k int) bool {
	if !r.at(k).is(classAspect) || r.at(k+1).is(classLevelcue) || r.itemText(k+1) == "at" {
		return false
	}
	p := k - 1
	if r.at(p).is(classDet) {
		p--
	}
	return r.itemText(p) == "with" || r.itemText(p) == "including"
}

// exceptWords take something away from what came out.
var exceptWords = map[string]bool{"except": true, "apart from": true, "aside from": true, "save for": true, "other than": true, "with the exception of": true, "minus": true, "bar": true, "but": true, "less": true, "without": true}

// pieceAfter says whether a piece, an end or a length of the part follows item k, and not another part.
func (r *reader) pieceAfter(k int) bool {
	for p := k + 1; p < len(r.items) && p <= k+6; p++ {
		it := r.at(p)
		if it.is(classPart) || it.is(classAux) || it.is(classAct) && !it.isAny(classAspect, classPartly) {
			return false
		}
		if it.isAny(classAspect, classPartly) || it.is(classDose) {
			return true
		}
	}
	return false
}

// removesPiece says whether taking out the piece is taking out a part of a part that is otherwise there.
func (r *reader) removesPiece(m *mention) bool { return !m.old }

// withdrawnOut says whether "withdrawn" means out of the body here.
func (r *reader) withdrawnOut(ev *event, m *mention) bool {
	for i := range r.events {
		if o := &r.events[i]; o.item > ev.item && (o.act == "advance" || o.act == "reposition") && len(o.args) > 0 && r.argOf(ev, o.args[0]) {
			return false
		}
	}
	if w := r.itemText(ev.item); strings.HasSuffix(w, "back") || strings.HasSuffix(w, "down") || strings.HasPrefix(w, "retract") {
		_, whole := r.extent(ev, m)
		return whole
	}
	for p := ev.item + 1; p < len(r.items) && p <= ev.item+5 && r.boundary(p) == 0; p++ {
		if r.at(p).is(classDose) {
			return false
		}
	}
	_, whole := r.extent(ev, m)
	return whole || r.explant || r.titleActs
}

// packageWords are what a new part comes in.
var packageWords = wordSet("box boxes packaging package packet packing tray container blister wrapper wrapping carton pouch")

// fromPackage says whether the part only came out of its packaging.
func (r *reader) fromPackage(ev *event) bool {
	for p := ev.item + 1; p < len(r.items) && p <= ev.item+6 && r.boundary(p) == 0; p++ {
		if packageWords[r.itemText(p)] && (r.itemText(p-1) != "pouch" && r.itemText(p) != "pouch" || r.itemText(p-1) == "sterile") {
			return true
		}
	}
	return false
}

// fromHeader says whether a lead only came out of the generator it was plugged into.
func (r *reader) fromHeader(ev *event, m *mention) bool {
	if m.kind != implant.Lead && m.kind != implant.Extension && m.kind != implant.Catheter {
		return false
	}
	for p := ev.item + 1; p < len(r.items) && p <= ev.item+6 && r.boundary(p) < 2; p++ {
		switch r.itemText(p) {
		case "from", "out of", "off":
		default:
			if w := r.itemText(p - 1); p != ev.item+1 || !strings.HasSuffix(w, " from") && !strings.HasSuffix(w, "out of") {
				continue
			}
			p--
		}
		for q := p + 1; q <= p+4 && q < len(r.items); q++ {
			if r.at(q).is(classPart) && r.inMention(q) {
				k := r.ments[r.owner[q]].kind
				return k == implant.Generator || k == implant.Pump || k == implant.Adaptor || k == implant.Extension && r.ments[r.owner[q]].kind != m.kind
			}
			switch r.itemText(q) {
			case "header", "port", "ports", "headers", "connector", "connectors", "socket", "sockets":
				return true
			}
		}
		return false
	}
	return false
}
