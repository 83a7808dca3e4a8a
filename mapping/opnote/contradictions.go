package opnote

import (
	"sort"

	"gaussline/mapping/implant"
)

// wholeNote applies the rules that need the whole note: what outweighs what, and what contradicts what.
func (r *reader) wholeNote() {
	r.implied()
	r.byPart = map[implant.Kind][]int{}
	for i := range r.drafts {
		k := r.drafts[i].Component.Kind
		r.byPart[k] = append(r.byPart[k], i)
	}
	r.putBack()
	r.inAndOut()
	r.delivered()
	r.promote()
	r.titles()
	r.pieces()
	r.cutOrOut()
	r.wholes()
	r.namedButHere()
	r.outAndThere()
	r.goneButHere()
	r.unpluggedAndBack()
	r.outweigh()
	r.reasonless()
	r.conflicts()
	r.noteConflicts()
	r.share()
}

// maxPeers is how many statements about the same kind of part, before and after one, it is compared with: it keeps
// the time linear in the length of a text, and is more than a real note holds.
const maxPeers = 64

// peers gives the drafts about a kind of part that are near draft i, which need not be of that kind.
func (r *reader) peers(i int, kind implant.Kind) []int {
	list := r.byPart[kind]
	p := sort.SearchInts(list, i)
	return list[max(0, p-maxPeers):min(len(list), p+maxPeers)]
}

// factual says whether a draft is a statement about this body.
func (d *draft) factual() bool { return d.Scope == ScopeCurrent || d.Scope == ScopeHistory }

// stays says whether a draft says that a part, or some of it, is left in the body after the act.
func (d *draft) stays() bool {
	if !d.factual() {
		return false
	}
	switch d.Kind {
	case implant.LeftInPlace, implant.WasCapped, implant.WasCut, implant.RemovedPart, implant.SoughtAbsent:
		return !d.weak && d.Component.Kind != implant.Anchor
	}
	return false
}

// alike says whether two drafts can be about the same part: one kind, no differing side, order or age.
func alike(a, b *draft) bool {
	if a.Component.Kind != b.Component.Kind {
		return false
	}
	if a.Site.Side != "" && b.Site.Side != "" && a.Site.Side != b.Site.Side && a.Site.Side != implant.Bilateral && b.Site.Side != implant.Bilateral {
		return false
	}
	if a.Component.Kind == implant.Lead && (a.Site.Level != "" && b.Site.Level != "" && a.Site.Level != b.Site.Level || a.Site.Nerve != "" && b.Site.Nerve != "" && a.Site.Nerve != b.Site.Nerve) {
		return false
	}
	if a.other != b.other || a.ordinal != b.ordinal && a.ordinal != 0 && b.ordinal != 0 {
		return false
	}
	if a.Component.Count == 1 && b.Component.Count == 1 && a.Kind != b.Kind {
		return false // "one out entire, one snapped"
	}
	if a.Component.Serial != "" && b.Component.Serial != "" && a.Component.Serial != b.Component.Serial {
		return false
	}
	return !(a.old && b.new || a.new && b.old)
}

// fateKinds tell what became of a part.
var fateKinds = map[implant.FactKind]bool{implant.Removed: true, implant.Implanted: true, implant.Exchanged: true, implant.Repositioned: true, implant.LeftInPlace: true,
	implant.WasCut: true, implant.WasCapped: true, implant.RemovedPart: true, implant.Abandoned: true}

// titles drops a title's act where the body tells what became of that part, and asks where the two differ.
func (r *reader) titles() {
	stopped := r.wasStopped()
	for i := range r.drafts {
		t := &r.drafts[i]
		if !t.title || !t.factual() || t.Kind != implant.Removed && t.Kind != implant.Implanted && t.Kind != implant.Exchanged && t.Kind != implant.Repositioned {
			continue
		}
		told, asked := false, false
		near := r.peers(i, t.Component.Kind)
		if t.system {
			near = append(append(append([]int{}, near...), r.peers(i, implant.Lead)...), r.peers(i, implant.Extension)...)
		}
		for _, j := range near {
			b := &r.drafts[j]
			if b.title || !b.factual() || b.Component.Kind == "" || b.weak {
				continue
			}
			same := b.Component.Kind == t.Component.Kind
			part := t.system && (b.Component.Kind == implant.Lead || b.Component.Kind == implant.Extension || same)
			if !same && !part {
				continue
			}
			if same && fateKinds[b.Kind] && b.Scope == t.Scope {
				told = true
			}
			if t.Kind == implant.Removed && b.Scope == ScopeCurrent && b.stays() && (t.system || alike(t, b)) && b.Component.Kind != implant.Anchor {
				asked = true
			}
		}
		if asked {
			r.askTokens(implant.AskWordsConflict, "the title says removed, the text says that something stays", t.tok0, t.tok1, "the text")
		}
		if told || asked {
			t.Kind = ""
		} else if stopped && t.Kind != implant.Repositioned {
			if t.Kind != implant.Implanted {
				p := *t
				p.Kind, p.weak, p.title, p.Certainty, p.Value = implant.PresentByWord, true, false, implant.Possible, ""
				r.byPart[p.Component.Kind] = append(r.byPart[p.Component.Kind], len(r.drafts))
				r.keep(p)
				t = &r.drafts[i]
			}
			t.Kind, t.Value = implant.Abandoned, ""
			t.Why += "; the operation was stopped"
		}
	}
}

