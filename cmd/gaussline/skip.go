package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/registry"
)

// maxSkipped bounds a range of months; two hundred years.
const maxSkipped = 2400

// monthsNamed reads months as a person names them: a list with commas, each a month or a range FROM..TO.
func monthsNamed(s string) ([]string, error) {
	var out []string
	for one := range strings.SplitSeq(s, ",") {
		if one = strings.TrimSpace(one); one == "" {
			continue
		}
		from, to, isRange := strings.Cut(one, "..")
		if !isRange {
			to = from
		}
		for _, m := range []string{from, to} {
			if err := registry.CheckMonth(m); err != nil {
				return nil, err
			}
		}
		for m := from; m <= to; m = nextMonth(m) {
			if len(out) == maxSkipped {
				return nil, fmt.Errorf("more than %d months", maxSkipped)
			}
			out = append(out, m)
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// nextMonth is the month after one that registry.CheckMonth has let through.
func nextMonth(m string) string {
	t, err := time.Parse("2006-01", m)
	if err != nil {
		return "9999-99"
	}
	return t.AddDate(0, 1, 0).Format("2006-01")
}

// monthsText writes months as --skip-earlier takes them.
func monthsText(months []string) string {
	if len(months) > 2 {
		return months[0] + ".." + months[len(months)-1]
	}
	return strings.Join(months, ",")
}

// agreeToSkip lets a month be closed over earlier ones only when whoever closes it names just those.
func agreeToSkip(month string, passed, named []string) error {
	if slices.Equal(passed, named) {
		return nil
	}
	if len(passed) == 0 {
		return usageError{fmt.Sprintf("--skip-earlier %s: no month that is over and not closed lies before %s", monthsText(named), month)}
	}
	return hinted{fmt.Errorf("%s not closed: %s would be passed over, and after %s can never be closed", month, monthsText(passed), month),
		fmt.Sprintf("close the earlier months first; or, if what happened in them is to be told in %s, add --skip-earlier %s", month, monthsText(passed))}
}
