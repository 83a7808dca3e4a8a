package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// wholeReach is how many sentences after a removal may still say that the part was whole.
const wholeReach = 4

// wholeSaid applies words of wholeness that stand apart from the act: "Both leads complete.", "tips intact on
// inspection", to the removals they speak of.
func (r *reader) wholeSaid() {
	for k := 0; k < len(r.items) && r.speaks(classWhole); k++ {
		it := r.at(k)
		if !it.is(classWhole) || r.contactsOnly(k) || r.at(k-1).isAny(classNeg, classNegdet) || r.inMention(k) || r.wholeIsAdverb(k) {
			continue
		}
		kind, side, ok := r.wholeOf(k)
		if !ok {
			continue
		}
		n := 0
		for i := len(r.drafts) - 1; i >= 0 && r.sentNo-r.drafts[i].sent <= wholeReach; i-- {
			d := &r.drafts[i]
			if boxed(d.Component.Kind) && kind != d.Component.Kind {
				continue // a generator is told whole by its own words only
			}
			if d.Kind != implant.Removed || d.Scope != ScopeCurrent || d.system || d.title || d.Component.Kind == implant.Anchor || kind != "" && d.Component.Kind != kind {
				continue
			}
			if side != "" && d.Site.Side != side && !(d.Site.Side == "" && d.Component.Count < 2 && !d.plural) {
				continue
			}
			if kind == "" && n > 0 && d.sent != r.sentNo {
				break
			}
			d.Value = "whole"
			d.Why += "; " + r.itemText(k)
			if n++; kind == "" {
				kind = d.Component.Kind
			}
		}
	}
}

// boxed says whether the part is one that comes out whole or not at all, so that words of wholeness are mostly meant
// for the leads beside it.
func boxed(k implant.Kind) bool {
	return k == implant.Generator || k == implant.Pump || k == implant.OtherActive || k == implant.Unidentified
}

// contactsOnly says whether the words of wholeness at item k only count contacts in a sentence about how they test:
// "all contacts in range".
func (r *reader) contactsOnly(k int) bool {
	w := r.itemText(k)
	if !strings.HasSuffix(w, "contacts") && !strings.HasSuffix(w, "contact") && !strings.HasSuffix(w, "electrodes") {
		return false
	}
	return r.speaks(classImpval, classFunc, classUnit, classScore, classCond) || !r.speaks(classAct) && len(r.ments) == 0
}

// missingWords say that a part that came out is not whole.
var missingWords = map[string]bool{"missing": true, "incomplete": true, "not complete": true, "not intact": true, "not whole": true, "tip missing": true, "tip absent": true,
	"lacking its tip": true, "without its tip": true, "minus its tip": true, "minus the tip": true, "short of its tip": true}

// partSaid applies words that say that a piece is missing to the removals they speak of.
func (r *reader) partSaid() {
	for k := 0; k < len(r.items) && r.speaks(classPartly); k++ {
		if !r.at(k).is(classPartly) || !missingWords[r.itemText(k)] || r.deniedWord(k) || r.itemText(k-1) == "nothing" || r.feared(k) {
			continue
		}
		kind, side, ok := r.wholeOf(k)
		if !ok {
			kind, side = "", ""
		}
		for i := len(r.drafts) - 1; i >= 0 && r.sentNo-r.drafts[i].sent <= 2; i-- {
			d := &r.drafts[i]
			if d.Kind != implant.Removed && d.Kind != implant.ReportedGone || kind != "" && d.Component.Kind != kind || side != "" && d.Site.Side != "" && side != d.Site.Side {
				continue
			}
			if kind == "" && (d.Component.Kind == implant.Generator || d.Component.Kind == implant.Pump) {
				continue
			}
			d.Kind, d.Value = implant.RemovedPart, ""
			d.Why += "; " + r.itemText(k)
			break
		}
	}
}

// wholeIsAdverb says whether the word only strengthens a verb: "completely closed", "complete removal".
func (r *reader) wholeIsAdverb(k int) bool {
	switch r.itemText(k) {
	case "completely", "entirely", "complete", "entire", "whole":
		n := r.at(k + 1)
		return n.isAny(classAct, classPart, classExternal, classTool) || r.bare(k+1) && r.itemText(k) != "complete" || r.itemText(k+1) == "system" || r.itemText(k+1) == "explant"
	}
	return false
}

