package pages

import (
	"cmp"
	"slices"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// urgency ranks priorities of orders, the most urgent first; one that is not known stands with routine, which is
// what FHIR R4 says of a missing priority.
func urgency(priority string) int {
	if i := slices.Index([]string{"stat", "asap", "urgent"}, priority); i >= 0 {
		return i
	}
	return 3
}

// byUrgency puts the graver verdict first, whatever its day: a part that is MR Unsafe must not stand below a list of
// dates. Among alike: what nobody has read, then days that are not over, then priority, then the planned day. A day
// that is not known may be any day, so it comes before those that are.
func byUrgency(a, b row) int {
	last := func(w implant.When) string { return cmp.Or(string(w), "9999") }
	return cmp.Or(cmp.Compare(severity(a.Stored.Kind), severity(b.Stored.Kind)), after(a.New || a.Newer, b.New || b.Newer), after(!a.Passed, !b.Passed),
		cmp.Compare(urgency(a.Order.Priority), urgency(b.Order.Priority)), cmp.Compare(a.Order.Occurrence, b.Order.Occurrence),
		cmp.Compare(last(a.Order.Authored), last(b.Order.Authored)), cmp.Compare(a.Stored.Referral, b.Stored.Referral))
}

// after puts the one that is first.
func after(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// dayLag is how much later than in UTC a day ends in the last time zone (UTC-12).
const dayLag = 12 * time.Hour

// passed says whether a planned day is over everywhere. A day that is not known is not.
func passed(w implant.When, now time.Time) bool {
	_, to, ok := w.Bounds()
	return ok && !to.Add(dayLag).After(now)
}

// kinds are the verdicts, the most restrictive first.
var kinds = mri.Kinds()

// severity ranks verdicts, the gravest first; one that is not known, before all.
func severity(kind string) int { return slices.Index(kinds, mri.Kind(kind)) }

// counted is how many orders have a verdict, and how many of them are not on the page.
type counted struct {
	Kind string
	N    int
	Off  int
}

// summary counts all orders by verdict, and those of them outside the page from first up to, not including, last.
func summary(rows []row, first, last int) (out []counted) {
	for _, k := range kinds {
		c := counted{Kind: string(k)}
		for i, r := range rows {
			if r.Stored.Kind == c.Kind {
				c.N++
				if i < first || i >= last {
					c.Off++
				}
			}
		}
		if c.N > 0 {
			out = append(out, c)
		}
	}
	return out
}
