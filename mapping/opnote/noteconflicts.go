package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// noteConflicts asks what a reader of the whole note would: a title that names another side or count than the text,
// "no implants" beside one, a part told to be gone and seen, an operation that came to nothing.
func (r *reader) noteConflicts() {
	r.titleRemovalConflict()
	r.titleSideConflict()
	r.whichReplaced()
	r.pocketSideConflict()
	r.titleCountConflict()
	r.deniedButHere()
	r.goneButSeen()
	r.replacedHow()
	r.cameToNothing()
	r.swappedDigits()
}

// whichReplaced: a lead was replaced, the note knows of more than one, and nothing says which.
func (r *reader) whichReplaced() {
	left, right, two := false, false, false
	for _, i := range r.byPart[implant.Lead] {
		d := &r.drafts[i]
		if !d.factual() {
			continue
		}
		left, right = left || d.Site.Side == implant.Left, right || d.Site.Side == implant.Right
		two = two || d.Component.Count > 1
	}
	if !two && !(left && right) {
		return
	}
	for _, i := range r.byPart[implant.Lead] {
		d := &r.drafts[i]
		if d.Kind == implant.Exchanged && d.Scope == ScopeCurrent && !d.title && d.act == "replace" && !d.noun && !d.pron && !d.plural && d.Component.Count < 2 && d.Site.Side == "" && d.ordinal == 0 && !d.other && d.Component.Model == "" && d.Component.Lot == "" {
			r.askTokens(implant.AskActionAmbiguous, "which of the leads?", d.tok0, d.tok1, "")
			return
		}
	}
}

// pocketSideConflict: the pocket opened is on one side, the generator worked on is on the other, and nothing moved.
func (r *reader) pocketSideConflict() {
	var opened, worked *draft
	for _, i := range r.byPart[implant.Generator] {
		d := &r.drafts[i]
		if !d.factual() || d.Scope != ScopeCurrent || d.title {
			continue
		}
		switch d.Kind {
		case implant.Repositioned, implant.Exchanged:
			return
		case implant.Located:
			if opened == nil && (d.Site.Side == implant.Left || d.Site.Side == implant.Right) {
				opened = d
			}
		case implant.Removed, implant.Implanted:
			if d.Site.Side == implant.Left || d.Site.Side == implant.Right {
				if worked != nil && (worked.Site.Side != d.Site.Side || worked.Kind != d.Kind) {
					return
				}
				worked = d
			}
		}
	}
	if opened != nil && worked != nil && opened.Site.Side != worked.Site.Side {
		r.askTokens(implant.AskSideConflict, string(opened.Site.Side)+" and "+string(worked.Site.Side), opened.tok0, opened.tok1, "")
		r.askTokens(implant.AskSideConflict, string(opened.Site.Side)+" and "+string(worked.Site.Side), worked.tok0, worked.tok1, "")
	}
}

// workKinds are the acts of the day whose side and number a title would give.
var workKinds = map[implant.FactKind]bool{implant.Implanted: true, implant.Removed: true, implant.RemovedPart: true, implant.Exchanged: true, implant.Repositioned: true,
	implant.WasCut: true, implant.WasCapped: true}

// titleSideConflict: the title names one side alone, the acts of the text are all on the other.
func (r *reader) titleSideConflict() {
	side, start, end := implant.Side(""), 0, 0
	note := func(s implant.Side, a, b int) {
		if side == "" {
			side, start, end = s, a, b
		} else if side != s {
			side = implant.Bilateral
		}
	}
	for _, h := range r.lex.match(tokenise(r.note.Title, r.lex)) {
		if e := h.has(classSide); e != nil {
			note(implant.Side(e.value), 0, 0)
		}
	}
	line := r.titleLine()
	for i := range r.hits {
		h := r.hits[i]
		if int(h.first) >= line {
			break
		}
		if e := h.has(classSide); e != nil {
			note(implant.Side(e.value), int(r.toks[h.first].start), int(r.toks[h.last].end))
		}
	}
	if side != implant.Left && side != implant.Right {
		return
	}
	first := -1
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.title || d.act == "loose" || d.Scope != ScopeCurrent || d.Site.Side == "" || !workKinds[d.Kind] && d.Kind != implant.Located {
			continue
		}
		if d.Site.Side == side || d.Site.Side == implant.Bilateral {
			return
		}
		if first < 0 && d.Site.Side != implant.Midline && int(d.tok0) >= line {
			first = i
		}
	}
	if first >= 0 {
		d := &r.drafts[first]
		r.askTokens(implant.AskSideConflict, "the title says "+string(side)+", the text "+string(d.Site.Side), d.tok0, d.tok1, "")
		if end > 0 {
			r.ask(implant.AskSideConflict, "the title says "+string(side)+", the text "+string(d.Site.Side), start, end, "")
		}
	}
}

// titleLine gives the first token after an opening line that stands apart from the text, 0 if there is none.
func (r *reader) titleLine() int {
	line := r.firstLine()
	if line > 0 && line < len(r.toks) && r.toks[line].gap&gapBlank != 0 {
		return line
	}
	return 0
}

// titleSays says whether the document's title names the act.
func (r *reader) titleSays(act string) bool {
	for _, h := range r.lex.match(tokenise(r.note.Title, r.lex)) {
		if e := h.has(classAct); e != nil && e.value == act {
			return true
		}
	}
	return false
}

