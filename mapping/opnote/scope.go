package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// sentScope is what holds for a whole sentence.
type sentScope struct {
	base     string // by section and note type
	why      string
	copied   bool
	today    bool
	other    string
	pastDate implant.When // a date in the sentence that is before the note's
	date     implant.When // any date in the sentence
	sec      string       // kind of the section
	kinFrom  int          // the relative speaks from this item plus one, 0 none
	kinTo    int
	otherWhy string
	otherAt  int // the item that brings in somebody else
}

// others says whether item k is said of somebody else: it stands behind the words that bring them in, or before them in
// the same stretch. What the sentence said before a comma is the patient's.
func (r *reader) others(sc *sentScope, k int) bool {
	if sc.other == "" || k >= sc.otherAt {
		return sc.other != ""
	}
	for p := k + 1; p < sc.otherAt; p++ {
		if r.boundary(p) > 0 {
			return false
		}
	}
	return true
}

// kin says whether item k is said of a relative.
func (sc *sentScope) kin(k int) bool { return sc.kinFrom > 0 && k >= sc.kinFrom-1 && k <= sc.kinTo }

// kinReach gives the last item that is about the relative named at item k: to the end of the clause, or to where
// the patient comes back.
func (r *reader) kinReach(k int) int {
	for p := k + 1; p < len(r.items); p++ {
		switch w := r.itemText(p); {
		case w == "i" || w == "we" || w == "patient" || w == "pt":
			return p - 1
		case (w == "she" || w == "he" || w == "her" || w == "his") && (r.boundary(p-1) > 0 && r.mark(p-1) != '(' || r.mark(p-1) == ':'):
			return p - 1
		case r.boundary(p) == 2 && w != "who" && w != "which" && w != "that" && r.mark(p) != '-':
			return p - 1
		case r.at(p).is(classPrep) && (r.itemText(p+1) == "a" || r.itemText(p+1) == "the") && r.itemText(p) == "in" && !r.hasAux(k, p):
			return p - 1
		}
	}
	return len(r.items) - 1
}

// scopeOf finds what holds for the whole sentence.
func (r *reader) scopeOf(s sentence) sentScope {
	sc := sentScope{base: ScopeCurrent, why: "today's act by the kind of note", sec: s.sec.kind}
	switch s.sec.kind {
	case secHistory:
		sc.base, sc.why = ScopeHistory, "under a history heading"
	case secIndication:
		sc.base, sc.why = ScopeHistory, "under an indication heading"
		if r.accountBegins(s) {
			sc.base, sc.why = ScopeCurrent, "the account of the operation goes on in the paragraph of the indication"
		}
	case secPlan:
		sc.base, sc.why = ScopePlan, "under a plan heading"
	case secConsent:
		sc.base, sc.why = ScopeConsent, "under a consent heading"
	case secCopied:
		sc.base, sc.why, sc.copied = ScopeHistory, "copied from an older note", true
	case secFamily:
		sc.base, sc.why = ScopeFamily, "under a family heading"
	case secOther:
		sc.base, sc.why = ScopeOther, "under a heading for general information"
	case secSocial:
		sc.base, sc.why = ScopeHistory, "under a social heading"
	default:
		if r.noteType != TypeProcedure && r.noteType != TypeDischarge {
			sc.base, sc.why = ScopeHistory, "a letter or report tells what was before"
		}
	}
	for k := 0; k < len(r.items) && (r.speaks(classFamily, classOther, classCopied, classToday) || r.strangers(s)); k++ {
		it := r.at(k)
		switch {
		case it.is(classFamily) && !r.familyAside(k):
			if sc.kinFrom == 0 {
				sc.kinFrom, sc.kinTo = k+1, r.kinReach(k)
			} else if k > sc.kinTo {
				sc.kinTo = r.kinReach(k)
			}
		case it.is(classOther), r.stranger(s, k):
			if r.itemText(k-1) == "in" && strings.HasPrefix(r.itemText(k), "a ") {
				continue // "not in a man on warfarin": the patient
			}
			if sc.other == "" {
				sc.otherAt = k
			}
			sc.other = ScopeOther
			sc.otherWhy = "speaks of others: " + r.itemText(k)
		case it.is(classCopied):
			sc.copied = true
			sc.base, sc.why = ScopeHistory, "copied from an older note: "+r.itemText(k)
		case it.is(classToday):
			sc.today = true
		}
	}
	for _, d := range r.dates {
		r.dateSeen(&sc, d.at)
	}
	if r.copiedPara {
		sc.base, sc.why, sc.copied = ScopeHistory, "copied from an older note", true
	}
	return sc
}

