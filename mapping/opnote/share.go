package opnote

import "gaussline/mapping/implant"

// share gives each statement about a part what the note says elsewhere of the same part: a reader of the whole note
// knows the side, the place and the number of "the generator" wherever they stand. Only what is undisputed is shared:
// one value in all the statements about the same item.
func (r *reader) share() {
	for _, kind := range [...]implant.Kind{implant.Generator, implant.Pump, implant.Lead, implant.Extension, implant.Catheter} {
		list := r.byPart[kind]
		if len(list) < 2 || len(list) > 2*maxPeers {
			continue
		}
		for _, g := range r.sameItem(list) {
			r.fill(g, kind)
		}
	}
}

// sameItem sorts the drafts about one kind of part into those about the same item: by whether it came out or went in,
// and for leads by their side or order.
func (r *reader) sameItem(list []int) map[string][]int {
	groups := map[string][]int{}
	exchange := false
	for _, i := range list {
		d := &r.drafts[i]
		exchange = exchange || d.factual() && (d.Kind == implant.Removed || d.Kind == implant.ReportedGone || d.Kind == implant.Exchanged || d.old)
	}
	last := ""
	for _, i := range list {
		d := &r.drafts[i]
		if !d.factual() || d.piece || d.title || d.plural || d.Component.Count > 1 || d.act == "loose" || d.Scope != r.documentScope() {
			continue
		}
		key := ""
		if exchange {
			switch {
			case d.old || d.Kind == implant.Removed || d.Kind == implant.ReportedGone:
				key = "old"
			case d.new || d.Kind == implant.Implanted:
				key = "new"
			case d.Kind == implant.Described || d.Kind == implant.Located:
				key = last
			default:
				continue
			}
			if d.Kind == implant.Exchanged || key == "" {
				continue
			}
			last = key
		}
		if d.Component.Kind != implant.Generator && d.Component.Kind != implant.Pump && d.Site.Side != "" {
			key += string(d.Site.Side)
		}
		if d.other || d.ordinal > 0 {
			key += "#" + string(rune('0'+d.ordinal))
		}
		groups[key] = append(groups[key], i)
	}
	return groups
}

// fill completes the drafts of one item from each other.
func (r *reader) fill(group []int, kind implant.Kind) {
	if len(group) < 2 || len(group) > maxPeers {
		return
	}
	type field func(d *draft) *string
	fields := []field{
		func(d *draft) *string { return &d.Component.Model },
		func(d *draft) *string { return &d.Component.Serial },
		func(d *draft) *string { return &d.Component.Lot },
		func(d *draft) *string { return &d.Component.Maker },
	}
	if kind == implant.Generator || kind == implant.Pump {
		fields = append(fields, func(d *draft) *string { return (*string)(&d.Site.Side) }, func(d *draft) *string { return &d.Site.Pocket })
	} else {
		fields = append(fields, func(d *draft) *string { return &d.Site.Entry }, func(d *draft) *string { return &d.Site.Tip },
			func(d *draft) *string { return &d.Site.Level }, func(d *draft) *string { return &d.Site.Nerve })
	}
	for _, f := range fields {
		one, ok := "", true
		for _, i := range group {
			if v := *f(&r.drafts[i]); v != "" {
				ok = ok && (one == "" || one == v)
				one = v
			}
		}
		if !ok || one == "" {
			continue
		}
		for _, i := range group {
			if d := &r.drafts[i]; !d.weak || d.Kind == implant.Described || d.Kind == implant.Located {
				if v := f(d); *v == "" {
					*v = one
				}
			}
		}
	}
}
