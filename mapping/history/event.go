package history

import (
	"cmp"
	"slices"

	"gaussline/mapping/implant"
)

// occasion is what happened to one system in one session.
type occasion struct {
	key, system string
	first       item
	in, out     []*part
	moved, kept []*part // repositioned; capped, cut, disconnected, reported removed
	gone        []*part // reported removed
	followed    []*part
	reasons     []string
	said        []string
	sources     []implant.Source
}

// events lists what happened, in effective time.
func (f *fold) events() []implant.Event {
	var all []*occasion
	find := func(key, system string, it item) *occasion {
		for _, o := range all {
			if o.key == key && o.system == system {
				return o
			}
		}
		o := &occasion{key: key, system: system, first: it}
		all = append(all, o)
		return o
	}
	for _, p := range f.parts {
		if !p.listed() {
			continue
		}
		for _, it := range p.told {
			if list := f.role(it); list != nil {
				find(sessionKey(it), p.System, it).note(p, it, list)
			}
		}
	}
	slices.SortFunc(all, func(a, b *occasion) int {
		return cmp.Or(compareItems(a.first, b.first), cmp.Compare(a.system, b.system))
	})
	dropToldTwice(all)
	f.addReasons(all)
	var out []implant.Event
	for i, o := range all {
		if e, ok := f.classify(o, all[:i]); ok {
			out = append(out, e)
		}
	}
	out = append(out, f.courseEvents()...)
	for i := range out {
		out[i].Told = f.firstTold(out[i].Sources)
	}
	slices.SortStableFunc(out, func(a, b implant.Event) int { return cmp.Or(compareWhen(a.At, b.At), cmp.Compare(a.ID, b.ID)) })
	return out
}

// dropToldTwice leaves out that a part is reported gone where an occasion says how it came out: a Device whose status
// says so tells nothing more.
func dropToldTwice(all []*occasion) {
	for _, o := range all {
		o.gone = slices.DeleteFunc(o.gone, func(p *part) bool {
			return slices.ContainsFunc(all, func(x *occasion) bool { return slices.Contains(x.out, p) })
		})
	}
}

func compareWhen(a, b implant.When) int {
	fa, _, _ := a.Bounds()
	fb, _, _ := b.Bounds()
	return cmp.Or(fa.Compare(fb), cmp.Compare(a, b))
}

// role says which list of an occasion a fact puts its part on.
func (f *fold) role(it item) func(*occasion) *[]*part {
	switch it.Kind {
	case implant.Implanted:
		return func(o *occasion) *[]*part { return &o.in }
	case implant.Removed, implant.RemovedPart:
		return func(o *occasion) *[]*part { return &o.out }
	case implant.WasCut, implant.WasCapped, implant.Disconnected:
		return func(o *occasion) *[]*part { return &o.kept }
	case implant.ReportedGone:
		return func(o *occasion) *[]*part { return &o.gone }
	case implant.Repositioned:
		return func(o *occasion) *[]*part { return &o.moved }
	case implant.Adjusted:
		return func(o *occasion) *[]*part { return &o.followed }
	}
	return nil
}

func (o *occasion) note(p *part, it item, list func(*occasion) *[]*part) {
	if l := list(o); !slices.Contains(*l, p) {
		*l = append(*l, p)
	}
	if !slices.Contains(o.sources, it.Source) {
		o.sources = append(o.sources, it.Source)
	}
	if compareItems(it, o.first) < 0 {
		o.first = it
	}
}

// addReasons puts a reason given by a source to the occasion of that source or day.
func (f *fold) addReasons(all []*occasion) {
	for _, it := range f.items {
		if it.Kind != implant.Reason {
			continue
		}
		for _, o := range all {
			if o.key == sessionKey(it) || slices.ContainsFunc(o.sources, func(s implant.Source) bool { return s.Key == it.st.Key }) {
				if len(o.out)+len(o.moved)+len(o.kept) == 0 {
					continue
				}
				if !slices.Contains(o.reasons, it.Value) {
					o.reasons = append(o.reasons, it.Value)
				}
				o.said = addSaid(o.said, it)
			}
		}
	}
	for _, o := range all {
		slices.Sort(o.reasons)
		slices.Sort(o.said)
	}
}

// addSaid adds the reporter's own words: those of the fields for reason and complication, not those of a note.
func addSaid(said []string, it item) []string {
	if it.Basis != implant.Coded || it.Source.Quote == "" || slices.Contains(said, it.Source.Quote) {
		return said
	}
	return append(said, it.Source.Quote)
}

