package registry

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// Measures of the quality of rows. Each is a share: of the rows it applies to, those that have it.
const (
	MeasureValid      = "valid"             // passes the schema and the further rules
	MeasureIdentified = "identified"        // model or device identifier, of components
	MeasureDI         = "device-identifier" // of components
	MeasureLot        = "lot"               // of components
	MeasureSide       = "side"              // of components that lie on a side or in the midline: all but hardware
	MeasureDay        = "event-day"         // date to the day, of all but on-record rows
	MeasureReason     = "reason"            // a reason in our words, of revisions, replacements and explants
	MeasureBirth      = "birth-year"        //
	MeasureSex        = "sex"               //
	MeasureSettled    = "no-open-question"  // no question open on the component or patient
	MeasureTimely     = "told-within-31-days"
)

// Measures lists them in the order they are shown.
func Measures() []string {
	return []string{MeasureValid, MeasureSettled, MeasureIdentified, MeasureDI, MeasureLot, MeasureSide, MeasureDay, MeasureReason,
		MeasureBirth, MeasureSex, MeasureTimely}
}

// MeasureWords says what a measure counts, for people.
func MeasureWords(m string) string {
	return map[string]string{
		MeasureValid: "validity: rows that pass the schema and the rules", MeasureSettled: "validity: rows without an open question",
		MeasureIdentified: "completeness: components with a model or device identifier", MeasureDI: "completeness: components with a device identifier",
		MeasureLot: "completeness: components with a lot", MeasureSide: "completeness: components with a side",
		MeasureDay: "completeness: events dated to the day", MeasureReason: "completeness: revisions and removals with a reason in the registry's words",
		MeasureBirth: "completeness: rows with a year of birth", MeasureSex: "completeness: rows with a sex",
		MeasureTimely: "timeliness: events first told of within 31 days",
	}[m]
}

// timelyDays is when an event still counts as told of in time. Common practice, no source.
const timelyDays = 31

// Quality counts, per site and month of event, what the rows are worth. A site is a system that sends; a row that
// rests on several counts for each. The zero value is ready.
type Quality struct{ cells map[qualityKey]*qualityCell }

type qualityKey struct{ site, month string }

type qualityCell struct {
	rows    int
	has, of map[string]int
	days    map[int]int // days from event to first told: how many rows
	rejects map[rejectKey]int
}

type rejectKey struct{ rule, pointer, reason, mend string }

// Add takes in one row as it is now, with the reasons why it is held back, if any.
func (q *Quality) Add(row Row, rejects []Reject) {
	sites := row.Senders
	if len(sites) == 0 {
		sites = []string{"not known"}
	}
	for _, site := range sites {
		c := q.cell(qualityKey{site, row.PeriodOfEvent})
		c.rows++
		c.share(MeasureValid, true, len(rejects) == 0)
		c.measure(row)
		for _, r := range rejects {
			c.rejects[rejectKey{r.Rule, r.Pointer, r.Reason, r.Mend}]++
		}
	}
}

func (q *Quality) cell(k qualityKey) *qualityCell {
	if q.cells == nil {
		q.cells = map[qualityKey]*qualityCell{}
	}
	c := q.cells[k]
	if c == nil {
		c = &qualityCell{has: map[string]int{}, of: map[string]int{}, days: map[int]int{}, rejects: map[rejectKey]int{}}
		q.cells[k] = c
	}
	return c
}

func (c *qualityCell) share(measure string, applies, has bool) {
	if applies {
		c.of[measure]++
	}
	if applies && has {
		c.has[measure]++
	}
}

func (c *qualityCell) measure(r Row) {
	part := r.ComponentID != ""
	happened := r.Kind != KindOnRecord
	c.share(MeasureSettled, true, !slices.ContainsFunc(r.Flags, func(f string) bool { return !ownFlags[f] }))
	c.share(MeasureIdentified, part, r.Model != "" || r.DI != "")
	c.share(MeasureDI, part, r.DI != "")
	c.share(MeasureLot, part, r.Lot != "")
	c.share(MeasureSide, part && r.ComponentKind != string(implant.Hardware), r.Side != "")
	c.share(MeasureDay, happened, r.Precision == "day")
	c.share(MeasureReason, needsReason(r), len(r.Reasons) > 0)
	c.share(MeasureBirth, true, r.BirthYear != 0)
	c.share(MeasureSex, true, r.Sex != "" && r.Sex != "unknown")
	if days, ok := r.delay(); ok {
		c.days[days]++
		c.share(MeasureTimely, true, days <= timelyDays)
	}
}

// ownFlags are the flags that are no open question: what the row is, not what somebody should settle.
var ownFlags = map[string]bool{FlagOutsideCodes: true, FlagValueHeld: true, FlagWordsHeld: true, FlagOrphanExplant: true}

