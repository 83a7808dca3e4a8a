package mri

import (
	"cmp"
	"slices"
)

// maxTries is how many combinations of condition sets are tried on one scanner.
const maxTries = 4096

// knownWay keeps a way that was built for another scanner with the same choices.
type knownWay struct {
	chosen []*alt
	shared shared
	way    Way
}

// answers judges every scanner of the policy's site, in the order of their IDs. Without a part in the body there
// is nothing to judge.
func (d *decision) answers(scanners []Scanner) []ScannerAnswer {
	if len(d.parts) == 0 {
		return nil
	}
	list := make([]*Scanner, 0, len(scanners))
	for i := range scanners {
		if d.pol.Site == "" || scanners[i].Site == d.pol.Site {
			list = append(list, &scanners[i])
		}
	}
	slices.SortStableFunc(list, func(a, b *Scanner) int {
		if a.ID != b.ID {
			return cmp.Compare(a.ID, b.ID)
		}
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.Name, b.Name))
	})
	out := make([]ScannerAnswer, 0, len(list))
	w := search{d: d, chosen: d.room.chosen[:0], first: d.room.first[:0], on: d.room.on[:0], faults: d.room.faults[:0]}
	for range d.units {
		w.chosen, w.first = append(w.chosen, nil), append(w.first, 0)
	}
	for _, sc := range list {
		out = append(out, d.answer(sc, &w))
	}
	return out
}

// room is what an ordinary decision needs for its searches, in one piece of memory.
type room struct {
	chosen [8]*alt
	first  [8]int
	on     [32]Truth
	faults [16]fault
	names  [4]maskSets
}

// search walks the combinations of one alternative of each unit, on one scanner.
type search struct {
	d       *decision
	sc      *Scanner
	chosen  []*alt
	on      []Truth // of each alternative on this scanner, unit after unit
	first   []int   // where the alternatives of a unit begin in on
	clash   bool    // some combination fails only in what the operator chooses
	best    Truth
	ways    []Way
	day     int64 // first day on which some combination holds; 0 none
	tries   int
	asking  bool     // second walk: gather what fails
	probing bool     // third walk: would it hold but for the body
	faults  []fault  // of the alternatives' sets; the room is used for every scanner
	reasons []Reason // gathered of combinations
}

func (d *decision) answer(sc *Scanner, w *search) ScannerAnswer {
	a := ScannerAnswer{ID: sc.ID, Site: sc.Site, Name: sc.Name, Truth: NotMet}
	if d.unsafe {
		return a
	}
	*w = search{d: d, sc: sc, best: NotMet, chosen: w.chosen, first: w.first, on: w.on[:0], faults: w.faults[:0]}
	for i := range d.units {
		w.first[i] = len(w.on)
		for j := range d.units[i].alts {
			t := Met
			if s := d.units[i].alts[j].set; s != nil {
				t = w.onScanner(s)
			}
			w.on = append(w.on, t)
		}
	}
	w.walk(0, d.body, d.body, 0)
	if w.tries > maxTries && w.best != Met {
		w.best, w.day = Unknown, 0
		w.reasons = append(w.reasons, Reason{Code: WhyTooManyWays, Truth: Unknown})
	}
	a.Truth, a.Ways = w.best, w.ways
	if w.best != Met {
		if w.day != 0 {
			a.EarliestChange = dayText(w.day)
		}
		if w.stoppedByBody() {
			d.stopped = true // what other sets lack is no reason here: the body's own reasons are
			return a
		}
		a.Reasons = w.why()
	}
	return a
}

// stoppedByBody says whether some combination would hold on this scanner but for what is open or fails in the body
// itself, such as an open question. It writes no trace: nothing is decided by it.
func (w *search) stoppedByBody() bool {
	if w.d.body == Met || w.tries > maxTries {
		return false
	}
	probe := *w
	probe.probing, probe.best, probe.tries, probe.ways = true, NotMet, 0, nil
	probe.walk(0, Met, Met, 0)
	return probe.best == Met
}

// why walks again and gathers what fails on this scanner.
func (w *search) why() []Reason {
	if w.clash {
		best, clash, day, ways := w.best, w.clash, w.day, w.ways
		w.asking, w.tries, w.ways = true, 0, nil
		w.walk(0, Met, Met, 0)
		w.best, w.clash, w.day, w.ways = best, clash, day, ways
	}
	return tidy(append(w.faultReasons(len(w.reasons)), w.reasons...))
}