// wasStopped says whether the note tells that the operation was stopped, and of no work on a part outside its title.
func (r *reader) wasStopped() bool {
	stopped := false
	for _, q := range r.asks {
		stopped = stopped || q.Code == implant.AskNotDone
	}
	for i := range r.drafts {
		if d := &r.drafts[i]; stopped && !d.title && d.Scope == ScopeCurrent && workKinds[d.Kind] && !d.weak && !d.noun {
			return false
		}
	}
	return stopped
}

// pieces: a remnant that stays after the rest came out is a removal in part.
func (r *reader) pieces() {
	for i := range r.drafts {
		d := &r.drafts[i]
		seen := d.piece && (d.act == "mention" || d.act == "see" || d.act == "leave" || d.act == "break") && d.Kind != implant.DeniedPresence && d.Kind != implant.Planned
		if d.Scope == ScopeHistory && d.act == "piece" {
			r.pieceBefore(i)
			continue
		}
		if d.Scope != ScopeCurrent || !(d.Kind == implant.LeftInPlace && d.act == "piece") && !seen {
			continue
		}
		if r.wasCut(i) {
			d.Kind = implant.WasCut
			d.Why += "; the part was cut"
			continue
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			broke := o.act == "break" && (o.pulled || r.takingOut && (d.Kind == implant.LeftInPlace || d.act == "piece")) && d.sent-o.sent <= 3 && alike(d, o) && i != j
			if (o.Kind == implant.Removed || broke) && o.Scope == ScopeCurrent && o.Component.Kind == d.Component.Kind && o.sent <= d.sent && !o.piece {
				d.weak = false
				d.Kind = implant.RemovedPart
				d.Why += "; the rest came out"
				if broke && o.Site.Side != "" && d.Site.Side == "" {
					d.Site.Side = o.Site.Side
				}
				r.fragment(i)
				d, o = &r.drafts[i], &r.drafts[j]
				if alike(d, o) && o.Kind == implant.Removed && o.Value != "whole" && o.Component.Count < 2 && !o.plural && !o.title {
					o.Kind = "" // one part, told once
				}
				break
			}
		}
	}
}

// pieceBefore makes a piece that is told to have stayed after an earlier removal a removal in part.
func (r *reader) pieceBefore(i int) {
	d := &r.drafts[i]
	for j := max(0, i-maxPeers); j < len(r.drafts) && j < i+maxPeers; j++ {
		o := &r.drafts[j]
		if o.Kind == implant.ReportedGone && d.sent-o.sent <= 3 && o.sent-d.sent <= 1 && (o.system || o.Component.Kind == d.Component.Kind) {
			d.Kind, d.weak = implant.RemovedPart, false
			d.Why += "; the rest came out then"
			return
		}
	}
}

// wasCut says whether the note tells, close before draft i, that the same part was cut.
func (r *reader) wasCut(i int) bool {
	d := &r.drafts[i]
	for _, j := range r.peers(i, d.Component.Kind) {
		o := &r.drafts[j]
		if o.Kind == implant.WasCut && o.Scope == ScopeCurrent && !o.title && alike(d, o) && o.sent <= d.sent && d.sent-o.sent <= 1 {
			return true
		}
	}
	return false
}

// cutOrOut: a lead that was cut and of which it is not said that it came out whole is a cut lead, whatever came out.
func (r *reader) cutOrOut() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Removed || d.Scope != ScopeCurrent || d.Value == "whole" || d.title {
			continue
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if o.Kind == implant.WasCut && o.atHeader && alike(d, o) && o.sent <= d.sent {
				o.Kind = "" // cut off the generator, and then out
				continue
			}
			if o.Kind == implant.WasCut && o.Scope == ScopeCurrent && !o.title && alike(d, o) && (o.sent == d.sent || o.sent+1 == d.sent) {
				d.Kind = implant.WasCut
				d.Why += "; cut, and not said to be out whole"
				break
			}
		}
	}
}

