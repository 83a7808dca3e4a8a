package pipeline

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
	"gaussline/mapping/trace"
)

// PartsQuery asks for parts whose recorded values, folded as trace.Fold does, are in the lists. One of DIs, Models and
// Serials at most is given; Lots narrow DIs and Models, or stand alone. Nothing given means every part.
type PartsQuery struct {
	DIs, Models, Serials, Lots []string // folded
	Doubtful                   bool     // instead: the parts of which sources disagree what device they are
	Limit                      int      // rows
}

// TracedPart is a row of the table of parts.
type TracedPart struct {
	Patient   string // record key
	ID        string
	Component implant.Component
	State     implant.State
	Implanted implant.When
	Removed   implant.When
	Doubtful  bool
}

// PartReader finds parts by what a recall notice names.
type PartReader interface {
	// Parts calls f for each part that fits, at most q.Limit times, and says whether there are more. f must not ask
	// the store anything.
	Parts(ctx context.Context, q PartsQuery, f func(TracedPart)) (more bool, err error)
}

// LifeReader reads what the figures need of the components.
type LifeReader interface {
	// Lives calls f for each part that is or was in a body, in order of patient and part, until f returns an error.
	// derived is false for a part kept by a version that derived no lives: then only what it is and its day of
	// implantation are known. f must not ask the store anything.
	Lives(ctx context.Context, f func(patient string, life registry.Life, derived bool) error) error
}

// TraceHit is one part that a notice names, or may name.
type TraceHit struct {
	Patient   string // record key
	Person    implant.Person
	Part      implant.Part
	Place     trace.Place
	Answer    trace.Answer
	Check     []string // what a person should do
	Contact   string   // the sender that last stated something about the patient
	Contacted implant.When
}

// Traced is the answer to a trace. Hits are complete unless More says so.
type Traced struct {
	Query      trace.Query
	At         time.Time
	Named      []TraceHit // in place first, then by patient
	Possible   []TraceHit // cannot be excluded
	More       bool       // there are more possible ones than asked for
	Candidates int        // parts looked at
	Excluded   int        // of these
}

// Limits of a trace.
const (
	maxNamed    = 100_000 // parts that fit; over it the query is refused
	maxPossible = 10_000
	openRows    = 5000 // parts without a number that are looked at for each field
	contactPage = 200  // patients whose sources are read at a time
)

// Trace finds who has, had, or may have what a notice names, and lists up to limit of those who may.
func (s *Service) Trace(ctx context.Context, q trace.Query, limit int) (t Traced, err error) {
	if err := q.Check(); err != nil {
		return t, err
	}
	t = Traced{Query: q, At: s.Now().UTC().Truncate(time.Microsecond)}
	limit = min(max(limit, 0), maxPossible)
	err = s.Store.View(ctx, func(r Reader) error {
		c := candidates{query: q, limit: limit, seen: map[[2]string]bool{}}
		for _, probe := range probes(q) {
			more, err := r.Parts(ctx, probe.PartsQuery, c.take)
			if err != nil {
				return err
			}
			if c.tooMany || more && !probe.open {
				return fmt.Errorf("trace: more than %d parts fit: %w", maxNamed, ErrTooLarge)
			}
			c.more = c.more || more
		}
		t.Candidates, t.Excluded, t.More = len(c.seen), c.excluded, c.more
		if t.Named, err = hits(ctx, t.At, r, q, c.named); err != nil {
			return err
		}
		t.Possible, err = hits(ctx, t.At, r, q, c.possible)
		return err
	})
	return t, err
}

// probe is a question to the table of parts; open ones look for what is not recorded, of which there may be more than
// anybody can list.
type probe struct {
	PartsQuery
	open bool
}

// probes gives the questions that together find every part that a query names or may name.
func probes(q trace.Query) (out []probe) {
	blanks := trace.Blanks()
	device := deviceProbes(q, blanks)
	value := func(p PartsQuery) { p.Limit = maxNamed; out = append(out, probe{p, false}) }
	open := func(p PartsQuery) { p.Limit = openRows; out = append(out, probe{p, true}) }
	switch lots, serials := single(q.Lots), single(q.Serials); {
	case len(serials) > 0:
		value(PartsQuery{Serials: serials})
		if device == nil {
			open(PartsQuery{Serials: blanks})
		}
		for _, d := range device {
			open(d.PartsQuery)
		}
	case len(lots) > 0:
		value(PartsQuery{Lots: lots})
		if device == nil {
			open(PartsQuery{Lots: blanks})
		}
		for _, d := range device {
			d.Lots = blanks
			open(d.PartsQuery)
		}
	case device != nil:
		for _, d := range device {
			if d.open {
				open(d.PartsQuery)
			} else {
				value(d.PartsQuery)
			}
		}
	default:
		return []probe{{PartsQuery{Limit: everyPart}, true}}
	}
	open(PartsQuery{Doubtful: true})
	return out
}

// everyPart bounds a trace by dates or kind alone, which reads the whole table.
const everyPart = 20_000_000

// single folds the values of a list of single values; nil when it is empty or has a range.
func single(list []trace.Range) (out []string) {
	for _, r := range list {
		if r.To != "" {
			return nil
		}
		out = append(out, trace.Fold(r.From))
	}
	return out
}