// accountBegins says whether the paragraph that opens with "Indication:" has come to the account of the operation: a
// note without a heading for it, and a sentence after the first that tells of surgery as done, without a date.
func (r *reader) accountBegins(s sentence) bool {
	if r.noteType != TypeProcedure && r.noteType != TypeDischarge || r.hasBody || s.first == s.sec.body {
		return false
	}
	if r.accountIn == s.sec {
		return true
	}
	if r.speaks(classHist, classPlan, classCond, classConsent, classCopied) || len(r.dates) > 0 {
		return false
	}
	if r.noteType == TypeProcedure && r.surgery() {
		r.accountIn = s.sec
		return true
	}
	for i := range r.events {
		ev := &r.events[i]
		switch ev.act {
		case "remove", "out", "implant", "advance", "tunnel", "cut", "cap", "disconnect", "connect", "deliver", "withdraw", "free", "replace", "reposition":
		default:
			continue
		}
		if ev.e.form == formNoun || len(ev.args) == 0 {
			continue
		}
		p := ev.item - 1
		for p >= 0 && (r.bareAdverb(p) || r.itemText(p) == "then") {
			p--
		}
		switch r.itemText(p) {
		case "was", "were", "was then", "were then", "we", "i":
			r.accountIn = s.sec
			return true
		}
		if r.noteType == TypeDischarge && ev.e.form == formParticiple && takesOut[ev.act] && !r.at(p).is(classAux) {
			r.accountIn = s.sec
			return true
		}
	}
	return false
}

// surgeryWords are what only an account of an operation says, as bare participles too: "Pocket opened, capsule excised."
var surgeryWords = wordSet("opened reopened incised excised ellipsed dissected undermined cauterised cauterized fashioned infiltrated irrigated fluoroscopy draped debrided sutured")

// skim looks through a sentence about no part for words of surgery, where an indication may go on to the account.
func (r *reader) skim(s sentence) {
	if s.sec.kind != secIndication || r.noteType != TypeProcedure || r.hasBody || s.first == s.sec.body {
		return
	}
	for i := s.first + 1; i < s.end; i++ {
		if r.toks[i].kind == tokWord && surgeryWords[r.tokText(i)] && r.tokText(i-1) != "not" && r.tokText(i-1) != "had" {
			r.accountIn = s.sec
			return
		}
	}
}

// surgery says whether the sentence tells of surgery in words that no history uses.
func (r *reader) surgery() bool {
	for k := range r.items {
		if surgeryWords[r.itemText(k)] && k > 0 && !r.at(k-1).isAny(classDet, classNeg) && r.itemText(k-1) != "previously" && r.itemText(k-1) != "spontaneously" && r.itemText(k-1) != "had" {
			return true
		}
	}
	return false
}

// persons are words for a person who need not be the patient.
var persons = wordSet("lady man woman gentleman girl boy fellow guy veteran client sufferer neighbour neighbor colleague acquaintance teacher nurse celebrity footballer")

// strangers says whether the sentence may bring in a person who is not the patient.
func (r *reader) strangers(s sentence) bool {
	for k := range r.items {
		if r.stranger(s, k) {
			return true
		}
	}
	return false
}

// stranger says whether item k brings in a person who is not the patient: "a lady on her team", "another man". How
// the patient is brought in, "this is a 60 year old man", is none.
func (r *reader) stranger(s sentence, k int) bool {
	if r.items[k].e != nil || !r.inSet(int(r.items[k].first), persons) || r.sentNo <= 1 {
		return false
	}
	for p := k - 1; p >= 0 && p >= k-3; p-- {
		switch r.itemText(p) {
		case "a", "another", "some":
			q := r.at(p - 1)
			if p > 0 && (q.isAny(classAux, classHave) || r.itemText(p-1) == "as" || r.itemText(p-1) == "this") && r.itemText(p) != "another" {
				return false
			}
			return p > 0 || r.itemText(p) == "another"
		case "old", "year", "pleasant", "this", "the", "fit", "active", "retired":
			return false
		}
	}
	return false
}

// familyAside says whether the relative at k only tells or accompanies: "per her daughter", "with his wife",
// "the husband was told".
func (r *reader) familyAside(k int) bool {
	switch r.itemText(k) {
	case "partner", "spouse", "wife", "husband", "daughter", "son", "mother", "father", "family", "mum", "mom", "dad", "sister", "brother", "parent", "relative", "family member":
	default:
		return false
	}
	for p := k - 1; p >= 0 && p >= k-4; p-- {
		switch r.itemText(p) {
		case "per", "from", "with", "to", "by":
			return true
		}
		if r.at(p).isAny(classPrep) && !r.at(p).is(classDet) {
			return true
		}
		if !r.at(p).isAny(classDet) && !r.bare(p) && r.mark(p) == 0 {
			break
		}
	}
	if r.mark(k+1) == ',' && r.itemText(k+2) == "who" { // "his mother, who came along, has one"
		for p := k + 3; p < len(r.items) && p <= k+10; p++ {
			if r.mark(p) == ',' {
				if w := r.itemText(p + 1); w == "has" || w == "had" || w == "wears" || w == "has a" || w == "had a" || w == "carries" {
					return false
				}
				break
			}
		}
	}
	for p := k + 1; p < len(r.items) && p <= k+3; p++ {
		if speech[r.itemText(p)] {
			return true
		}
		switch r.itemText(p) {
		case "says", "reports", "states", "confirms", "told", "informed", "agrees", "present", "thinks", "believes", "stated", "said", "reported", "brought", "tells", "phoned", "asked", "noticed", "by":
			return true
		}
	}
	return false
}