// namedButHere: a removal that is only named, "removal of the generator", of a part that the text leaves where it is.
func (r *reader) namedButHere() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Removed || !d.noun || d.title {
			continue
		}
		if r.wasStopped() {
			p := *d
			p.Kind, p.Scope, p.Value = implant.Planned, ScopePlan, ""
			r.byPart[p.Component.Kind] = append(r.byPart[p.Component.Kind], len(r.drafts))
			r.keep(p)
			d = &r.drafts[i]
			d.Kind, d.Value, d.weak, d.Certainty = implant.PresentByWord, "", true, implant.Possible
			d.Why += "; the operation was stopped"
			continue
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if o.Kind == implant.LeftInPlace && o.stays() && o.Scope == ScopeCurrent && !o.piece && alike(d, o) && o.Component.Kind == d.Component.Kind {
				r.askTokens(implant.AskRemovalDoubtful, "named as removed, and said to stay", d.tok0, d.tok1, "")
				d.Kind, d.Value, d.weak, d.Certainty = implant.PresentByWord, "", true, implant.Possible
				d.Why += "; said to stay in the same note"
				break
			}
		}
	}
}

// outAndThere: a part, of which the note knows one, is told to be out and told to stay. Which is right is asked.
func (r *reader) outAndThere() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Removed || d.Scope != ScopeCurrent || d.title || d.old || d.Component.Kind == implant.Anchor || d.Component.Kind == implant.Hardware || r.several(i) {
			continue
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if o.Component.Kind != d.Component.Kind || o.title || o.piece || o.new || o.pron || o.system && !d.system || o.Scope != ScopeCurrent || o.sent == d.sent || !alike(d, o) {
				continue
			}
			if (o.Kind == implant.LeftInPlace || o.Kind == implant.WasCapped) && o.stays() {
				r.askTokens(implant.AskRemovalDoubtful, "told to be out, and told to stay", d.tok0, d.tok1, "")
				d.Kind, d.Value, d.weak, d.Certainty = implant.PresentByWord, "", true, implant.Possible
				d.Why += "; told to stay in the same note"
				break
			}
		}
	}
}

// goneButHere: a removal that is only told, of a part that this note finds in the body.
func (r *reader) goneButHere() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.ReportedGone {
			continue
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if o.stays() && o.Scope == ScopeCurrent && alike(d, o) {
				r.askTokens(implant.AskWordsConflict, "told to be removed, and found here", d.tok0, d.tok1, "")
				d.Kind = ""
				break
			}
		}
	}
}

// wholes takes "whole" away where the note contradicts it, and asks.
func (r *reader) wholes() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Removed || d.Value != "whole" {
			continue
		}
		several := r.several(i)
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if several && !o.piece && (o.Kind == implant.LeftInPlace || o.Kind == implant.WasCapped) && !(d.plural && o.plural) {
				continue // one of several came out whole, another was left
			}
			if o.Kind == implant.WasCapped && o.sent == d.sent && o.of == d.of && o.of > 0 {
				o.Kind = "" // "the capped lead, out entire"
				continue
			}
			if o.Kind == implant.WasCut && o.atHeader && o.sent <= d.sent && alike(d, o) {
				o.Kind = "" // cut off the pump, and then out whole
				continue
			}
			if !o.stays() || o.Scope != ScopeCurrent || !alike(d, o) || o.Kind == implant.LeftInPlace && !o.piece && o.Site.Side != "" && d.Site.Side == "" {
				continue // "the old lead came out whole; the right one was not touched"
			}
			if o.Kind == implant.WasCut && o.sent == d.sent && o.tok0 == d.tok0 {
				o.Kind = "" // "cut at the skin, pulled out, complete"
				continue
			}
			d.Value = ""
			d.Why += "; contradicted in the same note"
			r.askTokens(implant.AskWordsConflict, "said to be whole, and a part said to stay", d.tok0, d.tok1, "")
			break
		}
	}
}

// several says whether the note knows of more than one part of the kind of draft i: a count, two sides, "the second".
func (r *reader) several(i int) bool {
	var left, right bool
	for _, j := range r.peers(i, r.drafts[i].Component.Kind) {
		o := &r.drafts[j]
		if !o.factual() {
			continue
		}
		left, right = left || o.Site.Side == implant.Left, right || o.Site.Side == implant.Right
		if o.Component.Count > 1 || o.plural || o.ordinal > 0 || o.other || left && right {
			return true
		}
	}
	return false
}

