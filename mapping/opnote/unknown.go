package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// deviceActs are words that are said of what is left in a body, whatever it is called, with the kind of part that they
// are said of when the note does not tell.
var deviceActs = map[string]implant.Kind{"implanted": implant.Unidentified, "reimplanted": implant.Unidentified, "re implanted": implant.Unidentified, "internalised": implant.Unidentified,
	"internalized": implant.Unidentified, "capped": implant.Lead, "left in situ": implant.Unidentified, "remains in situ": implant.Unidentified}

// emitUnknown keeps a part that goes by a name the lexicon does not hold, where the act is one that is only done to
// parts: "nerve zapper implanted 2022". Doubt counts as presence.
func (r *reader) emitUnknown(s sentence, sc *sentScope, from int) {
	if sc.other != "" || sc.kinFrom > 0 || r.inTitle {
		return
	}
	for i := range r.events {
		ev := &r.events[i]
		kind, ok := deviceActs[r.itemText(ev.item)]
		lay := layThing(r, ev)
		if !ok && lay {
			kind, ok = implant.Unidentified, true
		}
		if !ok || len(ev.args) > 0 || len(ev.obliq) > 0 || ev.neg || ev.scope != ScopeCurrent && ev.scope != ScopeHistory || !lay && (r.toldHere(from) || r.notDevice(ev)) {
			continue
		}
		if kind == implant.Lead {
			kind = r.conductorBefore()
		}
		first := ev.item
		for first > ev.segL && r.bare(first-1) {
			first--
		}
		m := mention{first: first, last: ev.item, head: ev.item, sent: r.sentNo, tok0: r.items[first].first, tok1: r.items[ev.item].last, kind: kind, cert: implant.Possible, words: r.text[r.toks[r.items[first].first].start:r.toks[r.items[ev.item].last].end]}
		if len(r.loose) == 1 {
			m.side, m.pocket = r.loose[0].side, r.loose[0].pocket
		}
		d := r.draftOf(s, &m, implant.PresentByWord, m.tok0, m.tok1)
		d.Scope, d.act, d.weak, d.At = ev.scope, "net", true, r.actDate(ev, sc)
		d.Why = "something is said to be in that goes by no known name: " + r.itemText(ev.item)
		r.keep(d)
		return
	}
}

// layThings are what patients call a part that they have no name for.
var layThings = wordSet("thing things something gizmo contraption device machine")

// layThing says whether the act puts in, sews in or leaves such a thing: "tens thing sewn in".
func layThing(r *reader, ev *event) bool {
	switch ev.act {
	case "implant", "in", "secure", "leave":
	default:
		return false
	}
	for p := ev.item - 1; p >= ev.segL && p >= ev.item-4; p-- {
		if layThings[r.itemText(p)] {
			return true
		}
	}
	return false
}

// notDevice says whether the words before the act name something that is no implant.
func (r *reader) notDevice(ev *event) bool {
	for p := ev.segL; p < ev.item; p++ {
		if notImplanted[r.itemText(p)] && r.itemText(p) != "patient" && r.itemText(p) != "she" && r.itemText(p) != "he" || r.at(p).isAny(classExternal, classTool, classNegdet) {
			return true
		}
	}
	return false
}

// toldHere says whether a draft of this sentence tells of a part's fate already.
func (r *reader) toldHere(from int) bool {
	for i := from; i < len(r.drafts); i++ {
		switch k := r.drafts[i].Kind; {
		case presence[k], fateKinds[k], removalKinds[k], k == implant.DeniedPresence, k == implant.Wasted, k == implant.Planned:
			return true
		}
	}
	return false
}

// conductorBefore gives the kind of the lead, extension or catheter that the note last spoke of.
func (r *reader) conductorBefore() implant.Kind {
	for i := range r.past {
		if k := r.past[i].kind; k == implant.Lead || k == implant.Extension || k == implant.Catheter {
			return k
		}
	}
	return implant.Lead
}

// drugWords beside a box or a machine say that it is a pump.
var drugWords = wordSet("drip drips dripping drug drugs medicine medicines medication morphine baclofen ziconotide hydromorphone refill refills refilled topped")

// boxOfDrugs reads a box, a machine or a device that gives a drug as a pump.
func (r *reader) boxOfDrugs() {
	box := -1
	for i := range r.ments {
		m := &r.ments[i]
		if m.kind == implant.Pump {
			return
		}
		switch w := r.itemText(m.head); {
		case m.kind == implant.Generator && (w == "box" || w == "machine" || w == "gadget" || m.vague || strings.HasSuffix(w, " box")):
			box = i
		}
	}
	if box < 0 {
		return
	}
	for k := r.ments[box].last + 1; k < len(r.items) && k <= r.ments[box].last+8 && (r.boundary(k) < 2 || r.itemText(k) == "that" || r.itemText(k) == "which"); k++ {
		if drugWords[r.itemText(k)] {
			r.ments[box].kind, r.ments[box].system = implant.Pump, false
			return
		}
	}
}