// classify names the occasion by the conventions of the trade: a system explant takes everything out and puts
// nothing back, after a partial explant something stays, a revision means the system to work afterwards.
func (f *fold) classify(o *occasion, earlier []*occasion) (implant.Event, bool) {
	e := implant.Event{At: o.first.At, System: o.system, In: ids(o.in), Out: ids(o.out),
		Parts:   ids(append(append(append(slices.Clone(o.kept), o.moved...), o.gone...), o.followed...)),
		Reasons: o.reasons, Said: o.said, Sources: o.sources}
	slices.SortFunc(e.Sources, compareSources)
	before := slices.ContainsFunc(earlier, func(x *occasion) bool { return x.system == o.system && len(x.in) > 0 })
	switch {
	case len(o.in) > 0 && len(o.out) > 0:
		e.Kind = implant.EventReplaced
		if !sameKinds(o.in, o.out) {
			e.Kind = implant.EventRevised
		}
	case len(o.in) > 0 && (before || len(o.moved)+len(o.kept) > 0):
		e.Kind = implant.EventRevised
	case len(o.in) > 0:
		e.Kind = implant.EventImplanted
	case len(o.out) > 0:
		e.Kind = f.explantKind(o)
	case len(o.kept) > 0:
		e.Kind = implant.EventRevised
	case len(o.moved) > 0:
		e.Kind = implant.EventRepositioned
	case len(o.gone) > 0:
		e.Kind = implant.EventReportedRemoved
	case len(o.followed) > 0:
		e.Kind = implant.EventFollowUp
	default:
		return e, false
	}
	e.ID = "event-" + shortHash(o.key, o.system, string(e.Kind))
	return e, true
}

// explantKind tells a whole explant from one that leaves something, by what is left of the system now.
func (f *fold) explantKind(o *occasion) implant.EventKind {
	doubtful := false
	for _, p := range f.parts {
		if p.System != o.system || !p.listed() {
			continue
		}
		inOut := slices.Contains(o.out, p)
		if o.first.At.Before(p.Implanted) {
			doubtful = doubtful || inOut // out before it was put in: see checkRemovedFirst
			continue
		}
		switch {
		case inOut && p.State == implant.ReportedRemoved:
			doubtful = true
		case inOut && !p.State.InBody():
		case !p.State.InBody() && (p.State == implant.NeverImplanted || !o.first.At.Before(p.Removed)):
		default:
			return implant.EventPartlyExplanted
		}
	}
	if doubtful {
		return implant.EventReportedRemoved
	}
	return implant.EventExplanted
}

// sameKinds says whether what came out is of the kinds that went in.
func sameKinds(in, out []*part) bool {
	kinds := func(ps []*part) []string {
		var ks []string
		for _, p := range ps {
			ks = append(ks, string(p.Component.Kind))
		}
		slices.Sort(ks)
		return slices.Compact(ks)
	}
	return slices.Equal(kinds(in), kinds(out))
}

func ids(ps []*part) []string {
	var out []string
	for _, p := range ps {
		out = append(out, p.ID)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// courseEvents lists complications and follow-up values, one event a source and kind.
func (f *fold) courseEvents() []implant.Event {
	var out []implant.Event
	for _, it := range f.items {
		kind := implant.EventFollowUp
		switch it.Kind {
		case implant.Complication:
			kind = implant.EventComplication
		case implant.Outcome, implant.UsageHours:
		default:
			continue
		}
		id := "event-" + shortHash(it.st.Key, string(kind), string(it.At))
		i := slices.IndexFunc(out, func(e implant.Event) bool { return e.ID == id })
		if i < 0 {
			out = append(out, implant.Event{ID: id, Kind: kind, At: it.At})
			i = len(out) - 1
		}
		if !slices.Contains(out[i].Values, it.Value) {
			out[i].Values = append(out[i].Values, it.Value)
		}
		if it.Kind == implant.Complication {
			out[i].Said = addSaid(out[i].Said, it)
		}
		if !slices.Contains(out[i].Sources, it.Source) {
			out[i].Sources = append(out[i].Sources, it.Source)
		}
	}
	return out
}

func compareSources(a, b implant.Source) int {
	return cmp.Or(cmp.Compare(a.Key, b.Key), cmp.Compare(a.Version, b.Version), cmp.Compare(a.Path, b.Path),
		cmp.Compare(a.Start, b.Start), cmp.Compare(a.End, b.End), cmp.Compare(a.Quote, b.Quote))
}