// titleCountConflict: the title counts the leads and the text counts others.
func (r *reader) titleCountConflict() {
	want := 0
	title := tokenise(r.note.Title, r.lex)
	for _, h := range r.lex.match(title) {
		if e := h.has(classNum); e != nil {
			want = int(e.value[0] - '0')
			if len(e.value) > 1 {
				want = 0
			}
		} else if e := h.has(classPart); e != nil && want > 1 {
			if kind, _, _, _ := partValue(e); kind == implant.Lead {
				break
			}
			want = 0
		}
	}
	if want < 2 {
		return
	}
	n, at := 0, -1
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.title || d.Component.Kind != implant.Lead || d.Scope != ScopeCurrent || !workKinds[d.Kind] || d.piece {
			continue
		}
		n, at = n+max(1, d.Component.Count), i
	}
	if at >= 0 && r.drafts[at].Component.Count == 1 && n == 1 {
		r.askTokens(implant.AskCountConflict, "the title and the text count differently", r.drafts[at].tok0, r.drafts[at].tok1, "")
	}
}

// inPlace says whether a draft says outright that a part is there.
func (d *draft) inPlace() bool {
	if !d.factual() || d.title || d.Certainty == implant.Possible && d.act != "see" || d.act == "net" {
		return false
	}
	switch d.Kind {
	case implant.PresentByWord, implant.LeftInPlace, implant.WasCapped, implant.WasCut, implant.RemovedPart, implant.Adjusted:
		return d.Component.Kind != implant.Hardware && d.Component.Kind != implant.Anchor && d.Component.Kind != ""
	}
	return false
}

// deniedButHere: "no implants", and one is found.
func (r *reader) deniedButHere() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.DeniedPresence || d.other || d.new || d.piece || d.Component.Kind != implant.Unidentified || strings.Contains(lowerASCII(d.Component.Words), "further") {
			continue
		}
		for j := max(0, i-maxPeers); j < len(r.drafts) && j < i+maxPeers; j++ {
			o := &r.drafts[j]
			if d.act == "nothing" && !(o.stays() && o.Scope == ScopeCurrent) {
				continue // said of the day: what was there before it may be told
			}
			if o.sent == d.sent || !o.inPlace() || o.Component.Kind == implant.Pump {
				continue
			}
			r.askTokens(implant.AskWordsConflict, "denied, and found in the same note", d.tok0, d.tok1, "")
			r.askTokens(implant.AskWordsConflict, "found, and denied in the same note", o.tok0, o.tok1, "")
			return
		}
	}
}

// goneButSeen: told to be removed, and seen.
func (r *reader) goneButSeen() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.ReportedGone || !d.factual() || d.Component.Kind == implant.OtherActive || d.Component.Kind == implant.Hardware {
			continue
		}
		for j := max(0, i-maxPeers); j < len(r.drafts) && j < i+maxPeers; j++ {
			o := &r.drafts[j]
			if o.sent == d.sent || !o.inPlace() || o.Component.Kind == implant.OtherActive {
				continue
			}
			if o.piece || d.system && o.Component.Kind == implant.Lead && r.noteType == TypeImaging {
				r.askTokens(implant.AskWordsConflict, "told to be removed, and some of it is there", d.tok0, d.tok1, "")
				r.askTokens(implant.AskWordsConflict, "there, and told to be removed", o.tok0, o.tok1, "")
				return
			}
		}
	}
}

// replacedHow: "the generator was replaced" in a note that is not about an exchange may mean put back.
func (r *reader) replacedHow() {
	if r.titleSays("replace") || r.note.Type != TypeProcedure {
		return
	}
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Exchanged || d.Scope != ScopeCurrent || d.title || d.noun || d.Component.Model != "" || d.Component.Serial != "" || d.old || d.new {
			continue
		}
		r.askTokens(implant.AskActionAmbiguous, "exchanged, or put back?", d.tok0, d.tok1, "")
		return
	}
}

// cameToNothing: an attempt was given up and nothing else was done.
func (r *reader) cameToNothing() {
	at := -1
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Scope != ScopeCurrent || d.title && d.Kind != implant.Abandoned {
			continue
		}
		if workKinds[d.Kind] {
			return
		}
		if d.Kind == implant.Abandoned && at < 0 {
			at = i
		}
	}
	if at >= 0 && r.noteType == TypeProcedure {
		r.askTokens(implant.AskNotDone, "given up", r.drafts[at].tok0, r.drafts[at].tok1, "")
	}
}

// swappedDigits: two serials in the note that are the same but for two neighbouring characters.
func (r *reader) swappedDigits() {
	var seen []int
	for i := range r.drafts {
		s := r.drafts[i].Component.Serial
		if len(s) < minSwapped || len(seen) >= maxPeers {
			continue
		}
		for _, j := range seen {
			if neighboursSwapped(s, r.drafts[j].Component.Serial) {
				r.askTokens(implant.AskIdentityConflict, "two serials that differ by a swap", r.drafts[i].tok0, r.drafts[i].tok1, "")
				return
			}
		}
		seen = append(seen, i)
	}
}

// minSwapped is the shortest serial that is compared for a swap.
const minSwapped = 5

// neighboursSwapped says whether a is b with one pair of neighbours exchanged.
func neighboursSwapped(a, b string) bool {
	if len(a) != len(b) || a == b {
		return false
	}
	i := 0
	for a[i] == b[i] {
		i++
	}
	return i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
}
