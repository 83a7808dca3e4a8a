package mri

import (
	mathbits "math/bits"
	"slices"
)

// maskSets names the sets of the units that ask for something; conditions of one way share them.
type maskSets struct {
	mask uint64
	sets []string
}

// asking is something that a condition set may leave to the day.
type asking struct {
	code  string
	phase Phase
	args  []string // fixed argument
}

// The askings that are not a check of checkCodes or afterCodes have a fixed place.
const (
	askPosition   = 11
	askDistance   = 12
	askOther      = 13
	askSilent     = 14 // and the three after it
	askCoil       = 18
	askMode       = 19
	askExcitation = 20
	askNuclei     = 21
	askAfter      = 22 // and the three after it
)

// askings are in the order in which they are listed: before, during, after.
var askings = [...]asking{
	{CheckTherapyOff, Before, nil}, {CheckMRMode, Before, nil}, {CheckBattery, Before, nil}, {CheckImpedance, Before, nil},
	{CheckNoProgrammer, Before, nil}, {CheckAfebrile, Before, nil}, {CheckHeatRegulation, Before, nil}, {CheckCanReport, Before, nil},
	{CheckNoSedation, Before, nil}, {CheckNoBlankets, Before, nil}, {CheckMidline, Before, nil},
	askPosition:   {ElementPosition, Before, nil},
	askDistance:   {ElementDistance, Before, nil},
	askOther:      {ElementOtherActive, Before, nil},
	askSilent:     {WhyLabelSilent, Before, []string{ElementRegion}},
	askSilent + 1: {WhyLabelSilent, Before, []string{ElementCoil}},
	askSilent + 2: {WhyLabelSilent, Before, []string{ElementSlewRate}},
	askSilent + 3: {WhyLabelSilent, Before, []string{ElementMode}},
	askCoil:       {ElementCoil, During, nil},
	askMode:       {ElementMode, During, nil},
	askExcitation: {ElementExcitation, During, nil},
	askNuclei:     {ElementNuclei, During, nil},
	askAfter:      {CheckMRModeOff, After, nil},
	askAfter + 1:  {CheckRestore, After, nil},
	askAfter + 2:  {CheckFunction, After, nil},
	askAfter + 3:  {CheckImpedance, After, nil},
}

// checkCodes and afterCodes are the codes that a label may list, in the order of askings.
var (
	checkCodes = []string{CheckTherapyOff, CheckMRMode, CheckBattery, CheckImpedance, CheckNoProgrammer,
		CheckAfebrile, CheckHeatRegulation, CheckCanReport, CheckNoSedation, CheckNoBlankets, CheckMidline}
	afterCodes = []string{CheckMRModeOff, CheckRestore, CheckFunction, CheckImpedance}
)

// readAskings notes once what a set asks for and in what words.
func (s *set) readAskings() {
	s.asks |= uint32(s.before) | uint32(s.after)<<askAfter
	for bit, is := range map[int]bool{askPosition: s.positions != 0, askDistance: s.distance.Printed != "", askCoil: s.coils != 0,
		askMode: s.modes != 0, askExcitation: s.excitation != 0, askNuclei: s.nuclei != 0} {
		if is {
			s.asks |= 1 << bit
		}
	}
	for _, e := range s.silences {
		for i := range 4 {
			if !e.stops && askings[askSilent+i].args[0] == e.code {
				s.asks |= 1 << (askSilent + i)
			}
		}
	}
	s.refs = []string{s.ref}
	for i := range askings {
		s.askWords[i] = one(s.Words[askings[i].code])
	}
	for i := range quantityInfo {
		s.limitWords[i] = s.Words[quantityInfo[i].code]
	}
}

// asks says what an alternative leaves to the day: what its set asks for, less what somebody has answered.
func (d *decision) asks(a *alt) uint32 {
	if a.set == nil {
		return 0
	}
	mask := a.set.asks &^ (1<<askDistance | d.answered)
	if a.distance {
		mask |= 1 << askDistance
	}
	if a.otherActive {
		mask |= 1 << askOther
	}
	return mask
}

// answeredChecks are the askings that the exam's checks have settled.
func answeredChecks(checks map[string]Truth) (mask uint32) {
	if len(checks) == 0 {
		return 0
	}
	for i := range askPosition + 1 {
		if checks[askings[i].code] != Unknown {
			mask |= 1 << i
		}
	}
	return mask
}

// confirm lists what a way leaves to the day: what to check before, what to keep during, what to do after. Each
// once, with the labels that ask for it.
func (d *decision) confirm(chosen []*alt, c shared) []Condition {
	var roomFor [16]uint32
	var all uint32
	each := roomFor[:0] // what each alternative leaves to the day
	n := 0
	for _, a := range chosen {
		asks := d.asks(a)
		each = append(each, asks)
		all |= asks
		n += int(asks >> askDistance & 1)
	}
	d.names = d.room.names[:0]
	out := make([]Condition, 0, mathbits.OnesCount32(all&^(1<<askDistance))+n)
	for left := all; left != 0; left &= left - 1 {
		i := mathbits.TrailingZeros32(left)
		if i == askDistance {
			out = d.distances(out, chosen)
			continue
		}
		out = out[:len(out)+1]
		x := &out[len(out)-1]
		x.Code, x.Phase, x.Args = askings[i].code, askings[i].phase, args(&c, i)
		var units uint64
		for j, a := range chosen {
			if each[j]&(1<<i) != 0 {
				units |= 1 << min(j, 63)
				x.Words = d.both(x.Words, a.set.askWords[i])
			}
		}
		x.Sets = d.setsOf(chosen, units)
	}
	return out
}

