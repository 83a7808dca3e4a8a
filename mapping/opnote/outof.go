package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// A part is only removed if it left the body. "Taken out of the box", "pulled out of its anchor", "off the list" and "out
// for inspection, and back in" are told in the same words.

// bodyWords are what a part can be taken out of that is the body, besides regions, sides, levels and beds.
var bodyWords = wordSet("her him them me you below above behind beneath inside within here there site sites place situ midline both each centre center paravertebral epidural dura thecal sac level levels fascia nerve nerves exit skin side sides end ends service system lead leads under underneath infected old same previous existing cut cuts")

// elsewhere says why an act of taking out may not have been out of the body, "" if nothing says so.
func (r *reader) elsewhere(ev *event, m *mention) string {
	if m.kind == implant.Anchor || m.kind == implant.Adaptor {
		return ""
	}
	if r.backIn(ev) {
		return "it was put back or worked on further"
	}
	for p := ev.item + 1; p < len(r.items) && p <= ev.item+6 && r.boundary(p) < 2; p++ {
		switch w := r.itemText(p); {
		case w == "from" || w == "out of" || w == "off" || w == "of" && r.itemText(p-1) == "out":
			if w := r.outOf(p); w != "" {
				return "out of something else: " + w
			}
			return ""
		case w == "for" && checks[r.itemText(p+1)] || r.at(p).is(classDet) && w == "for" && checks[r.itemText(p+2)]:
			return "out only for " + r.itemText(p+1)
		case w == "temporarily" || w == "briefly" || w == "momentarily":
			return w
		case r.mark(p) != 0 || r.at(p).is(classSep):
			return ""
		}
	}
	return ""
}

// checks are what a part is taken out of its pocket for and goes back after.
var checks = wordSet("inspection cleaning checking testing interrogation examination washing irrigation")

// heaps are what a part lies in the middle of: "a bag of pus".
var heaps = wordSet("bag bed mass pool sea nest cocoon envelope block")

// outOf gives the noun behind the preposition at p if it is no place in the body.
func (r *reader) outOf(p int) string {
	for q := p + 1; q < len(r.items) && q <= p+5; q++ {
		it := r.at(q)
		if it.isAny(classRegion, classSide, classSidel, classPart, classNerve, classNerveword, classLevelword, classSideprone, classAspect) || r.mark(q) != 0 || it.is(classAct) {
			return ""
		}
		if c, _ := r.levelToken(r.firstTok(q)); c != 0 {
			return ""
		}
		known := false
		for _, w := range strings.Fields(r.itemText(q)) {
			known = known || beds[w] || bodyWords[w] || strings.HasPrefix(w, "incision")
		}
		if known {
			return ""
		}
		n := r.at(q + 1)
		if w := r.itemText(q + 1); r.bare(q) && (bodyWords[w] || beds[w] || n.is(classOf) && heaps[r.itemText(q)]) {
			return "" // "the retromastoid cut", "a bag of pus"
		}
		if it.isAny(classDet, classNum, classOld, classNew, classOtherOne) || r.bare(q) && (r.bare(q+1) || n.isAny(classRegion, classPlace, classPart)) {
			continue
		}
		if r.bare(q) || it.isAny(classTool, classPlace, classExternal, classIdent) {
			return r.itemText(q)
		}
		return ""
	}
	return ""
}

// backIn says whether a later act of the sentence puts the same part back, plugs it in, or leaves it.
func (r *reader) backIn(ev *event) bool {
	for i := range r.events {
		o := &r.events[i]
		if o.item <= ev.item || o.neg {
			continue
		}
		back := false
		switch o.act {
		case "connect", "reposition", "advance":
			back = true
		case "implant", "in":
			back = o.elided && r.gapShort(ev.item, o.item)
		}
		if !back {
			continue
		}
		for _, a := range o.args {
			if r.argOf(ev, a) && !(r.ments[a].new && !r.ments[a].old) {
				return true
			}
		}
	}
	return false
}

// gapShort says whether only a few words stand between items a and b.
func (r *reader) gapShort(a, b int) bool { return b-a <= 12 && !r.strongBetween(a, b) }
