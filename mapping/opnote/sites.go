package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// movedTo says whether the place at item k is where a part came from, or where it went, in a sentence that tells of
// a move: "moved from the right buttock to the left flank".
func (r *reader) movedTo(k int) (from, to bool) {
	moved := false
	for i := range r.events {
		moved = moved || r.events[i].act == "reposition" && r.events[i].item < k
	}
	if !moved {
		return false, false
	}
	for p := k - 1; p >= 0 && p >= k-4; p-- {
		switch r.itemText(p) {
		case "from":
			return true, false
		case "to", "into":
			return false, true
		}
	}
	return false, false
}

// pocketWord says whether the sentence speaks of a pocket, or of tunnelling to one.
func (r *reader) pocketWord() bool {
	for k := range r.items {
		if w := r.itemText(k); strings.HasPrefix(w, "pocket") || strings.HasPrefix(w, "tunnel") || strings.HasSuffix(w, "pocket") {
			return true
		}
	}
	return false
}

// siteWords are what a surgeon or nurse has where a part lies.
var siteWords = wordSet("incision incised incising scar scars wound wounds opening opened reopened cut swelling lump dressing palpable ooze discharging sutures clips staples dissection")

// siteWord says whether the sentence speaks of a wound, a scar or a lump, and not of pain at item k.
func (r *reader) siteWord(k int) bool {
	if r.itemText(k+1) == "pain" || r.itemText(k-1) == "pain" {
		return false
	}
	for p := range r.items {
		if r.inSet(int(r.items[p].first), siteWords) {
			return true
		}
	}
	return false
}

// looseSite is a pocket or region that no generator or pump of its sentence takes.
type looseSite struct {
	kind       implant.Kind // the part whose pocket it is, "" not said
	side       implant.Side
	pocket     string
	tok0, tok1 int32
	isPocket   bool
	isSite     bool // an incision, scar or wound there
}

// looseLevel is a level whose lead its sentence does not name.
type looseLevel struct {
	site       implant.Site
	tok0, tok1 int32
}

// looseSiteOf says what a level tells of a lead that the sentence does not name: where it enters or where its tip lies.
func (r *reader) looseSiteOf(sp levelSpan) implant.Site {
	var of *mention
	for i := range r.past {
		if p := &r.past[i]; (p.kind == implant.Lead || p.kind == implant.Catheter) && r.sentNo-p.sent <= 4 {
			of = p
			break
		}
	}
	lead := mention{kind: implant.Lead}
	if of == nil {
		of = &lead
	}
	switch r.levelRole(sp, of) {
	case "entry":
		return implant.Site{Entry: sp.text}
	case "tip":
		return implant.Site{Tip: sp.text}
	}
	if of == &lead || sp.text[0] != 'L' && sp.text[0] != 'S' {
		return implant.Site{}
	}
	return implant.Site{Level: sp.text}
}

// looseIdent keeps an identifier that no part in its sentence owns.
func (r *reader) looseIdent(sp identSpan) {
	if n := len(r.looseID); n > 0 && r.looseID[n-1].id.apart(sp.id) { // "Model TB-410, serial GB099321": one item
		r.looseID[n-1].id.merge(sp.id)
		r.looseID[n-1].tok1 = r.items[sp.last].last
		return
	}
	r.looseID = append(r.looseID, looseIdent{id: sp.id, tok0: r.items[sp.first].first, tok1: r.items[sp.last].last})
}

// needleBefore says whether a needle is what is brought to the level at item k: no part stands between.
func (r *reader) needleBefore(k int) bool {
	for p := k - 1; p >= 0 && p >= k-14; p-- {
		if r.boundary(p) == 2 || r.inMention(p) {
			return false
		}
		switch r.itemText(p) {
		case "needle", "needles", "tuohy", "introducer", "cannula":
			return true
		}
	}
	return false
}

// cutLast parts the last word of a phrase from those before it.
func cutLast(s string) (before, last string) {
	if i := strings.LastIndexByte(s, ' '); i >= 0 {
		return s[:i], s[i+1:]
	}
	return "", s
}