func needsReason(r Row) bool {
	switch r.Kind {
	case "revision", "replacement", "repositioning":
		return true
	case "partial-explant", "complete-explant":
		return r.Role == RoleOut
	}
	return false
}

// delay gives the days from the event to when it was first told of; ok only where both are days. Told before the end of
// the event is 0.
func (r Row) delay() (days int, ok bool) {
	if r.Precision != "day" {
		return 0, false
	}
	at, _, ok1 := implant.When(r.EventDate).Bounds()
	told, _, ok2 := implant.When(r.FirstStated).Bounds()
	if !ok1 || !ok2 {
		return 0, false
	}
	return max(int(told.Sub(at).Hours()/24), 0), true
}

// Merge adds what another has counted.
func (q *Quality) Merge(other *Quality) {
	for k, o := range other.cells {
		c := q.cell(k)
		c.rows += o.rows
		addTo(c.has, o.has)
		addTo(c.of, o.of)
		addTo(c.days, o.days)
		addTo(c.rejects, o.rejects)
	}
}

func addTo[K comparable](to, from map[K]int) {
	for k, n := range from {
		to[k] += n
	}
}

// QualityRow is one measure of one site and month. A number that is too small to be told is -1; see Table.
type QualityRow struct {
	Site       string  `json:"site"`
	Month      string  `json:"month"` // of event, "" not known to the month
	Rows       int     `json:"rows"`
	Measure    string  `json:"measure"`
	Has        int     `json:"has"`
	Of         int     `json:"of"`
	Percent    float64 `json:"percent"`    // of Of; -1 not told, or of nothing
	MedianDays int     `json:"medianDays"` // timeliness only; -1 not told
	P90Days    int     `json:"p90Days"`    // timeliness only; -1 not told
}

// RejectRow counts the rows of a site and month that are held back for one reason.
type RejectRow struct {
	Site    string `json:"site"`
	Month   string `json:"month"`
	Rule    string `json:"rule"`
	Pointer string `json:"pointer"`
	Reason  string `json:"reason"`
	Mend    string `json:"mend"` // sender, clinic or registry
	Rows    int    `json:"rows"` // -1: too few to be told
}

// Table gives the counts by site, month and measure, and the rejects by reason. Numbers of 1 to least-1 rows, and those
// that would tell such a number by what is left, are -1. No totals are given: with one, a number left out could be
// worked out. least 1 or less tells all: for the registry's own staff, who mend single rows, not for publication.
func (q *Quality) Table(least int) (measures []QualityRow, rejects []RejectRow) {
	keys := slices.SortedFunc(maps.Keys(q.cells), func(a, b qualityKey) int {
		return cmp.Or(strings.Compare(a.site, b.site), strings.Compare(a.month, b.month))
	})
	for _, k := range keys {
		c := q.cells[k]
		for _, m := range Measures() {
			measures = append(measures, c.row(k, m, least))
		}
		var some []RejectRow
		for r, n := range c.rejects {
			if n < least || c.rows < least {
				n = -1
			}
			some = append(some, RejectRow{k.site, k.month, r.rule, r.pointer, r.reason, r.mend, n})
		}
		slices.SortFunc(some, func(a, b RejectRow) int {
			return cmp.Or(cmp.Compare(b.Rows, a.Rows), strings.Compare(a.Rule, b.Rule), strings.Compare(a.Pointer, b.Pointer))
		})
		rejects = append(rejects, some...)
	}
	return measures, rejects
}

func (c *qualityCell) row(k qualityKey, measure string, least int) QualityRow {
	r := QualityRow{Site: k.site, Month: k.month, Rows: c.rows, Measure: measure, Has: c.has[measure], Of: c.of[measure], Percent: -1, MedianDays: -1, P90Days: -1}
	if c.rows < least {
		r.Rows, r.Has, r.Of = -1, -1, -1
		return r
	}
	if !tells(r.Of, c.rows, least) {
		r.Has, r.Of = -1, -1
		return r
	}
	if measure == MeasureTimely && r.Of > 0 {
		r.MedianDays, r.P90Days = quantileDays(c.days, 0.5), quantileDays(c.days, 0.9)
	}
	if !tells(r.Has, r.Of, least) {
		r.Has = -1
		return r
	}
	if r.Of > 0 {
		r.Percent = 100 * float64(r.Has) / float64(r.Of)
	}
	return r
}

// quantileDays gives the least number of days within which a share of the events was told of.
func quantileDays(days map[int]int, share float64) int {
	total := 0
	for _, n := range days {
		total += n
	}
	seen := 0
	for _, d := range slices.Sorted(maps.Keys(days)) {
		seen += days[d]
		if float64(seen) >= share*float64(total) {
			return d
		}
	}
	return -1
}
