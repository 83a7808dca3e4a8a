package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// A part that is told to be out and in, or in and out, in one sitting.

// putBack turns a removal that is followed by a return to the body within two sentences into a move.
func (r *reader) putBack() {
	moved := r.revision && !r.replacing && !r.explant
	for i := range r.drafts {
		d := &r.drafts[i]
		if moved && d.Kind == implant.Implanted && boxed(d.Component.Kind) && d.Scope == ScopeCurrent && !d.new && d.Component.Serial == "" && d.Component.Model == "" {
			r.resited(i)
			continue
		}
		if !d.putBack {
			continue
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if o.Kind == implant.Removed && d.sent-o.sent <= 2 && d.sent >= o.sent && !o.title {
				o.Kind, o.Value = implant.Repositioned, ""
				o.Why += "; put back"
				if o.Component.Kind == implant.Generator || o.Component.Kind == implant.Pump {
					o.Kind, d.Kind = implant.LeftInPlace, implant.LeftInPlace
				}
			}
		}
	}
}

// resited: in an operation to move parts, the box that came out and then went in is the same one.
func (r *reader) resited(i int) {
	d := &r.drafts[i]
	for _, j := range r.peers(i, d.Component.Kind) {
		if o := &r.drafts[j]; o.Kind == implant.Removed && o.sent <= d.sent && !o.title && alike(d, o) {
			o.Kind, o.Value, d.Kind = implant.Repositioned, "", implant.Repositioned
			o.Why += "; put in again elsewhere"
		}
	}
}

// inAndOut: in an operation to put parts in, one that came out again was not used.
func (r *reader) inAndOut() {
	if !r.primary && !r.wasStopped() {
		return
	}
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Removed || d.Scope != ScopeCurrent || d.title || d.old {
			continue
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if r.primary && d.Value == "" && !d.plural && d.Component.Count < 2 && o.Kind == implant.Implanted && o.Scope == ScopeCurrent && !o.title && o.sent >= d.sent && o.tok0 > d.tok0 && (d.ordinal == 1 || o.new) && !temporary(d.Component.Words) && o.Component.Kind == d.Component.Kind {
				d.Kind, d.Value = implant.Wasted, "" // "the first would not lie, we extracted it, and a new one was introduced"
				d.Why += "; another was put in instead"
				break
			}
			if o.Kind == implant.Implanted && o.Scope == ScopeCurrent && !o.title && o.sent <= d.sent && o.tok0 < d.tok1 && alike(d, o) && d.plural == o.plural {
				d.Kind, d.Value = implant.Wasted, ""
				d.Why += "; put in and taken out again"
				o.Kind = ""
			}
		}
	}
}

// temporary says whether the words are of a part that was put in before, for a trial.
func temporary(words string) bool {
	w := lowerASCII(words)
	for _, s := range [...]string{"trial", "temp", "percutaneous extension", "old", "existing", "previous"} {
		if strings.Contains(w, s) {
			return true
		}
	}
	return false
}

// delivered keeps a generator that was only brought out of its pocket from counting as removed: unless the note says of
// a generator or a system by another word that it came out or was exchanged, and nothing says that it went back.
func (r *reader) delivered() {
	for _, kind := range [...]implant.Kind{implant.Generator, implant.Pump} {
		out, back, named := false, false, false
		list := r.byPart[kind]
		for _, i := range list {
			d := &r.drafts[i]
			if !d.factual() {
				continue
			}
			switch d.Kind {
			case implant.Removed, implant.ReportedGone, implant.Exchanged:
				out = out || d.act != "deliver"
			case implant.Implanted:
				out = out || d.Scope == ScopeCurrent && !d.title
			case implant.LeftInPlace, implant.Repositioned:
				back = back || d.Scope == ScopeCurrent && !d.weak
				named = named || d.Scope == ScopeCurrent && !d.weak && !d.pron && !d.system
			}
		}
		for _, i := range list {
			if d := &r.drafts[i]; d.Kind == implant.Removed && (d.act == "deliver" && (!out || back) || d.motion && named && d.Value != "whole" && !d.old && !r.several(i)) {
				if d.motion {
					r.askTokens(implant.AskRemovalDoubtful, "brought out, and not said to be taken away", d.tok0, d.tok1, "")
				}
				d.Kind, d.weak = implant.PresentByWord, true
				d.Why += "; brought out of its pocket, and not said to be out"
			}
		}
	}
}
