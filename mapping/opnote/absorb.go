package opnote

import "gaussline/mapping/implant"

// absorb drops what one act of the sentence says of a part where another act on the same part says how it ended:
// "opened, dropped, not used" was not put in, "left in situ, capped" is capped.
func (r *reader) absorb(from int) {
	for i := from; i < len(r.drafts); i++ {
		d := &r.drafts[i]
		if d.of > 0 && d.Kind == implant.Reconnected && d.Scope == ScopeCurrent {
			for j := from; j < i; j++ { // "divided and rejoined", "shortened and connected"
				if o := &r.drafts[j]; o.of == d.of && o.Kind == implant.WasCut && o.tok1 < d.tok1 {
					o.Kind = ""
				}
			}
			continue
		}
		if d.of == 0 || !d.factual() || d.Kind != implant.Wasted && d.Kind != implant.WasCapped {
			continue
		}
		for j := from; j < len(r.drafts); j++ {
			o := &r.drafts[j]
			if o.of != d.of || j == i || !o.factual() {
				continue
			}
			switch {
			case d.Kind == implant.Wasted && o.tok1 <= d.tok1 && (o.Kind == implant.Implanted || o.Kind == implant.Mentioned || o.Kind == implant.Removed && o.act != "out"):
				o.Kind = ""
			case d.Kind == implant.WasCapped && d.Component.Kind == implant.Lead && o.Kind == implant.LeftInPlace && o.Scope == d.Scope:
				o.Kind = ""
			}
		}
	}
}
