package registry

import (
	"cmp"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// Domains of the pseudonyms: what kind of thing an id names.
const (
	DomainPatient   = "patient"
	DomainEvent     = "event"
	DomainSystem    = "system"
	DomainComponent = "component"
	DomainRow       = "row"
)

// Flags of a row, beside the codes of open questions on its component or patient.
const (
	FlagUnidentified  = "unidentified"        // neither model nor device identifier is known
	FlagOrphanExplant = "orphan-explant"      // taken out; no source put it in
	FlagUnconfirmed   = "unconfirmed"         // reported removed; nobody says it came out whole
	FlagReasonUncoded = "reason-uncoded"      // a reason was given in words we have no code for
	FlagValueHeld     = "value-held"          // an outcome value was not of the form scale, number, unit
	FlagDatesConflict = "dates-conflict"      // the component came out before it went in
	FlagWordsHeld     = "words-held"          // the reporter's words for a reason stay here: they may name somebody
	FlagOutsideCodes  = "reason-not-in-imdrf" // a reason for which the terminology has no verified term
)

var kinds = map[implant.EventKind]string{
	implant.EventImplanted: "implant", implant.EventRevised: "revision", implant.EventReplaced: "replacement",
	implant.EventRepositioned: "repositioning", implant.EventPartlyExplanted: "partial-explant",
	implant.EventExplanted: "complete-explant", implant.EventReportedRemoved: "reported-removal",
	implant.EventComplication: "complication", implant.EventFollowUp: "follow-up",
}

// outcomeValue is the only form in which a measured value leaves: a known scale, number and known unit, or a number
// with a unit of use. Words that are not on the list do not match, so no free text leaves here. The scales are
// those of the core outcome set for low back pain (Chiarotto et al. 2018, PMC5828378); the schema has the same pattern.
var outcomeValue = regexp.MustCompile(`^((NRS|VAS|ODI|RMDQ|EQ-5D|PROMIS-PI|PROMIS-PF|relief) -?[0-9]{1,4}(\.[0-9]{1,4})?(-[0-9]{1,4}(\.[0-9]{1,4})?)?( (mm|cm|%))?|[0-9]{1,4}(\.[0-9]{1,2})? (h|h/day|h/week|%|sessions/day|sessions/week))$`)

// Rows gives the rows of a record, sorted by RowID, as reported for the first time: action new, version 1, period
// of report not set. pseudonym turns an id into one that only the holder of the key can make; the ids of our own
// events and components go through it too, since they are hashes of what the senders call things.
//
// A report of a removal gives no row where another event already took that component out: it is one removal.
func Rows(rec implant.Record, pseudonym func(domain, id string) string) []Row {
	b := builder{rec: rec, name: pseudonym, parts: map[string]implant.Part{}, patient: pseudonym(DomainPatient, rec.Patient)}
	for _, p := range rec.Parts {
		b.parts[p.ID] = p
	}
	for i, e := range rec.Events {
		b.event(i, e)
	}
	b.onRecord()
	slices.SortFunc(b.rows, func(x, y Row) int { return cmp.Compare(x.RowID, y.RowID) })
	return b.rows
}

// onRecord makes a row for each component that no event names, so that the registry knows of every part that is or
// may be in a body. It has no date: nobody says when it went in. One that never went in gives none.
func (b *builder) onRecord() {
	named := map[string]bool{}
	for _, r := range b.rows {
		named[r.ComponentID] = true
	}
	for _, p := range b.rec.Parts {
		if named[b.name(DomainComponent, p.ID)] || p.State == implant.NeverImplanted {
			continue
		}
		e := implant.Event{ID: "on-record|" + p.ID, Sources: p.Evidence, Told: p.Told}
		row := b.common(e)
		row.Kind = KindOnRecord
		row = b.component(row, len(b.rec.Events)-1, e, RoleConcerned, p.ID)
		row.StateAfter = string(p.State)
		b.rows = append(b.rows, row)
	}
}

type builder struct {
	rec     implant.Record
	name    func(domain, id string) string
	parts   map[string]implant.Part
	patient string
	rows    []Row
}

func (b *builder) event(i int, e implant.Event) {
	row := b.common(e)
	seen := map[string]bool{}
	add := func(role string, ids []string) {
		for _, id := range ids {
			if seen[id] {
				continue
			}
			seen[id] = true
			b.rows = append(b.rows, b.component(row, i, e, role, id))
		}
	}
	add(RoleIn, e.In)
	add(RoleOut, e.Out)
	add(RoleConcerned, e.Parts)
	if e.Kind == implant.EventPartlyExplanted {
		add(RoleStays, b.staying(e))
	}
	if len(seen) == 0 {
		row.RowID = b.name(DomainRow, e.ID+"|")
		row.Flags = b.flags(row.Flags, "")
		b.rows = append(b.rows, row)
	}
}

// common fills what the rows of one event share.
func (b *builder) common(e implant.Event) Row {
	row := Row{Action: ActionNew, Version: 1, Kind: kinds[e.Kind], EventID: b.name(DomainEvent, e.ID), PatientID: b.patient,
		BirthYear: birthYear(b.rec.Person.Birth), Sex: b.rec.Person.Sex, Senders: senders(e.Sources), FirstStated: string(e.Told)}
	row.EventDate, row.Precision = date(e.At)
	row.PeriodOfEvent = Period(e.At)
	if e.System != "" {
		row.SystemID = b.name(DomainSystem, e.System)
	}
	row.reasons(e.Reasons)
	for _, q := range e.Said {
		if words := said(q, b.rec.Person); words != "" {
			row.Said = append(row.Said, words)
		} else {
			row.Flags = append(row.Flags, FlagWordsHeld)
		}
	}
	row.Said = sortedSet(row.Said)
	if e.Kind == implant.EventComplication {
		row.reasons(e.Values)
		return row
	}
	for _, v := range e.Values {
		if outcomeValue.MatchString(v) {
			row.Values = append(row.Values, v)
		} else {
			row.Flags = append(row.Flags, FlagValueHeld)
		}
	}
	slices.Sort(row.Values)
	return row
}

// reasons takes our words for reasons or complications with their codes. A value that is not one of our words was
// not understood; its words stay on the record.
func (r *Row) reasons(words []string) {
	for _, w := range words {
		if !slug.MatchString(w) {
			r.Flags = append(r.Flags, FlagReasonUncoded)
			continue
		}
		r.Reasons = append(r.Reasons, w)
		if code, ok := codes.IMDRFCode(w); ok {
			r.ReasonsIMDRF = append(r.ReasonsIMDRF, code)
		} else {
			r.Flags = append(r.Flags, FlagOutsideCodes)
		}
	}
	r.Reasons, r.ReasonsIMDRF = sortedSet(r.Reasons), sortedSet(r.ReasonsIMDRF)
}

var slug = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

// component completes a row for one component of the event.
func (b *builder) component(row Row, i int, e implant.Event, role, id string) Row {
	p := b.parts[id]
	row.RowID, row.ComponentID, row.Role = b.name(DomainRow, e.ID+"|"+id), b.name(DomainComponent, id), role
	if p.System != "" {
		row.SystemID = b.name(DomainSystem, p.System)
	}
	c := p.Component
	row.ComponentKind, row.Maker, row.Model, row.DI, row.Lot = string(c.Kind), c.Maker, c.Model, c.DI, c.Lot
	row.Region, row.Side, row.Level, row.Pocket = p.Site.Region, string(p.Site.Side), p.Site.Level, p.Site.Pocket
	row.MRStatus = string(p.Label)
	row.StateAfter = string(b.stateAfter(i, e, role, p))
	flags := slices.Clone(row.Flags)
	if c.Kind == implant.Unidentified || c.Kind == "" || c.Model == "" && c.DI == "" {
		flags = append(flags, FlagUnidentified)
	}
	if role == RoleOut && !p.Implanted.Known() && !b.putIn(id) {
		flags = append(flags, FlagOrphanExplant)
	}
	if e.Kind == implant.EventReportedRemoved || role == RoleOut && p.State == implant.ReportedRemoved {
		flags = append(flags, FlagUnconfirmed)
	}
	if p.Removed.Before(p.Implanted) {
		flags = append(flags, FlagDatesConflict)
	}
	row.Flags = b.flags(flags, id)
	return row
}

// flags adds the open questions on a component, or on the patient as a whole.
func (b *builder) flags(flags []string, id string) []string {
	for _, q := range b.rec.Questions {
		if len(q.Parts) == 0 || id != "" && slices.Contains(q.Parts, id) {
			flags = append(flags, string(q.Code))
		}
	}
	return sortedSet(flags)
}

func (b *builder) putIn(id string) bool {
	return slices.ContainsFunc(b.rec.Events, func(e implant.Event) bool { return slices.Contains(e.In, id) })
}

// staying lists what a partial explant leaves of its system: in the body now, put in no later than the event.
func (b *builder) staying(e implant.Event) []string {
	var ids []string
	for _, p := range b.rec.Parts {
		if p.System == e.System && e.System != "" && p.State.InBody() && !e.At.Before(p.Implanted) {
			ids = append(ids, p.ID)
		}
	}
	return ids
}

// stateAfter is the state that the event left the component in. The record has its state today; that is the
// answer where nothing happened to the component after the event. Before that, only an implantation tells.
func (b *builder) stateAfter(i int, e implant.Event, role string, p implant.Part) implant.State {
	later := slices.ContainsFunc(b.rec.Events[i+1:], func(x implant.Event) bool {
		return slices.Contains(x.In, p.ID) || slices.Contains(x.Out, p.ID) || acts(x) && slices.Contains(x.Parts, p.ID)
	})
	switch {
	case !later && !e.At.Before(p.Since):
		return p.State
	case role == RoleIn:
		return implant.Connected
	}
	return implant.StateUnknown
}

// acts says whether an event can change the state of the parts it concerns.
func acts(e implant.Event) bool {
	return e.Kind != implant.EventComplication && e.Kind != implant.EventFollowUp
}

// Period gives the month that a date lies in whole, as YYYY-MM, or "" when that cannot be said.
func Period(w implant.When) string {
	from, to, ok := w.Bounds()
	if !ok {
		return ""
	}
	m := from.UTC().Format("2006-01")
	if to.Add(-1).UTC().Format("2006-01") != m {
		return ""
	}
	return m
}

// date writes a date no finer than a day, and says how precise it is.
func date(w implant.When) (text, precision string) {
	s := string(w)
	switch {
	case s == "":
		return "", "unknown"
	case w.Ambiguous():
		var days []string
		for _, d := range strings.Split(strings.Trim(s, "[]"), ",") {
			days = append(days, day(d))
		}
		return "[" + strings.Join(days, ",") + "]", "one-of"
	case strings.Contains(s, "/"):
		a, z, _ := strings.Cut(s, "/")
		if day(a) == day(z) && len(day(a)) == len("2006-01-02") {
			return day(a), "day"
		}
		return day(a) + "/" + day(z), "period"
	case len(s) == len("2006"):
		return s, "year"
	case len(s) == len("2006-01"):
		return s, "month"
	}
	return day(s), "day"
}

func day(s string) string { return s[:min(len(s), len("2006-01-02"))] }

// birthYear gives the year of a birth date, 0 when it is not one year.
func birthYear(w implant.When) int {
	from, to, ok := w.Bounds()
	if !ok || from.Year() != to.Add(-1).Year() {
		return 0
	}
	return from.Year()
}

// senders names the systems whose resources are the sources: the sender's configured name, or the host of an
// absolute address.
func senders(sources []implant.Source) []string {
	var out []string
	for _, s := range sources {
		name, _, found := strings.Cut(s.Key, "|")
		if u, err := url.Parse(s.Key); err == nil && u.Host != "" {
			name = u.Hostname()
		} else if !found {
			continue
		}
		out = append(out, strings.ToLower(name))
	}
	return sortedSet(out)
}

func sortedSet(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}

// EarliestPeriod gives the first month in which a row may have happened, "" for any: a row is due in that month.
func (r Row) EarliestPeriod() string {
	from, _, ok := implant.When(r.EventDate).Bounds()
	if !ok {
		return ""
	}
	return from.UTC().Format("2006-01")
}

// lastYear gives the last year in which the event may have happened, 0 unknown.
func (r Row) lastYear() int {
	_, to, ok := implant.When(r.EventDate).Bounds()
	if !ok {
		return 0
	}
	y, _ := strconv.Atoi(to.Add(-1).UTC().Format("2006"))
	return y
}