// speech are verbs of one who tells, asks or comes along.
var speech = wordSet("came rang rings called calls mentions mentioned remembers remembered insists adds added asks wonders wondered corrected explained explains noted brings attended attends accompanied translated interpreting interpreted helps manages knows knew recalls recalled wrote writes confirmed mentioning insisted telephoned disagrees agreed claims claimed denied denies worried worries found finds saw sees charges")

// actScope decides the scope of one act: whose, when and whether it was done.
func (r *reader) actScope(ev *event, sc *sentScope) {
	ev.scope, ev.why = sc.base, sc.why
	if r.others(sc, ev.item) {
		ev.scope, ev.why = sc.other, sc.otherWhy
		return
	}
	if ev.scope == ScopeFamily || ev.scope == ScopeOther {
		return
	}
	if sc.kin(ev.item) {
		ev.scope, ev.why = ScopeFamily, "speaks of a relative"
		return
	}
	ev.neg = r.negated(ev)
	if ev.infin && !ev.neg {
		for p := ev.item - 1; p >= ev.segL && p >= ev.item-6; p-- {
			if r.itemText(p) == "too" { // "too stuck to remove"
				ev.neg, ev.unable = true, true
			}
		}
	}
	if ev.neg {
		ev.why = "negated"
	}
	finite := ev.passive || r.at(ev.item-1).is(classAgent)
	if ev.neg && ev.scope != ScopePlan && ev.scope != ScopeConsent && takesOut[ev.act] {
		return // what is not, or need not be, taken out is there
	}
	if cue := r.reach(ev, classCond, false); cue != "" {
		ev.scope, ev.why = ScopeHypothetical, "conditional: "+cue
		return
	}
	if cue := r.reach(ev, classConsent, true); cue != "" && !finite {
		ev.scope, ev.why = ScopeConsent, "consent: "+cue
		return
	}
	if cue := r.planCue(ev, finite); cue != "" {
		ev.scope, ev.why = ScopePlan, "intended: "+cue
		return
	}
	if sc.sec == secIndication && ev.e.form == formNoun && ev.scope == ScopeHistory && takesOut[ev.act] && !r.doneNoun() {
		ev.scope, ev.why = ScopePlan, "what the operation is for"
		return
	}
	if (ev.scope == ScopePlan || ev.scope == ScopeConsent) && (finite && r.pastAux(ev.item) || ev.e.form == formState || ev.act == "leave") {
		ev.scope, ev.why = r.documentScope(), "stated as done under a plan heading"
	}
	if ev.scope == ScopePlan || ev.scope == ScopeConsent {
		return
	}
	if sc.copied {
		return
	}
	if cue := r.pastCue(ev, sc); cue != "" {
		ev.scope, ev.why = ScopeHistory, "before: "+cue
		return
	}
	if sc.today || ev.scope == ScopeHistory && r.doneHere(ev, sc) {
		ev.scope, ev.why = ScopeCurrent, "done at this visit"
	}
}

// takesOut are the acts that leave less in the body than before.
var takesOut = map[string]bool{"remove": true, "out": true, "withdraw": true, "cut": true, "disconnect": true, "replace": true, "cap": true, "free": true, "reposition": true, "discard": true}

// documentScope is the scope of a plain statement in this kind of document.
func (r *reader) documentScope() string {
	if r.noteType == TypeProcedure || r.noteType == TypeDischarge {
		return ScopeCurrent
	}
	return ScopeHistory
}

// doneHere says whether a letter's plain act is the visit's own: programming always, the rest when the title
// names such a visit.
func (r *reader) doneHere(ev *event, sc *sentScope) bool {
	if r.noteType != TypeClinic || sc.base == ScopeHistory && sc.why == "under a history heading" {
		return false
	}
	switch ev.act {
	case "adjust":
		return true
	case "remove", "withdraw", "out":
		return r.titleActs || ev.e.form == formParticiple && !ev.passive && len(ev.args) > 0 && len(r.dates) == 0 && !r.speaks(classHist) && !r.hearsay() && !r.at(ev.item-1).isAny(classHave, classAux)
	}
	return false
}

