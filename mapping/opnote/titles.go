package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// titleRemovalConflict: a title, or what the note says that the operation was for, is the removal of the system, its
// leads or its pump, and a lead, an extension, a catheter or a piece of one stays.
func (r *reader) titleRemovalConflict() {
	var at *draft
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Scope != ScopeCurrent || d.title || !staysInside(d) || !r.promised(d.Component.Kind) {
			continue
		}
		if at == nil || at.Kind == implant.LeftInPlace && d.Kind != implant.LeftInPlace {
			at = d
		}
	}
	for _, q := range r.asks {
		if q.Code == implant.AskWordsConflict {
			return // asked
		}
	}
	if at != nil {
		r.askTokens(implant.AskWordsConflict, "an operation to take it out, and some of it stays", at.tok0, at.tok1, "the text")
	}
}

// staysInside says whether the draft tells of a lead, extension or catheter, or a piece of one, that stays.
func staysInside(d *draft) bool {
	switch d.Component.Kind {
	case implant.Lead, implant.Extension, implant.Catheter:
		return d.stays() && d.Kind != implant.SoughtAbsent && d.Certainty != implant.Possible
	}
	return false
}

// promised says whether the document's title, or a title line, promises that parts of this kind come out, and of no
// other operation.
func (r *reader) promised(kind implant.Kind) bool {
	if removes(r.lex, r.note.Title, kind) {
		return true
	}
	end := 0
	if line := r.firstLine(); line > 0 {
		end = line
	}
	for i := range r.secs {
		if s := &r.secs[i]; s.kind == secTitle && s.body > s.first && s.end > s.body && r.shortSection(s) && removes(r.lex, r.text[r.toks[s.body].start:r.toks[s.end-1].end], kind) {
			return true
		}
	}
	return end > 0 && removes(r.lex, r.text[:r.toks[end-1].end], kind)
}

// hedges in a title say that not all was meant to come out.
var hedges = wordSet("attempted attempt failed partial part partly abandoned generator-only retained retention salvage replacement exchange revision reposition change swap")

// removes says whether a title is of the removal of a whole system, or of parts of this kind.
func removes(l *Lexicon, title string, kind implant.Kind) bool {
	for _, w := range strings.Fields(lowerASCII(title)) {
		if hedges[strings.Trim(w, ".,;:()")] {
			return false
		}
	}
	act, part := false, false
	for _, h := range l.match(tokenise(title, l)) {
		if e := h.has(classAct); e != nil {
			switch e.value {
			case "remove":
				act = true
			case "implant", "advance", "replace", "reposition", "leave", "cut", "cap":
				return false
			}
		}
		if e := h.has(classPart); e != nil {
			k, system, _, _ := partValue(e)
			part = part || k == kind || system || k == implant.Hardware && strings.Contains(lowerASCII(title), "hardware") || k == implant.Pump && kind == implant.Catheter
		}
	}
	return act && part
}
