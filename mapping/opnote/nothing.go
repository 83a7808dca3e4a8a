package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// emitNothing reads what says that nothing was put in or is left: "nothing was left in the patient", "nil in situ".
func (r *reader) emitNothing(s sentence, sc *sentScope) {
	if sc.other != "" || sc.kinFrom > 0 || sc.base != ScopeCurrent && sc.base != ScopeHistory {
		return
	}
	for k := range r.items {
		if w := r.itemText(k); w == "no such thing" || w == "never had one" || w == "has none" || w == "there is none" {
			r.deniesLast(s, k)
			return
		}
		if !nothingWord(r.itemText(k)) {
			continue
		}
		last := r.nothingStays(k)
		if last < 0 {
			continue
		}
		m := mention{first: k, last: last, head: k, sent: r.sentNo, tok0: r.items[k].first, tok1: r.items[last].last, kind: implant.Unidentified, neg: true, words: r.itemText(k)}
		d := r.draftOf(s, &m, implant.DeniedPresence, m.tok0, m.tok1)
		d.Scope, d.act, d.Why = ScopeNegated, "nothing", "said of everything: "+r.itemText(k)
		r.keep(d)
		return
	}
}

// deniesLast reads "there has been no such thing": what was last spoken of is denied, against those who spoke of it.
func (r *reader) deniesLast(s sentence, k int) {
	if len(r.past) == 0 || r.sentNo-r.past[0].sent > 2 {
		return
	}
	m := r.past[0]
	m.first, m.last, m.head, m.tok0, m.tok1, m.id = k, k, k, r.items[k].first, r.items[k].last, identity{}
	d := r.draftOf(s, &m, implant.DeniedPresence, m.tok0, m.tok1)
	d.Scope, d.act, d.Why = ScopeNegated, "nothing", "said of what was spoken of before: "+r.itemText(k)
	r.keep(d)
	r.askTokens(implant.AskWordsConflict, "spoken of, and said not to be there", m.tok0, m.tok1, "")
}

// nothingWord says whether w denies everything. Only the short word is asked for: "nothing was left" is one phrase.
func nothingWord(w string) bool {
	return strings.HasPrefix(w, "nothing") || w == "nil" || w == "none"
}

// stayWords behind "nothing" say that it is of what is in the body that there is none.
var stayWords = wordSet("left remain remains remained remaining retained behind inside implanted inserted metal metallic embedded")

// nothingStays gives the last item of "nothing ... left", -1 if the words are about something else.
func (r *reader) nothingStays(k int) int {
	found := -1
	if w := r.itemText(k); strings.HasSuffix(w, "left") || strings.Contains(w, "remain") {
		found = k
	}
	for p := k + 1; p < len(r.items) && p <= k+6 && r.boundary(p) < 2; p++ {
		w := r.itemText(p)
		if found < 0 && r.inMention(p) || w == "but" || exceptWords[w] {
			return -1
		}
		for _, x := range strings.Fields(w) {
			if stayWords[x] || w == "in situ" {
				found = p
			}
		}
		if w == "to" || w == "out" || w == "undone" {
			return -1 // "nothing left to chance"
		}
	}
	return found
}
