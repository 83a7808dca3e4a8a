package opnote

// Kinds of section that the rules know. A section that no heading opens has kind "".
const (
	secTitle         = "title"
	secIndication    = "indication"
	secHistory       = "history"
	secPlan          = "plan"
	secConsent       = "consent"
	secCopied        = "copied"
	secFamily        = "family"
	secOther         = "other"
	secSocial        = "social"
	secImplants      = "implants"
	secExplants      = "explants"
	secWasted        = "wasted"
	secLeft          = "left"
	secComplications = "complications"
	secFindings      = "findings"
)

// section is a stretch of tokens under one heading; body is its first token after the heading.
type section struct {
	kind        string
	first, body int
	end         int
}

// findSections cuts the note at the headings the lexicon knows: a phrase at the start of a line, list item or
// sentence that is followed by a colon, or stands on a line of its own.
func (r *reader) findSections() {
	r.secs = append(r.secs, section{})
	for _, h := range r.hits {
		e := h.has(classHeading)
		if e == nil {
			continue
		}
		first, next := int(h.first), int(h.last)+1
		colon := next < len(r.toks) && r.toks[next].mark == ':' && r.toks[next].gap == 0 && next > first+1
		if !r.opensLine(first) || r.wrapped(first) && !(colon && !r.unfinished(first-1)) {
			continue
		}
		body, ok := r.closesHeading(first, next, e.value)
		if !ok {
			continue
		}
		if e.value == "label" {
			body = first // a label that is part of what it labels: it only ends the section before
		}
		r.secs = append(r.secs, section{kind: e.value, first: first, body: body})
	}
	r.endSections()
}

// wrapped says whether token i opens a line only because the line before it was full: no heading.
func (r *reader) wrapped(i int) bool {
	return i > 0 && r.toks[i].gap&gapLine != 0 && r.toks[i].gap&gapBlank == 0 && r.toks[i-1].kind != tokPunct && !r.meantBreak(i)
}

// endSections sets the ends. A heading with text on its own line reaches to the end of its paragraph, a short kind
// of heading to the end of its line; a heading on a line of its own reaches to the next one.
func (r *reader) endSections() {
	given := r.secs
	r.secs = make([]section, 0, 2*len(given))
	for i, s := range given {
		s.end = len(r.toks)
		if i+1 < len(given) {
			s.end = given[i+1].first
		}
		stop := s.end
		if s.body > s.first && s.body < s.end && r.toks[s.body].gap&gapLine == 0 {
			stop = r.inlineEnd(s)
		}
		rest := section{first: stop, body: stop, end: s.end}
		s.end = stop
		r.secs = append(r.secs, s)
		if rest.first < rest.end {
			r.secs = append(r.secs, rest)
		}
	}
}

// inlineEnd gives where a section ends whose text begins on the heading's line.
func (r *reader) inlineEnd(s section) int {
	for i := s.body + 1; i < s.end; i++ {
		g := r.toks[i].gap
		if g&gapBlank != 0 {
			return i
		}
		if g&gapLine == 0 {
			continue
		}
		switch s.kind {
		case secHistory, secPlan, secConsent, "body", secFindings, "impression", secCopied, secSocial:
			continue
		}
		if p := r.toks[i-1]; p.mark == '.' && r.freshLine(i) || r.meantBreak(i) && (p.kind == tokPunct && p.mark != ',' || r.freshLine(i)) || r.label(i) {
			return i
		}
	}
	return s.end
}

// opensLine says whether token i begins a line, or comes after the end of a sentence or a list mark.
func (r *reader) opensLine(i int) bool {
	if i == 0 || r.toks[i].gap&gapLine != 0 {
		return true
	}
	p := r.toks[i-1]
	if p.kind != tokPunct {
		return false
	}
	switch p.mark {
	case '*', '#', '>', '_', '|':
		return i == 1 || r.opensLine(i-1)
	case '.', ')', '-':
		if i >= 2 && r.toks[i-2].kind == tokNumber && (i == 2 || r.toks[i-2].gap&gapLine != 0) {
			return true
		}
		return p.mark == '.' || p.mark == '-' && (i == 1 || p.gap&gapLine != 0)
	case ';', '!', '?':
		return true
	}
	return false
}

// closesHeading says whether a heading that spans [first,next) ends there, and where its text begins.
func (r *reader) closesHeading(first, next int, kind string) (int, bool) {
	if next >= len(r.toks) {
		return next, r.toks[first].gap&gapLine != 0 && first > 0
	}
	t := r.toks[next]
	if t.kind == tokPunct && t.mark == ':' && t.gap&gapLine == 0 {
		return next + 1, true
	}
	if t.kind == tokPunct && (t.mark == '*' || t.mark == '_' || t.mark == '#') && next+1 < len(r.toks) && r.toks[next+1].mark == ':' {
		return next + 2, true
	}
	if t.kind == tokPunct && t.mark == '(' { // a remark in brackets before the colon
		for j := next + 1; j < len(r.toks) && j < next+12; j++ {
			if r.toks[j].mark == ')' {
				if j+1 < len(r.toks) && r.toks[j+1].mark == ':' {
					return j + 2, true
				}
				break
			}
		}
	}
	if kind == secTitle || kind == "body" || kind == secPlan || kind == secHistory || kind == secFindings { // "Operation 1.5.2026:", "Procedure on 3 May:"
		for j := next; j < len(r.toks) && j < next+7 && r.toks[j].gap&gapLine == 0; j++ {
			if r.toks[j].mark == ':' {
				if j > next {
					return j + 1, true
				}
				break
			}
			if !(r.toks[j].kind == tokNumber || r.monthAt(j) != 0 || r.toks[j].mark == '.' || r.toks[j].mark == ',' || r.tokText(j) == "on" || r.tokText(j) == "of" || r.smallInt(j, 31) > 0) {
				break
			}
		}
	}
	ownLine := first == 0 || r.toks[first].gap&gapLine != 0
	if ownLine && t.gap&gapLine != 0 && kind != "neutral" && kind != "label" {
		return next, true
	}
	// "Plan - review", "PLAN review" in capitals are not told apart from prose: only the dash counts
	if ownLine && t.kind == tokPunct && t.mark == '-' && next-first <= 3 && kind != "neutral" && kind != "label" {
		return next + 1, true
	}
	return 0, false
}

// sectionAt gives the kind of the section that token i is in. Calls must come in rising order of i.
func (r *reader) sectionAt(i int) *section {
	for r.secAt+1 < len(r.secs) && r.secs[r.secAt+1].first <= i {
		r.secAt++
	}
	return &r.secs[r.secAt]
}