// negated says whether the act is denied: a negation between it and the act or clause before, or after an act that
// is named by a noun.
func (r *reader) negated(ev *event) bool {
	for p := ev.item - 1; p >= ev.segL; p-- {
		it := r.at(p)
		if it.is(classPseudoneg) && r.itemText(p) != "nothing else" || r.boundary(p) > 0 && !r.orWord(p) {
			if r.mark(p) == '(' || r.mark(p) == ')' {
				continue
			}
			if r.boundary(p) == 1 && len(ev.args) > 0 && r.listBetween(p, ev) {
				continue
			}
			break
		}
		if it.is(classUnable) {
			ev.unable = true
			return true
		}
		if w := r.itemText(p); (w == "nothing" || w == "nothing else") && ev.act != "leave" {
			return true
		}
		if it.is(classNeg) || it.is(classNegdet) && !r.inMention(p) {
			return true
		}
		if it.is(classAttempt) {
			ev.attempt = true
		}
	}
	if r.negBeforeList(ev) {
		return true
	}
	for _, a := range ev.args {
		if r.ments[a].neg && !ev.elided {
			return true
		}
	}
	return r.negatedAfter(ev)
}

// orWord says whether item p is "or" or "nor".
func (r *reader) orWord(p int) bool { w := r.itemText(p); return w == "or" || w == "nor" }

// listBetween says whether the comma or "and" at p stands inside the list of parts that the act is done to.
func (r *reader) listBetween(p int, ev *event) bool {
	before, after := false, false
	for _, a := range ev.args {
		before = before || r.ments[a].head < p
		after = after || r.ments[a].head > p && r.ments[a].head < ev.item
	}
	return before && after
}

// negBeforeList reads "was not cut or removed": the act before is negated and "or" joins the two.
func (r *reader) negBeforeList(ev *event) bool {
	if r.orWord(ev.item-1) || r.orWord(ev.item-2) {
		for i := range r.events {
			if r.events[i].item < ev.item && r.events[i].item >= ev.item-5 && r.events[i].neg {
				return true
			}
		}
	}
	return false
}

// negatedAfter reads "removal was not possible", "removal: no", "explanted today: [ ] yes [x] no".
func (r *reader) negatedAfter(ev *event) bool {
	for p := ev.item + 1; p < len(r.items) && p <= ev.item+8; p++ {
		it := r.at(p)
		if r.boundary(p) == 2 || r.mark(p) == ',' {
			return false
		}
		if it.is(classAct) && ev.e.form != formNoun && !r.inMention(p) {
			return false
		}
		if r.mark(p) == '[' && lowerASCII(r.itemText(p+1)) == "x" {
			return r.itemText(p+3) == "no"
		}
		if ev.e.form != formNoun {
			if ev.act == "seek" && it.isAny(classUnable, classNeg) {
				ev.unable = true
				return true
			}
			if r.mark(p) == ':' && (r.itemText(p+1) == "no" || r.itemText(p+1) == "none" || r.itemText(p+1) == "nil" || r.itemText(p+1) == "n" && (p+2 >= len(r.items) || r.itemKind(p+2) == tokPunct)) {
				return true
			}
			continue
		}
		if it.is(classUnable) || r.itemText(p) == "abandoned" {
			ev.unable = true
			return true
		}
		if undone[r.itemText(p)] {
			return true
		}
		if it.isAny(classNeg) || r.mark(p) == ':' && r.itemText(p+1) == "no" {
			return true
		}
	}
	return false
}

// undone are words that say of an operation that it did not take place.
var undone = wordSet("postponed cancelled canceled deferred delayed declined refused rescheduled aborted withheld")

// reach looks for a trigger before the act in its clause, up to a strong boundary. stopComma ends the reach at a
// comma that is followed by a finite clause.
func (r *reader) reach(ev *event, c class, stopComma bool) string {
	for p := ev.item - 1; p >= 0; p-- {
		it := r.at(p)
		if it.is(c) && !r.inMention(p) {
			return r.itemText(p)
		}
		if b := r.boundary(p); b == 2 && r.mark(p) != '-' {
			if it.is(classTerm) && c == classCond && r.itemText(p) != "but" && r.itemText(p) != "however" {
				continue
			}
			return ""
		}
		if stopComma && it.is(classAux) && r.at(p+1).is(classAct) && p < ev.item-3 {
			return ""
		}
	}
	return ""
}

// strongBetweenAny is strongBetween in either order, and stops at sentence-parting words too.
func (r *reader) strongBetweenAny(a, b int) bool {
	if a > b {
		a, b = b, a
	}
	for p := a + 1; p < b; p++ {
		if r.boundary(p) == 2 {
			switch r.itemText(p) {
			case "which", "who", "that", "where", "it":
				continue
			}
			return true
		}
	}
	return false
}
