package registry

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/survival"
)

// SmallCells is the least number of patients that an aggregate tells of unless configured otherwise; 0 is told too.
// Smaller numbers, and what they could be worked out from, are left out. Source: facts, pseudonymisation: US federal
// health data suppress 1 to 10 and anything from which they can be derived.
const SmallCells = 11

// Times of the figures, in days.
const (
	yearDays = 365.25
	// graceDays is how late a component may be told of and count as known from implantation. Common practice, no source.
	graceDays = 31
	// impreciseDays is how long a stretch a date may mean; its middle is taken. Longer ones are left out.
	impreciseDays = 31
)

// Causes of the two outcomes, as survival numbers them.
const (
	causeRevision = 1 // outcome revision: revised
	causeExplant  = 2 // came out without a revision
	causeOut      = 1 // outcome explant: out for a fault, a complication, or no stated reason
	causeElective = 2 // out for another stated reason
	causeDeath    = 3
	causes        = 3
	wanted        = causes + 1
)

// isWanted says whether a cause is the outcome of a figure, whatever its reason.
func isWanted(outcome, cause int) bool {
	return cause == causeRevision || outcome == 1 && cause == causeElective
}

// LeftOut counts the components that a figure leaves out, by reason.
type LeftOut struct {
	Unidentified int `json:"unidentified"` // no model on record
	NoDate       int `json:"noDate"`       // implantation not dated, or not to the month
	Undated      int `json:"undated"`      // revision, explant or death not dated, or not to the month
	Conflict     int `json:"conflict"`     // something ended before it began
	Unobserved   int `json:"unobserved"`   // over before anybody told of it
	Unread       int `json:"unread"`       // kept by a version that did not derive lives
}

// Figures gathers lives into observations by kind, maker and model. The zero value is not usable; see NewFigures.
type Figures struct {
	cut    time.Time
	groups map[groupKey]*group
	out    map[string]*LeftOut // by kind
	last   *group
}

type groupKey struct{ kind, maker, model string }

// group is the components of one model. Patients are counted beside components: suppression is about people.
type group struct {
	key               groupKey
	revision, explant []survival.Obs
	persons           int
	patient           string                // of the last component
	hit               [2][causes + 2]int    // patients with an outcome of each cause; [0] with none, [wanted] with the outcome, for any reason
	hitBy             [2][causes + 2]string // the patient counted last
}

// NewFigures starts figures of what happened before the moment cut.
func NewFigures(cut time.Time) *Figures {
	return &Figures{cut: cut, groups: map[groupKey]*group{}, out: map[string]*LeftOut{}}
}

// Add takes in the life of one component. The components of one patient must follow each other.
func (f *Figures) Add(patient string, l Life) {
	out := f.out[l.Kind]
	if out == nil {
		out = &LeftOut{}
		f.out[l.Kind] = out
	}
	if strings.TrimSpace(l.Model) == "" {
		out.Unidentified++
		return
	}
	t, ok := f.times(l, out)
	if !ok {
		return
	}
	g := f.group(groupKey{l.Kind, l.Maker, l.Model})
	if g.patient != patient {
		g.persons++
		g.patient = patient
	}
	rev := t.first([]event{{t.revised, causeRevision}, {t.out, causeExplant}, {t.died, causeDeath}})
	exp := t.first([]event{{t.out, t.outCause}, {t.died, causeDeath}})
	if rev.Exit <= rev.Entry && rev.Entry > 0 {
		out.Unobserved++ // so is the other: the first of the events is the same or later
		return
	}
	g.add(0, &g.revision, rev)
	g.add(1, &g.explant, exp)
}

// Unread counts a component whose life was never derived.
func (f *Figures) Unread(kind string) {
	if f.out[kind] == nil {
		f.out[kind] = &LeftOut{}
	}
	f.out[kind].Unread++
}

