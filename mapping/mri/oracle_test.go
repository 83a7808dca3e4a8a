package mri_test

// An independent evaluator of the rules, written from the table of rules (RULES.md) and
// the package comment of mri. It shares no code with the engine: own units, own landmarks, own logic, no pruning.

import (
	"math/big"
	"slices"
	"sort"
	"strings"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// tv is a truth value: 0 no, 1 don't know, 2 yes. AND is the least, OR the greatest.
type tv int

const no, dunno, yes tv = 0, 1, 2

func all(vs ...tv) tv   { return slices.Min(append(vs, yes)) }
func anyOf(vs ...tv) tv { return slices.Max(append(vs, no)) }
func is(b bool) tv {
	if b {
		return yes
	}
	return no
}

// world is all that one decision is about.
type world struct {
	rec      implant.Record
	exam     mri.Exam
	labels   []mri.Labelling
	scanners []mri.Scanner
	interval time.Duration
	site     string
	asOf     time.Time
	memo     map[string]memory
}

// memory keeps what the labels say of a part, only to save time.
type memory struct {
	ms    []mention
	clash bool
}

// finding is what the evaluator finds.
type finding struct {
	kind     mri.Kind
	scanner  map[string]tv
	ways     map[string]way // by scanner ID and sets
	change   string
	combined bool
}

type way struct {
	limits  map[string]*big.Rat
	confirm []string
}

// choice is one condition set for one unit.
type choice struct {
	ref      string
	sys      *mri.System
	needs    *mri.System
	set      *mri.ConditionSet
	act      bool
	now, day tv    // truth now; truth once healed
	from     int64 // first healed day
	distance bool
	others   bool
}

func (w world) judge() finding {
	f := finding{scanner: map[string]tv{}, ways: map[string]way{}}
	var body []implant.Part
	for _, p := range w.rec.Parts {
		if p.State != implant.RemovedWhole && p.State != implant.NeverImplanted {
			body = append(body, p)
		}
	}
	asks := false
	for _, q := range w.rec.Questions {
		asks = asks || q.MR
	}
	if len(body) == 0 {
		f.kind = mri.KindNothing
		if asks {
			f.kind = mri.KindNotEstablished
		}
		return f
	}
	whole := yes
	if asks {
		whole = dunno
	}
	unsafe := false
	powered := 0
	for _, p := range body {
		whole = all(whole, w.partTruth(p))
		unsafe = unsafe || w.unsafe(p)
		if hasPower(p) {
			powered += number(p)
		}
	}
	units, groups, truth := w.units(body, powered)
	whole = all(whole, truth)
	f.combined = powered > 1
	for _, g := range groups {
		if n := powerOf(g); n == powered {
			f.combined = false
		} else if n == 0 && powered > 0 { // leads of an external stimulator, and a generator
			f.combined = true
		}
	}
	best := no
	for _, sc := range w.scanners {
		if w.site != "" && sc.Site != w.site {
			continue
		}
		now, change := w.onScanner(sc, units, whole, &f)
		if unsafe {
			now, change = no, ""
		}
		f.scanner[sc.ID] = now
		best = anyOf(best, now)
		if change != "" && (f.change == "" || change < f.change) {
			f.change = change
		}
	}
	if len(f.scanner) == 0 {
		best = all(dunno, whole)
		for _, u := range units {
			b := no
			for _, c := range u {
				b = anyOf(b, c.now)
			}
			best = all(best, b)
		}
	}
	switch {
	case unsafe:
		f.kind, f.change = mri.KindUnsafe, ""
	case best == yes:
		f.kind, f.change = mri.KindWithinIf, ""
	case best == no:
		f.kind = mri.KindOutside
	default:
		f.kind = mri.KindNotEstablished
	}
	return f
}

func hasPower(p implant.Part) bool {
	k := p.Component.Kind
	return k == "generator" || k == "pump" || k == "other-active"
}

func kindKnown(p implant.Part) bool {
	return p.Component.Kind != "" && p.Component.Kind != implant.Unidentified
}

func number(p implant.Part) int {
	if p.Component.Count < 1 {
		return 1
	}
	return p.Component.Count
}

func powerOf(ps []implant.Part) (n int) {
	for _, p := range ps {
		if hasPower(p) {
			n += number(p)
		}
	}
	return n
}

func left(p implant.Part) bool {
	switch p.State {
	case implant.NotConnected, implant.Capped, implant.Cut, implant.RemovedInPart, implant.SoughtNotFound:
		return true
	}
	return false
}

func same(a, b string) bool {
	if a == b {
		return true
	}
	return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

func oneOf(s string, list []string) bool {
	return slices.ContainsFunc(list, func(l string) bool { return same(l, s) })
}

// names says whether a label's entry names the part, and whether they contradict each other.
func names(p implant.Part, maker string, models, dis []string) (named, clash bool) {
	c := p.Component
	if !kindKnown(p) {
		return false, false
	}
	if c.Maker != "" && c.Model != "" {
		named = same(c.Maker, maker) && oneOf(c.Model, models)
		return named, named && c.DI != "" && len(dis) > 0 && !slices.Contains(dis, c.DI)
	}
	named = c.DI != "" && slices.Contains(dis, c.DI)
	return named, named && (c.Maker != "" && !same(c.Maker, maker) || c.Model != "" && !oneOf(c.Model, models))
}

// mention is an entry of a label that names a part.
type mention struct {
	l    *mri.Labelling
	sys  *mri.System
	slot *mri.Slot
	comp *mri.ComponentLabel
}

func document(l *mri.Labelling, id string) mri.Document {
	for _, d := range l.Documents {
		if d.ID == id {
			return d
		}
	}
	return mri.Document{}
}

func (w world) mentions(p implant.Part) (ms []mention, clash bool) {
	if m, ok := w.memo[p.ID]; ok {
		return m.ms, m.clash
	}
	defer func() {
		if w.memo != nil {
			w.memo[p.ID] = memory{ms, clash}
		}
	}()
	add := func(m mention, maker string, models, dis []string) {
		n, c := names(p, maker, models, dis)
		if n {
			ms = append(ms, m)
		}
		clash = clash || c
	}
	for i := range w.labels {
		l := &w.labels[i]
		for j := range l.Systems {
			s := &l.Systems[j]
			for k := range s.Parts {
				maker := s.Parts[k].Maker
				if maker == "" {
					maker = s.Maker
				}
				if maker == "" {
					maker = document(l, s.Document).Maker
				}
				add(mention{l: l, sys: s, slot: &s.Parts[k]}, maker, s.Parts[k].Models, s.Parts[k].DIs)
			}
		}
		for j := range l.Components {
			c := &l.Components[j]
			maker := c.Maker
			if maker == "" {
				maker = document(l, c.Document).Maker
			}
			add(mention{l: l, comp: c}, maker, c.Models, c.DIs)
		}
	}
	return ms, clash
}

func (w world) unsafe(p implant.Part) bool {
	ms, _ := w.mentions(p)
	return p.Label == implant.MRUnsafe || slices.ContainsFunc(ms, func(m mention) bool { return m.comp != nil && m.comp.Status == implant.MRUnsafe })
}

// identified: kind known, and maker and model, or a device identifier that a label lists.
func (w world) identified(p implant.Part) bool {
	ms, clash := w.mentions(p)
	return kindKnown(p) && !clash && (p.Component.Maker != "" && p.Component.Model != "" || len(ms) > 0)
}

// partTruth: R2, R7, R16 and what sources state, for a part by itself.
func (w world) partTruth(p implant.Part) tv {
	t := is(w.identified(p))
	if t == no {
		t = dunno
	}
	if p.State != implant.Connected && !left(p) {
		t = all(t, dunno)
	}
	switch p.Label {
	case implant.MRConflict, implant.LabelSilent, implant.NotEvaluated:
		t = all(t, dunno)
	}
	if p.Function == "non-functional" && p.Component.Kind != implant.Hardware && p.Component.Kind != implant.Anchor {
		t = all(t, dunno)
	}
	return t
}

// current: the label is not stale, and no other edition of it stands against it.
func (w world) current(l *mri.Labelling, docID, id string, isSystem bool) tv {
	d := document(l, docID)
	t := yes
	from, _, ok := d.Reviewed.Bounds()
	interval := w.interval
	if interval <= 0 {
		interval = 365 * 24 * time.Hour
	}
	if d.Withdrawn || !ok || from.After(w.asOf) || from.Add(interval).Before(w.asOf) {
		t = dunno
	}
	for i := range w.labels {
		o := &w.labels[i]
		if o == l {
			continue
		}
		var other string
		if isSystem {
			for _, s := range o.Systems {
				if s.ID == id {
					other = s.Document
				}
			}
		} else {
			for _, c := range o.Components {
				if c.ID == id {
					other = c.Document
				}
			}
		}
		if other == "" {
			continue
		}
		od := document(o, other)
		switch {
		case d.Issued.Before(od.Issued):
			t = no
		case !od.Issued.Before(d.Issued):
			t = all(t, dunno)
		}
	}
	return t
}

func key(parts []string) string {
	parts = slices.Compact(slices.Sorted(slices.Values(parts)))
	sort.Strings(parts)
	return strings.Join(parts, " + ")
}