// walk chooses an alternative for unit i. A combination that fails even once healing times have passed is left.
func (w *search) walk(i int, truth, healed Truth, day int64) {
	if w.tries > maxTries || len(w.ways) == MaxWays || w.probing && w.best == Met {
		return
	}
	if i == len(w.d.units) {
		w.leaf(truth, healed, day)
		return
	}
	alts := w.d.units[i].alts
	for j := range alts {
		a := &alts[j]
		h := healed.And(a.healed).And(w.on[w.first[i]+j])
		if h == NotMet || a.needs != nil && !w.has(a.needs, i) {
			continue
		}
		w.chosen[i] = a
		w.walk(i+1, truth.And(a.truth).And(w.on[w.first[i]+j]), h, max(day, a.day))
	}
}

func (w *search) has(s *system, n int) bool {
	for _, a := range w.chosen[:n] {
		if a.system == s {
			return true
		}
	}
	return false
}

func (w *search) leaf(truth, healed Truth, day int64) {
	w.tries++
	var gather *[]Reason
	if w.asking || w.probing {
		gather = &w.reasons
	}
	c, t := w.d.common(w.chosen, w.sc, gather)
	if len(w.chosen) == 0 {
		t = t.And(Unknown)
	}
	truth, healed = truth.And(t), healed.And(t)
	w.clash = w.clash || t != Met
	w.best = w.best.Or(truth)
	switch {
	case w.asking, w.probing:
	case truth == Met:
		if w.ways == nil {
			w.ways = make([]Way, 0, 2)
		}
		w.ways = append(w.ways, w.d.way(w.chosen, c))
	case healed == Met && (w.day == 0 || day < w.day):
		w.day = day
	}
}

// way builds, or finds, what follows from a combination that holds.
func (d *decision) way(chosen []*alt, c shared) Way {
	for i := range d.ways {
		if d.ways[i].shared == c && slices.Equal(d.ways[i].chosen, chosen) {
			return d.ways[i].way
		}
	}
	if d.ways == nil {
		d.ways = make([]knownWay, 0, 2)
	}
	w := Way{Sets: make([]string, 0, len(chosen)), Limits: limits(chosen), Confirm: d.confirm(chosen, c)}
	for _, a := range chosen {
		if a.ref != "" && a.needs == nil {
			w.Sets = append(w.Sets, a.ref)
		}
	}
	slices.Sort(w.Sets)
	w.Sets = slices.Compact(w.Sets)
	d.ways = append(d.ways, knownWay{append([]*alt(nil), chosen...), c, w})
	return w
}

// limits takes the most restrictive of each number, never across numbers: the least, for waits the greatest.
func limits(chosen []*alt) []Limit {
	var strictest [quantities]*set
	n := 0
	for i := range strictest {
		for _, a := range chosen {
			s := a.set
			if s == nil || !s.has(i) {
				continue
			}
			best := strictest[i]
			if best == nil {
				n++
			}
			if best == nil || stricter(i, s.q[i].Amount, best.q[i].Amount) || s.q[i].Amount == best.q[i].Amount && s.ref < best.ref {
				strictest[i] = s
			}
		}
	}
	out := make([]Limit, 0, n)
	for i, s := range strictest {
		if s != nil {
			out = append(out, Limit{Code: quantityInfo[i].code, Quantity: s.q[i], Words: s.limitWords[i], Set: s.ref})
		}
	}
	return out
}

func stricter(i int, a, b Amount) bool {
	if quantityInfo[i].least {
		return a > b
	}
	return a < b
}

// summary gives the most restrictive numbers and all that is to be confirmed over all scanners and ways that hold.
func (d *decision) summary() ([]Limit, []Condition) {
	if len(d.ways) == 1 {
		return d.ways[0].way.Limits, d.ways[0].way.Confirm
	}
	var found [quantities]*Limit
	var all []Condition
	var m merger
	for i := range d.ways {
		w := &d.ways[i].way
		for k := range w.Limits {
			l := &w.Limits[k]
			n := quantityIndex(l.Code)
			if f := found[n]; f == nil || stricter(n, l.Amount, f.Amount) || l.Amount == f.Amount && l.Set < f.Set {
				found[n] = l
			}
		}
		if i == 0 {
			all = make([]Condition, 0, len(w.Confirm)+4)
		}
		all = m.add(all, w.Confirm)
	}
	n := 0
	for _, l := range found {
		if l != nil {
			n++
		}
	}
	out := make([]Limit, 0, n)
	for _, l := range found {
		if l != nil {
			out = append(out, *l)
		}
	}
	return out, all
}

func quantityIndex(code string) int {
	for i := range quantityInfo {
		if quantityInfo[i].code == code {
			return i
		}
	}
	return 0
}
