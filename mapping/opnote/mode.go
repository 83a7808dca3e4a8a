package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// setMode reads from the title and the first lines what sort of operation the note is about. It only decides how
// words that leave it open are read: "leads at L3" without a verb, "withdrawn", "advanced".
func (r *reader) setMode() {
	r.noteType = r.note.Type
	if r.noteType == "" || r.noteType == TypeUnknown {
		r.noteType = TypeUnknown
		if r.looksOperative() {
			r.noteType = TypeProcedure
		}
	}
	for i := range r.secs {
		r.hasBody = r.hasBody || r.secs[i].kind == "body" || r.secs[i].kind == secFindings
	}
	r.fusionToday = r.titleFusion()
	in, out, rev, rep := r.titleCounts()
	r.primary = in > 0 && out == 0 && rev == 0 && rep == 0
	r.primary = r.primary || out == 0 && rev == 0 && rep == 0 && r.titleTrial()
	r.explant = out > 0
	r.takingOut = r.takingOut || r.explant
	r.revision = rev > 0 || rep > 0
	r.replacing = rep > 0
	r.titleActs = out > 0
}

// titleTrial says whether the title or the first line is of a trial of stimulation.
func (r *reader) titleTrial() bool {
	says := func(s string) bool {
		return strings.Contains(lowerASCII(s), " trial") || strings.HasPrefix(lowerASCII(s), "trial")
	}
	if says(r.note.Title) {
		return true
	}
	if line := r.firstLine(); line > 0 {
		return says(r.text[:r.toks[line-1].end])
	}
	return false
}

// titleFusion says whether the title or the first line is of a fusion, fixation or joint replacement.
func (r *reader) titleFusion() bool {
	says := func(s string) bool {
		s = lowerASCII(s)
		for _, w := range []string{"fusion", "fixation", "instrument", "plif", "tlif", "alif", "arthroplasty", "replacement of hip", "thr", "tkr"} {
			if strings.Contains(s, w) {
				return true
			}
		}
		return false
	}
	if says(r.note.Title) {
		return true
	}
	if line := r.firstLine(); line > 0 {
		return says(r.text[:r.toks[line-1].end])
	}
	return false
}

// looksOperative says whether a note of no stated type has the headings of an operation note.
func (r *reader) looksOperative() bool {
	for _, s := range r.secs {
		if s.kind == "body" || s.kind == "title" && s.body > s.first {
			return true
		}
	}
	return false
}

// titleCounts counts acts of each sort in the title and the title lines of the note.
func (r *reader) titleCounts() (in, out, rev, rep int) {
	taken := 0 // by a word that says no less
	count := func(h hit) {
		e := h.has(classAct)
		if e == nil {
			return
		}
		switch e.value {
		case "move", "come":
			switch r.tokText(int(h.last) + 1) {
			case "out", "free", "away", "clear":
				out++
			}
		case "implant":
			in++
		case "remove":
			out++
			taken++
		case "out":
			out++
		case "reposition":
			rev++
		case "replace":
			rep++
		}
	}
	title := tokenise(r.note.Title, r.lex)
	for _, h := range r.lex.match(title) {
		count(h)
		if e := h.has(classPart); e != nil && e.row.phrases[0] == "implant" {
			in++
		}
	}
	line := r.firstLine()
	for _, h := range r.hits {
		if int(h.first) >= line {
			break
		}
		count(h)
	}
	for _, s := range r.secs {
		if s.kind == secTitle && s.body > s.first {
			r.hitsIn(max(s.body, line), min(s.end, s.body+maxTitle), count)
		}
	}
	if in+out+rev+rep == 0 { // no title: the body's own acts decide
		for i, h := range r.hits {
			count(h)
			if e := h.has(classOld); e != nil && i+1 < len(r.hits) && r.hits[i+1].has(classPart) != nil && r.hits[i+1].first <= h.last+2 && ageWords[r.tokText(int(h.last))] {
				rev++ // "the old pump"
			}
		}
		if taken > 0 && in+rev+rep == 0 && (r.noteType == TypeProcedure || r.noteType == TypeDischarge) {
			r.takingOut = true
			return 0, 0, 0, 0
		}
		if out+rev+rep > 0 {
			return 0, 0, 0, 0
		}
		return in, 0, 0, 0
	}
	return in, out, rev, rep
}

// ageWords say of a part that it was there before.
var ageWords = wordSet("old existing previous depleted exhausted")

// maxTitle bounds how many tokens from the start can be a title line.
const maxTitle = 60

// maxTitleWords is the longest opening line that is a title.
const maxTitleWords = 20

// hitsIn calls f for the phrases that begin at tokens [a,b).
func (r *reader) hitsIn(a, b int, f func(hit)) {
	for i := a; i < b && i < len(r.hitAt); i++ {
		if h := r.hitAt[i]; h >= 0 {
			f(r.hits[h])
		}
	}
}