// unpluggedAndBack drops the disconnecting of a part that does not stay so: it was then cut, capped, taken out or
// plugged in again, or the note puts a generator in or back. A generator's own disconnecting says nothing of where it is.
func (r *reader) unpluggedAndBack() {
	back := false
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Scope != ScopeCurrent || d.Component.Kind != implant.Generator && d.Component.Kind != implant.Pump {
			continue
		}
		switch d.Kind {
		case implant.Implanted, implant.Exchanged, implant.LeftInPlace, implant.Repositioned, implant.Reconnected:
			back = back || !d.title && d.act != "net"
		}
	}
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Kind != implant.Disconnected || d.Scope != ScopeCurrent || !d.weak {
			continue
		}
		gone := back || d.Component.Kind == implant.Generator || d.Component.Kind == implant.Pump
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			switch o.Kind {
			case implant.Removed, implant.WasCut, implant.WasCapped, implant.RemovedPart, implant.Reconnected:
				gone = gone || o.Scope == ScopeCurrent && !o.title && o.sent >= d.sent && (alike(d, o) || d.plural)
			}
		}
		if gone {
			d.Kind, d.Certainty, d.Why = implant.PresentByWord, implant.Possible, d.Why+"; not left so"
		}
	}
}

// outweigh drops a weak presence of a part whose removal is told, unless it is another one.
func (r *reader) outweigh() {
	for i := range r.drafts {
		d := &r.drafts[i]
		if !d.weak || !d.factual() || d.Component.Kind == implant.Hardware {
			continue // one rod out says nothing of the screws
		}
		for _, j := range r.peers(i, d.Component.Kind) {
			o := &r.drafts[j]
			if i == j || o.weak || !o.factual() || o.Component.Kind != d.Component.Kind {
				continue
			}
			if (d.plural || d.Component.Count > 1) && !o.plural && o.Component.Count < 2 && !o.system {
				continue // one out says nothing of both
			}
			if o.Scope == ScopeHistory && d.Scope == ScopeCurrent || o.title && !d.title && o.sent != d.sent {
				continue // nor what came out before, or the title, of what is there
			}
			gone := o.Kind == implant.Removed || o.Kind == implant.ReportedGone || o.Kind == implant.Wasted
			if d.Component.Kind == implant.Lead && d.Site.Side != "" && o.Site.Side == "" && !o.plural && o.Component.Count < 2 {
				continue // one lead out says nothing of the right one
			}
			if gone && alike(d, o) && boxed(d.Component.Kind) && d.Component.Kind == o.Component.Kind && o.Site.Side == "" && o.Site.Pocket == "" && o.Scope == ScopeCurrent {
				o.Site.Side, o.Site.Pocket = d.Site.Side, d.Site.Pocket
			}
			if gone && alike(d, o) && !d.new && !(o.Kind == implant.Wasted && d.Component.Count != 1) {
				d.Kind = ""
				break
			}
		}
	}
}

// conflicts asks about sides, counts and serials that contradict each other.
func (r *reader) conflicts() {
	r.sideConflicts()
	r.countConflicts()
	r.serialConflicts()
}

// sideConflicts: one generator on two sides in what was done.
func (r *reader) sideConflicts() {
	for i := range r.drafts {
		a := &r.drafts[i]
		if a.act == "loose" || a.Scope != ScopeCurrent || a.Component.Kind != implant.Generator || a.Site.Side == "" || a.Site.Side == implant.Bilateral {
			continue
		}
		for _, j := range r.peers(i, a.Component.Kind) {
			b := &r.drafts[j]
			if j <= i {
				continue
			}
			if b.act != "loose" && b.Scope == ScopeCurrent && b.Component.Kind == implant.Generator && b.Site.Side != "" && b.Site.Side != a.Site.Side && b.Site.Side != implant.Bilateral && (a.title || a.Kind == b.Kind) && !(a.old || b.old || a.new || b.new) {
				r.askTokens(implant.AskSideConflict, string(a.Site.Side)+" and "+string(b.Site.Side), b.tok0, b.tok1, "")
				return
			}
		}
	}
}

// countConflicts: two totals for the same act on the same kind of part.
func (r *reader) countConflicts() {
	total := map[implant.Kind]*draft{}
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Scope != ScopeCurrent || d.Component.Count < 2 || d.Component.Kind != implant.Lead || d.Kind == implant.Removed || d.Kind == implant.Wasted {
			continue
		}
		p := total[d.Component.Kind]
		if p == nil {
			total[d.Component.Kind] = d
			continue
		}
		if p.Component.Count != d.Component.Count {
			r.askTokens(implant.AskCountConflict, "two counts of the same part", d.tok0, d.tok1, "")
			return
		}
	}
}

// serialConflicts: two serials for one generator put in.
func (r *reader) serialConflicts() {
	var first *draft
	for i := range r.drafts {
		d := &r.drafts[i]
		if d.Component.Kind != implant.Generator || d.Component.Serial == "" || d.old || d.Kind == implant.Removed || d.Scope != ScopeCurrent {
			continue
		}
		if first == nil {
			first = d
		} else if first.Component.Serial != d.Component.Serial && first.Component.Model == d.Component.Model {
			r.askTokens(implant.AskIdentityConflict, "two serials for one generator", d.tok0, d.tok1, "")
			return
		}
	}
}
