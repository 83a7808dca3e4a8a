package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// An invented removal is the second worst error. What this sentence told as a removal stays one only if nothing in
// it raises a doubt; else the part counts as there and a person is asked.

// doubtRemovals takes back the removals of this sentence that are not plainly stated.
func (r *reader) doubtRemovals(s sentence, sc *sentScope, from int) {
	for i := from; i < len(r.drafts); i++ {
		d := &r.drafts[i]
		if d.Kind != implant.Removed && d.Kind != implant.ReportedGone || !d.factual() {
			continue
		}
		why := r.removalDoubt(s, sc, d)
		if why == "" && d.Kind == implant.ReportedGone && r.hearsay() {
			r.askTokens(implant.AskRemovalDoubtful, "told by hearsay", d.tok0, d.tok1, "")
		}
		if why == "" {
			continue
		}
		d.Kind, d.Value, d.weak, d.Certainty, d.At = implant.PresentByWord, "", true, implant.Possible, ""
		d.Scope = r.documentScope()
		d.Why += "; not taken as a removal: " + why
		r.askTokens(implant.AskRemovalDoubtful, "reads like a removal, but "+why, d.tok0, d.tok1, "")
	}
}

// removalDoubt says why the removal of a draft is not to be believed, "" if it is.
func (r *reader) removalDoubt(s sentence, sc *sentScope, d *draft) string {
	last := s.end - 1
	switch {
	case r.toks[last].mark == '?':
		return "it is asked"
	case sc.kinFrom > 0:
		return "a relative is spoken of"
	case sc.other != "":
		return "somebody else is spoken of"
	case r.speaks(classSlip) && r.anySlipFits():
		return "the sentence holds a likely slip of dictation"
	case d.doubt != "":
		return d.doubt
	case r.toCome(d.At):
		return "its date is after the note's"
	case d.noun && !d.title && r.noteType != TypeProcedure && r.noteType != TypeDischarge && !r.doneNoun():
		return "it is only named"
	case d.pron && r.sentNo-d.from > pronounReach:
		return "it is not clear which part is meant"
	}
	return ""
}

// anySlipFits says whether some word of the sentence may well be a slip.
func (r *reader) anySlipFits() bool {
	for k := range r.items {
		if r.at(k).is(classSlip) && r.slipFits(k) {
			return true
		}
	}
	return false
}

// pronounReach is how many sentences back the part may lie that a removal without a part of its own is about.
const pronounReach = 2

// doneNoun says whether the sentence says that an operation it names took place.
func (r *reader) doneNoun() bool {
	if r.speaks(classHist, classToday, classDone) || len(r.dates) > 0 {
		return true
	}
	for k := range r.items {
		switch r.itemText(k) {
		case "previous", "prior", "previously", "earlier", "old", "former", "past", "after", "following", "post", "since", "performed", "completed", "carried out", "had", "was", "were", "undergone", "done", "interval":
			return true
		}
	}
	return false
}

// toCome says whether a date lies after the note's.
func (r *reader) toCome(at implant.When) bool {
	from, _, ok := at.Bounds()
	_, to, ok2 := r.note.Date.Bounds()
	return at != "" && r.note.Date != "" && ok && ok2 && from.After(to)
}

// hearsay says whether the sentence rests on what somebody says or thinks.
func (r *reader) hearsay() bool {
	if r.speaks(classMaybe) {
		return true
	}
	for k := range r.items {
		switch r.itemText(k) {
		case "tells", "told", "says", "said", "thinks", "per", "reports", "reportedly", "claims", "believes", "remembers", "recalls", "according", "states", "papers", "letter", "understood":
			return true
		}
	}
	return false
}

// eventDoubt says why an act of taking out is not to be believed from the words around it.
func (r *reader) eventDoubt(ev *event) string {
	if ev.act != "remove" && ev.act != "out" && ev.act != "withdraw" && ev.act != "deliver" && ev.act != "discard" {
		return ""
	}
	for p := ev.item - 1; p >= 0; p-- {
		it := r.at(p)
		if b := r.boundary(p); b == 1 || b == 2 && r.itemText(p) != "that" {
			break
		}
		if (it.isAny(classNegdet, classNeg)) && !it.is(classPseudoneg) && !r.ownedBySide(p, ev) {
			return "a denial stands before it"
		}
	}
	past := ev.passive && r.pastAux(ev.item)
	if ev.passive && !past && !r.account && ev.e.form == formParticiple && (ev.act == "remove" || ev.act == "withdraw") {
		return "it is told in the present"
	}
	if ev.e.form == formActive && strings.HasSuffix(r.itemText(ev.item), "ing") {
		for p := ev.item + 1; p < len(r.items) && p <= ev.item+7 && r.boundary(p) < 2; p++ {
			switch w, _, _ := strings.Cut(r.itemText(p), " "); w {
			case "would", "could", "might", "may", "will", "carries", "risks", "means", "requires", "can":
				return "it is weighed and not done"
			}
		}
	}
	for p := ev.item + 1; p < len(r.items) && r.boundary(p) < 2; p++ {
		switch r.itemText(p) {
		case "if", "unless", "whether", "in case", "only if", "should it", "if needed", "if required":
			return "it hangs on a condition"
		case "next week", "next month", "next year", "in due course", "at a later date", "at a later stage", "in future", "in the future", "in the spring", "in the autumn", "in the fall", "in the summer", "in the new year", "tomorrow":
			if !past {
				return "it is still to come"
			}
		}
	}
	return ""
}

// ownedBySide says whether the negation at p belongs to a phrase that does not touch the act: "with no difficulty".
func (r *reader) ownedBySide(p int, ev *event) bool {
	return r.at(p-1).is(classPrep) || r.itemText(p) == "without" || ev.passive && r.bare(p+1) && !r.inMention(p+1)
}
