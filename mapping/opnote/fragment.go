package opnote

import "gaussline/mapping/implant"

// fragment adds the complication of a piece that stays, draft i, where the note tells that the part broke: over the words
// from the break to the piece if they stand together.
func (r *reader) fragment(i int) {
	d := &r.drafts[i]
	for _, j := range r.peers(i, d.Component.Kind) {
		o := &r.drafts[j]
		if o.act != "break" || o.Scope != d.Scope || d.sent-o.sent > 3 || o.sent > d.sent || !alike(d, o) {
			continue
		}
		f := draft{tok0: d.tok0, tok1: d.tok1, sent: d.sent}
		if d.sent-o.sent <= 1 {
			f.tok0, f.tok1 = min(f.tok0, o.tok0), max(f.tok1, o.tok1)
		}
		f.Kind, f.Value, f.Scope, f.Why = implant.Complication, "fragment-retained", d.Scope, "it broke, and a piece stays"
		r.keep(f)
		return
	}
}