func (f *Figures) group(k groupKey) *group {
	if f.last != nil && f.last.key == k {
		return f.last
	}
	g := f.groups[k]
	if g == nil {
		g = &group{key: k}
		f.groups[k] = g
	}
	f.last = g
	return g
}

func (g *group) add(outcome int, to *[]survival.Obs, o survival.Obs) {
	*to = append(*to, o)
	g.count(outcome, o.Event)
	if isWanted(outcome, o.Event) {
		g.count(outcome, wanted)
	}
}

// count counts the patient once.
func (g *group) count(outcome, cause int) {
	if g.hit[outcome][cause] == 0 || g.hitBy[outcome][cause] != g.patient {
		g.hit[outcome][cause]++
		g.hitBy[outcome][cause] = g.patient
	}
}

// lifeTimes are years from implantation; negative: it did not happen before the cut.
type lifeTimes struct {
	entry, end, revised, out, died float64
	outCause                       int
}

type event struct {
	at    float64
	cause int
}

// first gives the observation that the first of the events ends, or the cut. At the same time the earlier listed counts.
func (t lifeTimes) first(events []event) survival.Obs {
	o := survival.Obs{Entry: t.entry, Exit: t.end}
	for _, e := range events {
		if e.at >= 0 && (e.at < o.Exit || e.at == o.Exit && o.Event == 0) {
			o.Exit, o.Event = e.at, e.cause
		}
	}
	return o
}

const never = -1.0

// times turns dates into years; ok is false for a component that was not there at the cut, or is left out.
func (f *Figures) times(l Life, out *LeftOut) (t lifeTimes, ok bool) {
	start, precise := middle(l.Implanted)
	if !precise {
		out.NoDate++
		return t, false
	}
	told := start
	if from, _, known := l.Told.Bounds(); known {
		told = from
	}
	if !start.Before(f.cut) || !told.Before(f.cut) {
		return t, false // not implanted, or not known, before the cut
	}
	if l.Flags != "" {
		out.Undated++
		return t, false
	}
	years := func(at time.Time) float64 { return at.Sub(start).Hours() / 24 / yearDays }
	t = lifeTimes{end: years(f.cut), outCause: causeOut}
	if late := told.Sub(start).Hours() / 24; late > graceDays {
		t.entry = years(told)
	}
	if l.Why == WhyOther {
		t.outCause = causeElective
	}
	for _, d := range []struct {
		w  implant.When
		to *float64
	}{{l.Revised, &t.revised}, {l.Out, &t.out}, {l.Died, &t.died}} {
		*d.to = never
		if d.w == "" {
			continue
		}
		at, precise := middle(d.w)
		switch {
		case !precise:
			out.Undated++
			return t, false
		case d.w.Before(l.Implanted):
			out.Conflict++
			return t, false
		case at.Before(f.cut):
			*d.to = max(years(at), 0)
		}
	}
	return t, true
}

// middle gives the middle of what a date can mean, and whether that is no longer than a month.
func middle(w implant.When) (time.Time, bool) {
	from, to, ok := w.Bounds()
	return from.Add(to.Sub(from) / 2), ok && to.Sub(from) <= impreciseDays*24*time.Hour
}

// sorted gives the groups by kind, then the most components first.
func (f *Figures) sorted() []*group {
	var all []*group
	for _, g := range f.groups {
		all = append(all, g)
	}
	slices.SortFunc(all, func(a, b *group) int {
		return cmp.Or(cmp.Compare(a.key.kind, b.key.kind), cmp.Compare(len(b.revision), len(a.revision)),
			cmp.Compare(a.key.maker, b.key.maker), cmp.Compare(a.key.model, b.key.model))
	})
	return all
}

// tells says whether a number of patients, and what is left of all of them, may be told.
func tells(n, of, least int) bool { return (n == 0 || n >= least) && (of-n == 0 || of-n >= least) }

// lastTime is the longest observation of a group, in years.
func lastTime(obs []survival.Obs) float64 {
	last := 0.0
	for _, o := range obs {
		last = max(last, o.Exit)
	}
	return last
}