// wholeOf finds the part that a word of wholeness speaks of: the nearest in its clause; else none, and then the
// last part taken out is meant. It is not found when a word we do not know may be meant.
func (r *reader) wholeOf(k int) (implant.Kind, implant.Side, bool) {
	for i := len(r.ments) - 1; i >= 0; i-- {
		m := &r.ments[i]
		if m.head < k && !r.strongBetween(m.head, k) && m.prep == "" && !m.neg {
			if m.system {
				return "", "", false
			}
			return m.kind, m.side, true
		}
	}
	for i := len(r.ments) - 1; i >= 0; i-- { // across a dash or semicolon: still what the line is about
		if m := &r.ments[i]; m.head < k && m.prep == "" && !m.neg && m.kind != implant.Anchor {
			return m.kind, m.side, !m.system
		}
	}
	for p := k - 1; p >= 0 && r.boundary(p) < 2; p-- {
		if r.bare(p) && !r.bareAdverb(p) && !subjectless[r.itemText(p)] {
			return "", "", false
		}
	}
	for p := k + 1; p < len(r.items) && p <= k+2; p++ {
		if r.bare(p) {
			return "", "", p > k+1
		}
	}
	return "", "", true
}

// promote reads parts that a note of an implantation names without a verb, with their place or number, as put in.
func (r *reader) promote() {
	in, fate := map[implant.Kind]bool{}, map[implant.Kind]bool{}
	any := false
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Scope != ScopeCurrent || d.weak {
			continue
		}
		switch d.Kind {
		case implant.Implanted:
			in[d.Component.Kind] = true
			any = true
		case implant.Removed, implant.LeftInPlace, implant.WasCapped, implant.WasCut, implant.RemovedPart, implant.Exchanged, implant.Repositioned, implant.Disconnected, implant.SoughtAbsent, implant.Abandoned:
			fate[d.Component.Kind] = true
		}
	}
	if r.noteType != TypeProcedure && r.noteType != TypeDischarge {
		return
	}
	for i := range r.drafts {
		d := &r.drafts[i]
		if r.noteType == TypeDischarge && !d.new {
			continue
		}
		if d.act != "mention" && !(r.primary && d.act == "secure" && !d.theOne && !d.pron) || d.Kind != implant.PresentByWord || d.Scope != ScopeCurrent || d.old || d.Certainty != "" || d.aspect && !(r.primary && d.Site.Side != "") || d.system {
			continue
		}
		if d.new && !d.old && !d.piece && !d.title && d.Component.Kind != "" && d.Component.Kind != implant.Hardware && d.Component.Kind != implant.OtherActive {
			d.Kind, d.weak = implant.Implanted, false
			d.Why += "; new, in a note of an operation"
			continue
		}
		if fate[d.Component.Kind] {
			continue
		}
		if d.Component.Kind == implant.Hardware && r.fusionToday && !d.theOne && (d.Site.Level != "" || d.Component.Count > 0) {
			d.Kind, d.weak = implant.Implanted, false
			d.Why += "; in a note of an operation that puts such parts in"
			continue
		}
		if d.Component.Kind == implant.Hardware || d.Component.Kind == implant.OtherActive || d.Component.Kind == implant.Unidentified || d.At != "" {
			continue
		}
		located := d.Site != (implant.Site{}) || d.Component.Model != "" || d.Component.Serial != "" || d.Component.Lot != "" || d.Component.Count > 0
		plain := !r.explant && !r.revision && !r.replacing
		if r.primary && !in[d.Component.Kind] && !d.pron && (d.Component.Kind == implant.Lead || d.Component.Kind == implant.Generator || d.Component.Kind == implant.Pump || d.Component.Kind == implant.Catheter) && d.act == "mention" && !d.piece {
			d.Kind, d.weak = implant.Implanted, false
			d.Why += "; named in a note of a first implantation"
			continue
		}
		if located && !d.theOne && (in[d.Component.Kind] || plain && (any || r.primary || !r.bodyActs)) {
			d.Kind, d.weak = implant.Implanted, false
			d.Why += "; named with its place in a note of an implantation"
		}
	}
}
