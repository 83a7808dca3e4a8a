package registry

import (
	"fmt"
	"regexp"
	"slices"
)

var monthRule = regexp.MustCompile(`^[0-9]{4}-(0[1-9]|1[0-2])$`)

// FirstMonth is before anything that was ever implanted for pain; a month before it is a slip.
const FirstMonth = "1900-01"

// CheckMonth reports a text that is no month YYYY-MM, or one before 1900.
func CheckMonth(s string) error {
	if !monthRule.MatchString(s) {
		return fmt.Errorf("%q: want a month as YYYY-MM", s)
	}
	if s < FirstMonth {
		return fmt.Errorf("%s: no month before %s is written", s, FirstMonth)
	}
	return nil
}

// Report gives what the month period says of one row. held is the row as the months closed before left it (nil:
// never reported, or retracted: then last is that retraction); now is the row as the record has it today (nil: it
// is gone, or does not pass the checks). ok is false when there is nothing to say.
//
// An event that cannot have happened before the month ends is not due yet; a row already reported stays as it is
// only when nothing about it changed.
func Report(held, last, now *Row, period string) (row Row, ok bool) {
	if now != nil && now.EarliestPeriod() > period {
		now = nil
	}
	switch {
	case held == nil && now == nil:
		return Row{}, false
	case held == nil && last == nil:
		row = *now
		row.Action, row.Version, row.Supersedes = ActionNew, 1, ""
	case held == nil: // said again after a retraction
		row = *now
		row.Action, row.Version, row.Supersedes = ActionNew, last.Version+1, last.Ref()
	case now == nil:
		row = *held
		row.Action, row.Version, row.Supersedes = ActionRetract, held.Version+1, held.Ref()
	case Same(*held, *now):
		return Row{}, false
	default:
		row = *now
		row.Action, row.Version, row.Supersedes = ActionAmend, held.Version+1, held.Ref()
	}
	row.PeriodOfReport = period
	return row, true
}

// Ref names one report of a row: period and version.
func (r Row) Ref() string { return fmt.Sprintf("%s/%d", r.PeriodOfReport, r.Version) }

// Same says whether two reports of a row say the same of the event.
func Same(a, b Row) bool {
	for _, r := range []*Row{&a, &b} {
		r.Action, r.Version, r.Supersedes, r.PeriodOfReport = "", 0, "", ""
	}
	return slices.Equal(a.Cells(), b.Cells())
}

// Follows checks that a report may come after the one before it of the same row; prev nil: it is the first. A
// registry that applies months in order can hold the closed months to this.
func Follows(prev *Row, r Row) error {
	switch {
	case prev == nil && (r.Action != ActionNew || r.Version != 1 || r.Supersedes != ""):
		return fmt.Errorf("row %s: its first report is %s version %d", r.RowID, r.Action, r.Version)
	case prev == nil:
		return nil
	case r.PeriodOfReport <= prev.PeriodOfReport:
		return fmt.Errorf("row %s: reported for %s after %s", r.RowID, r.PeriodOfReport, prev.PeriodOfReport)
	case r.Version != prev.Version+1 || r.Supersedes != prev.Ref():
		return fmt.Errorf("row %s: version %d supersedes %q, the report before it is %s", r.RowID, r.Version, r.Supersedes, prev.Ref())
	case (r.Action == ActionNew) != (prev.Action == ActionRetract):
		return fmt.Errorf("row %s: %s comes after %s", r.RowID, r.Action, prev.Action)
	}
	return nil
}

// Apply brings what a registry holds up to date with one row of a month: the reference for those who load months.
func Apply(holds map[string]Row, r Row) error {
	var prev *Row
	if p, ok := holds[r.RowID]; ok {
		prev = &p
	}
	if err := Follows(prev, r); err != nil {
		return err
	}
	holds[r.RowID] = r // a retraction is kept as such: the row's next version follows it
	return nil
}