// both joins the words of two labels; those of one are given as they are.
func (d *decision) both(words, more []string) []string {
	if len(more) == 0 || slices.Contains(words, more[0]) {
		return words
	}
	if len(words) == 0 {
		return more
	}
	var room [8]string
	return d.list(append(append(room[:0], words...), more...)...)
}

// args gives what the operator may choose from, for asking i.
func args(c *shared, i int) []string {
	switch i {
	case askPosition:
		return positionLists[c.positions]
	case askCoil:
		return coilLists[c.coils]
	case askMode:
		return modeLists[c.modes]
	case askExcitation:
		return excitationLists[c.excitation]
	case askNuclei:
		return nucleusLists[c.nuclei]
	}
	return askings[i].args
}

// The lists of words of every set of bits, made once; nobody changes them.
var (
	positionLists, coilLists, modeLists = lists(positionWords), lists(coilWords), lists(modeWords)
	excitationLists, nucleusLists       = lists(excitationWords), lists(nucleusWords)
)

func lists(vocab []string) [][]string {
	out := make([][]string, 1<<len(vocab))
	for b := range out {
		out[b] = slices.Clip(bits(b).words(vocab))
	}
	return out
}

// distances names each label's least distance by itself: it is from the parts of that label.
func (d *decision) distances(out []Condition, chosen []*alt) []Condition {
	for i, a := range chosen {
		if a.distance {
			out = append(out, Condition{Code: ElementDistance, Phase: Before, Args: []string{a.set.distance.Printed},
				Words: a.set.askWords[askDistance], Sets: d.setsOf(chosen, 1<<min(i, 63))})
		}
	}
	return out
}

// setsOf gives the sets of the units in mask; units from the 64th on are named together.
func (d *decision) setsOf(chosen []*alt, mask uint64) []string {
	if j := mathbits.TrailingZeros64(mask); mask == 1<<j && j < 63 && chosen[j].set != nil {
		return chosen[j].set.refs
	}
	for i := range d.names {
		if d.names[i].mask == mask {
			return d.names[i].sets
		}
	}
	var room [8]string
	refs := room[:0]
	for i, a := range chosen {
		if mask&(1<<min(i, 63)) != 0 && a.set != nil && !slices.Contains(refs, a.ref) {
			refs = append(refs, a.ref)
		}
	}
	sets := d.list(refs...)
	d.names = append(d.names, maskSets{mask, sets})
	return sets
}

// merger joins the conditions of several ways. It remembers the unions it made: most conditions of two ways are
// asked for by the same two lists of sets.
type merger struct{ unions []unionOf }

type unionOf struct {
	a, b   *string
	na, nb int
	out    []string
}

// add adds conditions not yet there, in order; those of one code, phase and arguments become one.
func (m *merger) add(all, more []Condition) []Condition {
	if len(all) == 0 && !repeats(more) {
		return append(all, more...)
	}
	next := 0 // two ways mostly ask the same in the same order
	for i := range more {
		c := &more[i]
		j := next
		if j >= len(all) || !alike(&all[j], c) {
			j = 0
			for j < len(all) && !alike(&all[j], c) {
				j++
			}
		}
		if j == len(all) {
			all = append(all, *c)
			continue
		}
		next = j + 1
		all[j].Words = m.union(all[j].Words, c.Words)
		all[j].Sets = m.union(all[j].Sets, c.Sets)
	}
	return all
}

// repeats says whether a way may ask twice for the same: only a distance, of two labels.
func repeats(list []Condition) bool {
	n := 0
	for i := range list {
		if list[i].Code == ElementDistance {
			n++
		}
	}
	return n > 1
}

func alike(a, b *Condition) bool {
	return a.Code == b.Code && a.Phase == b.Phase && slices.Equal(a.Args, b.Args)
}

func (m *merger) union(a, b []string) []string {
	if len(b) == 0 || len(a) > 0 && len(a) == len(b) && &a[0] == &b[0] {
		return a
	}
	if len(a) == 0 {
		return b
	}
	if slices.Equal(a, b) {
		return a
	}
	for _, u := range m.unions {
		if u.a == &a[0] && u.b == &b[0] && u.na == len(a) && u.nb == len(b) {
			return u.out
		}
	}
	out := make([]string, len(a), len(a)+len(b))
	copy(out, a)
	for _, s := range b {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	m.unions = append(m.unions, unionOf{&a[0], &b[0], len(a), len(b), out})
	return out
}