// deviceProbes look for the product, and for parts of which no product is recorded.
func deviceProbes(q trace.Query, blanks []string) (out []probe) {
	var dis, models []string
	for _, di := range q.DIs {
		dis = append(dis, trace.Levels(di)...)
	}
	for _, m := range q.Models {
		models = append(models, trace.Fold(m))
	}
	if len(dis) > 0 {
		out = append(out, probe{PartsQuery: PartsQuery{DIs: dis}})
	}
	if len(models) > 0 {
		out = append(out, probe{PartsQuery: PartsQuery{Models: models}})
	}
	switch {
	case len(models) > 0: // named by model: those without one, whatever their device identifier
		out = append(out, probe{PartsQuery{Models: blanks}, true})
	case len(dis) > 0:
		out = append(out, probe{PartsQuery{DIs: blanks}, true})
	}
	return out
}

// candidates sorts what the table gives.
type candidates struct {
	query           trace.Query
	limit           int
	seen            map[[2]string]bool
	named, possible []TracedPart
	excluded        int
	more, tooMany   bool
}

func (c *candidates) take(p TracedPart) {
	key := [2]string{p.Patient, p.ID}
	if c.seen[key] {
		return
	}
	switch c.query.Match(trace.Part{Component: p.Component, Implanted: p.Implanted, Doubtful: p.Doubtful}).Class {
	case trace.Named:
		if len(c.named) == maxNamed {
			c.tooMany = true
			return
		}
		c.named = append(c.named, p)
	case trace.Possible:
		if len(c.possible) == c.limit {
			c.more = true
			return
		}
		c.possible = append(c.possible, p)
	default:
		c.excluded++
	}
	c.seen[key] = true
}

// hits reads the records of parts and answers for each.
func hits(ctx context.Context, now time.Time, r Reader, q trace.Query, parts []TracedPart) ([]TraceHit, error) {
	slices.SortFunc(parts, func(a, b TracedPart) int {
		return cmp.Or(cmp.Compare(a.Patient, b.Patient), cmp.Compare(a.ID, b.ID))
	})
	var out []TraceHit
	for page := range slices.Chunk(parts, contactPage) {
		records := map[string]implant.Record{}
		var aliases []string
		for _, p := range page {
			if _, have := records[p.Patient]; have {
				continue
			}
			rec, err := r.Record(ctx, p.Patient)
			if err != nil {
				return nil, err
			}
			records[p.Patient] = rec.AsOf(now)
			aliases = append(aliases, rec.Aliases...)
		}
		stored, err := r.OfPatients(ctx, aliases)
		if err != nil {
			return nil, err
		}
		last := lastContacts(records, stored)
		for _, p := range page {
			out = append(out, hit(q, p, records[p.Patient], last[p.Patient]))
		}
	}
	rank := []trace.Place{trace.InPlace, trace.InPart, trace.Doubted, trace.Unsure, trace.WasThere, trace.NeverWent}
	slices.SortStableFunc(out, func(a, b TraceHit) int {
		return cmp.Compare(slices.Index(rank, a.Place), slices.Index(rank, b.Place))
	})
	return out, nil
}

func hit(q trace.Query, p TracedPart, rec implant.Record, last contact) TraceHit {
	h := TraceHit{Patient: rec.Patient, Person: rec.Person, Contact: last.sender, Contacted: implant.Instant(last.at),
		Part: implant.Part{ID: p.ID, Component: p.Component, State: p.State, Implanted: p.Implanted, Removed: p.Removed}}
	for _, part := range rec.Parts {
		if part.ID == p.ID {
			h.Part = part
		}
	}
	// The record's own values, whole: the table's are cut to what can be searched.
	h.Answer = q.Match(trace.Part{Component: h.Part.Component, Implanted: h.Part.Implanted, Doubtful: p.Doubtful})
	h.Place = trace.PlaceOf(h.Part.State)
	h.Check = trace.ToCheck(h.Answer, h.Part.State, rec.Person.Deceased || rec.Person.Died.Known())
	return h
}

// contact is the newest thing that a sender said of a patient.
type contact struct {
	sender string
	at     time.Time
}

// lastContacts gives the last contact of each record. What a source says of its own time counts; where it says
// nothing, when it came.
func lastContacts(records map[string]implant.Record, stored []StoredStatement) map[string]contact {
	of := map[string]string{}
	for key, rec := range records {
		for _, a := range append([]string{key}, rec.Aliases...) {
			of[a] = key
		}
	}
	out := map[string]contact{}
	for _, st := range stored {
		at := st.Version.LastUpdated
		if at.IsZero() {
			at = st.Version.MessageTime
		}
		if at.IsZero() {
			at = st.ReceivedAt
		}
		sender, _, _ := strings.Cut(st.Key, "|")
		key, ok := of[st.Patient]
		if old := out[key]; ok && (at.After(old.at) || at.Equal(old.at) && sender < old.sender) {
			out[key] = contact{sender, at}
		}
	}
	return out
}

// Recorded gives up to limit parts on which what a query names is recorded, those that fit exactly first; parts of
// which nothing is recorded are left out.
func (s *Service) Recorded(ctx context.Context, q trace.Query, limit int) (out []TracedPart, err error) {
	if err := q.Check(); err != nil {
		return nil, err
	}
	c := candidates{query: q, limit: limit, seen: map[[2]string]bool{}}
	err = s.Store.View(ctx, func(r Reader) error {
		for _, p := range probes(q) {
			if p.open {
				continue
			}
			p.Limit = limit
			if _, err := r.Parts(ctx, p.PartsQuery, c.take); err != nil {
				return err
			}
		}
		return nil
	})
	return append(c.named, c.possible...), err
}
