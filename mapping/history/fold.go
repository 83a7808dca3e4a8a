package history

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// Input is what a record is folded from.
type Input struct {
	// Patients are the keys that are this one patient.
	Patients []string
	// Statements of those patients and of every source they mention, in all versions, in any order.
	Statements []implant.Statement
	// On leaves out what surely took effect at or after this moment. Zero: nothing is left out. For the record
	// as known on a day, leave out the statements received later.
	On time.Time
	// Doubts are questions about who the patient is, from package identity.
	Doubts []implant.Question
	// Elsewhere are devices as the records of other people have them, in any order. They change no part: those that are
	// on this record too are asked about. Crowded are device keys that more than MaxHolders records have.
	Elsewhere []Held
	Crowded   []string
}

// Fold makes the record. Equal inputs give equal records, and Elsewhere and Crowded change no more of one than its questions.
func Fold(in Input) implant.Record {
	f := newFold(in)
	f.joinRefs()
	f.placeFacts()
	for _, p := range f.parts {
		f.settle(p)
	}
	f.settleRests()
	f.groupSystems()
	f.orphanedLeads()
	rec := implant.Record{Patient: f.patients[0], Aliases: f.patients, Person: f.person(), Statements: len(f.current)}
	for _, s := range f.current {
		rec.LastStated = later(rec.LastStated, s.Version)
	}
	rec.Events = f.events()
	f.askElsewhere(in.Elsewhere, in.Crowded)
	rec.Questions, rec.Answered = f.openQuestions(in.Doubts)
	rec.Findings = f.noted()
	for _, p := range f.parts {
		if p.listed() {
			p.Told = f.firstTold(p.Evidence)
			rec.Parts = append(rec.Parts, p.Part)
		}
	}
	slices.SortFunc(rec.Parts, func(a, b implant.Part) int { return cmp.Compare(a.ID, b.ID) })
	return rec
}

// item is a fact with the statement it comes from and the time it can have taken effect.
type item struct {
	implant.Fact
	st       *implant.Statement
	from, to time.Time // [from, to); both zero when undated
	dated    bool
	shared   bool // its site is that of a procedure on several devices, see siteFor
}

// zoneReach is how far the day of a place may lie from the day of that date in UTC: zones reach from -12 to +14
// hours (IANA time zone database).
const zoneReach = 14 * time.Hour

// before says whether a surely took effect before b. A date is that of a place whose zone nobody states, so against
// an instant it needs the reach of zones between them; two dates are taken to be of one place.
func (a item) before(b item) bool {
	if !a.dated || !b.dated {
		return false
	}
	gap := time.Duration(0)
	if a.instant() != b.instant() {
		gap = zoneReach
	}
	return !a.to.Add(gap).After(b.from)
}

// instant says whether the item has a time of day, of its own or that of its version.
func (a item) instant() bool { return a.At == "" || strings.Contains(string(a.At), "T") }

// fold is the work in hand.
type fold struct {
	patients  []string
	current   []implant.Statement
	unordered []string
	known     map[string]bool // keys of sources that came
	told      map[string]time.Time
	items     []item
	parts     []*part
	byRef     map[string]*part
	asked     []implant.Question
	answered  map[string]item // by question
	rested    map[string]bool // parts whose coded removal is doubted by words of a rest
}

// part is a component under construction.
type part struct {
	implant.Part
	told  []item // every fact that concerns it
	prose bool   // made from words alone, no Device
}

func newFold(in Input) *fold {
	f := &fold{known: map[string]bool{}, byRef: map[string]*part{}, answered: map[string]item{}, rested: map[string]bool{}}
	f.patients = slices.Clone(in.Patients)
	slices.Sort(f.patients)
	f.patients = slices.Compact(f.patients)
	if len(f.patients) == 0 {
		f.patients = []string{""}
	}
	f.current, f.unordered = Current(in.Statements)
	f.told = toldAt(in.Statements)
	for i := range f.current {
		s := &f.current[i]
		f.known[s.Key] = true
		if s.Void {
			continue
		}
		for _, fact := range s.Facts {
			it := newItem(fact, s)
			if !in.On.IsZero() && it.dated && !it.from.Before(in.On) {
				continue
			}
			if !in.On.IsZero() && it.to.After(in.On) && it.Kind == implant.Removed {
				it.Value = "" // it may not have happened yet
			}
			f.items = append(f.items, it)
		}
	}
	slices.SortFunc(f.items, compareItems)
	sharedSites(f.items)
	for _, it := range f.items {
		if it.Kind == implant.Answer {
			f.answered[it.Value] = it
		}
	}
	return f
}

// newItem dates a fact. Second-hand words about presence hold at the time they were written down, so where they
// carry no date of their own the version's time stands in.
func newItem(fact implant.Fact, s *implant.Statement) item {
	it := item{Fact: fact, st: s}
	it.from, it.to, it.dated = fact.At.Bounds()
	if it.dated || !secondHand(fact.Kind) {
		return it
	}
	t := s.Version.LastUpdated
	if t.IsZero() {
		t = s.Version.MessageTime
	}
	if !t.IsZero() {
		it.from, it.to, it.dated = t, t.Add(time.Microsecond), true
	}
	return it
}

func secondHand(k implant.FactKind) bool {
	return k == implant.PresentByWord || k == implant.ReportedGone || k == implant.Mentioned
}

func compareItems(a, b item) int {
	return cmp.Or(
		a.from.Compare(b.from), a.to.Compare(b.to),
		cmp.Compare(a.st.Key, b.st.Key), cmp.Compare(a.st.Version.Hash, b.st.Version.Hash),
		cmp.Compare(a.Source.Path, b.Source.Path), cmp.Compare(a.Source.Start, b.Source.Start),
		cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Component.Ref, b.Component.Ref),
		cmp.Compare(a.Value, b.Value), cmp.Compare(a.Source.Quote, b.Source.Quote),
	)
}

func later(w implant.When, v implant.Version) implant.When {
	t := v.LastUpdated
	if v.MessageTime.After(t) {
		t = v.MessageTime
	}
	if n := implant.Instant(t); n > w {
		return n
	}
	return w
}

// person gives the newest demographics among the patient's own resources, an active one before an inactive.
func (f *fold) person() implant.Person {
	var best *implant.Statement
	for i := range f.current {
		s := &f.current[i]
		if s.Person == nil || s.Void {
			continue
		}
		if best == nil || newerPerson(s, best) {
			best = s
		}
	}
	if best == nil {
		return implant.Person{}
	}
	return *best.Person
}

func newerPerson(a, b *implant.Statement) bool {
	if a.Person.Inactive != b.Person.Inactive {
		return !a.Person.Inactive
	}
	return cmp.Or(a.Version.LastUpdated.Compare(b.Version.LastUpdated), cmp.Compare(b.Key, a.Key),
		cmp.Compare(a.Version.Hash, b.Version.Hash)) > 0
}

func (f *fold) ask(code implant.QuestionCode, detail string, parts []*part, sources ...implant.Source) {
	q := implant.Question{Code: code, Detail: detail, Sources: sources, MR: matters(code)}
	for _, p := range parts {
		q.Parts = append(q.Parts, p.ID)
	}
	f.asked = append(f.asked, q)
}