// firstLine gives the first token after the opening line, if that line reads like a title: no full stop in it.
func (r *reader) firstLine() int {
	for i := 1; i <= len(r.toks) && i <= maxTitle; i++ {
		if i == len(r.toks) || r.toks[i].gap&gapBlank != 0 || r.toks[i].gap&gapLine != 0 && r.meantBreak(i) && !r.unfinished(i-1) {
			if r.toks[i-1].mark == '.' && (i > maxTitleWords || r.finiteVerb(0, i)) {
				return 0
			}
			return i
		}
	}
	return 0
}

// finiteVerb says whether the tokens [a,b) hold an auxiliary, a speaker or what was done: a sentence and no title.
func (r *reader) finiteVerb(a, b int) bool {
	for i := a; i < b; i++ {
		h := r.hitAt[i]
		if h < 0 {
			continue
		}
		if r.hits[h].e.mask&(1<<classAux|1<<classAgent) != 0 {
			return true
		}
		if e := r.hits[h].has(classAct); e != nil && (e.form == formParticiple || e.form == formState) {
			return true
		}
	}
	return false
}

// isTitle says whether the sentence is a title: the opening line without a full stop, or a line under a heading
// of procedures.
func (r *reader) isTitle(s sentence) bool {
	if s.sec.kind == secTitle && s.sec.body > s.sec.first {
		ownLine := s.first == s.sec.body && s.end < len(r.toks) && r.toks[s.end].gap&gapLine != 0
		return (r.shortSection(s.sec) || ownLine) && !r.finiteVerb(s.first, s.end)
	}
	if s.first == 0 && s.end <= maxTitleWords {
		last := r.toks[s.end-1]
		return (s.end == len(r.toks) || r.toks[s.end].gap&gapBlank != 0 || r.toks[s.end].gap&gapLine != 0 && r.meantBreak(s.end) && !r.unfinished(s.end-1)) && !(last.kind == tokPunct && (last.mark == '.' && (r.finiteVerb(s.first, s.end) || s.end == len(r.toks)) || last.mark == ';'))
	}
	return false
}

// shortSection says whether a section under "Procedure:" is a title and not the whole account.
func (r *reader) shortSection(s *section) bool { return s.end-s.body <= maxTitle }

// emitLoose turns pockets and identifiers that no part in their sentence took into findings about the part the
// note is about.
func (r *reader) emitLoose(s sentence, sc *sentScope) {
	if sc.base != ScopeCurrent && sc.base != ScopeHistory || sc.other != "" {
		return
	}
	for _, l := range r.loose {
		if !l.isPocket && l.kind == "" && !(l.isSite && l.side != "" && (r.account || len(r.past) > 0)) {
			continue
		}
		kind := l.kind
		if kind == "" {
			kind = r.pocketKind()
		}
		d := draft{tok0: l.tok0, tok1: l.tok1, sent: r.sentNo}
		d.Kind = implant.Located
		d.Component.Kind = kind
		d.Site = implant.Site{Side: l.side, Pocket: l.pocket}
		d.Scope, d.Why = sc.base, "pocket named without its part"
		if !l.isPocket && l.kind == "" {
			d.act, d.Why = "loose", "a wound or scar where the part lies"
		}
		r.keep(d)
	}
	for _, l := range r.looseLev {
		if !r.account {
			break
		}
		d := draft{tok0: l.tok0, tok1: l.tok1, sent: r.sentNo, act: "loose"}
		d.Kind, d.Component.Kind, d.Site = implant.Located, implant.Lead, l.site
		if len(r.past) > 0 && r.past[0].kind == implant.Catheter {
			d.Component.Kind = implant.Catheter
		}
		d.Scope, d.Why = sc.base, "a level named without its part"
		r.keep(d)
	}
	for _, l := range r.looseID {
		kind := implant.Generator
		if l.id.lot != "" && l.id.serial == "" && len(r.past) > 0 {
			kind = r.past[0].kind
		} else if len(r.past) > 0 {
			kind = r.pocketKind()
		}
		if k, ok := r.models[lowerASCII(l.id.model)]; ok && l.id.model != "" {
			kind = k
		}
		d := draft{tok0: l.tok0, tok1: l.tok1, sent: r.sentNo}
		d.Kind = implant.Described
		d.Component = implant.Component{Kind: kind, Maker: l.id.maker, Model: l.id.model, Serial: l.id.serial, Lot: l.id.lot, DI: l.id.di, UDI: l.id.udi, Expiry: l.id.expiry, Made: l.id.made}
		d.Scope, d.Why = sc.base, "identifier without its part in the sentence"
		if s.sec.kind == secImplants && r.noteType == TypeProcedure && l.id.model != "" {
			d.Kind, d.Scope = implant.Implanted, ScopeCurrent
		}
		r.keep(d)
	}
}

// pocketKind gives the part that the note's pockets are of: a pump if it speaks of one, else a generator.
func (r *reader) pocketKind() implant.Kind {
	for i := range r.past {
		if r.past[i].kind == implant.Pump || r.past[i].kind == implant.OtherActive || r.past[i].kind == implant.Generator {
			return r.past[i].kind
		}
	}
	return implant.Generator
}
