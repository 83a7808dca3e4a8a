package implant

import (
	"fmt"
	"strings"
	"time"
)

// When is a moment as a source stated it, written in a subset of the Extended Date/Time Format (ISO 8601-2:2019):
//
//	""                            not stated
//	2026                          a year
//	2026-05                       a month
//	2026-05-03                    a day
//	2026-05-03T10:00:00Z          an instant, always in UTC
//	2026-05-03/2026-05-05         a period from the first to the end of the second
//	[2026-03-04,2026-04-03]       one of these (day and month order not decidable)
//
// Use [ParseWhen] to make one from untrusted text. A day is taken as a UTC day.
type When string

// Instant gives t to the microsecond, in UTC: the finest time both stores keep.
func Instant(t time.Time) When {
	if t.IsZero() {
		return ""
	}
	return When(t.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano))
}

// Day gives the UTC day of t.
func Day(t time.Time) When { return When(t.UTC().Format(time.DateOnly)) }

// ParseWhen checks s against the subset that When documents and brings an instant to UTC.
func ParseWhen(s string) (When, error) {
	switch {
	case s == "":
		return "", nil
	case strings.HasPrefix(s, "["):
		return parseOneOf(s)
	case strings.Contains(s, "/"):
		a, b, _ := strings.Cut(s, "/")
		from, err := parseSimple(a)
		if err != nil {
			return "", err
		}
		to, err := parseSimple(b)
		if err != nil {
			return "", err
		}
		return from + "/" + to, nil
	}
	return parseSimple(s)
}

func parseOneOf(s string) (When, error) {
	parts := strings.Split(strings.Trim(s, "[]"), ",")
	if !strings.HasSuffix(s, "]") || len(parts) < 2 {
		return "", fmt.Errorf("%q is no one-of-a-set date", s)
	}
	for i, p := range parts {
		w, err := parseSimple(p)
		if err != nil {
			return "", err
		}
		parts[i] = string(w)
	}
	return When("[" + strings.Join(parts, ",") + "]"), nil
}

func parseSimple(s string) (When, error) {
	for _, layout := range []string{"2006", "2006-01", time.DateOnly} {
		if len(s) == len(layout) {
			if _, err := time.Parse(layout, s); err == nil {
				return When(s), nil
			}
		}
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return "", fmt.Errorf("%q is no date of year, month, day or instant precision", s)
	}
	return Instant(t), nil
}

// Known says whether anything was stated.
func (w When) Known() bool { return w != "" }

// Ambiguous says whether the value is one of several dates.
func (w When) Ambiguous() bool { return strings.HasPrefix(string(w), "[") }

// Bounds gives the earliest moment w can mean and the first moment it can no longer mean: [from, to).
// For an unstated or unreadable w, ok is false.
func (w When) Bounds() (from, to time.Time, ok bool) {
	s := string(w)
	switch {
	case s == "":
		return from, to, false
	case strings.HasPrefix(s, "["):
		for i, p := range strings.Split(strings.Trim(s, "[]"), ",") {
			f, t, good := When(p).Bounds()
			if !good {
				return time.Time{}, time.Time{}, false
			}
			if i == 0 || f.Before(from) {
				from = f
			}
			if i == 0 || t.After(to) {
				to = t
			}
		}
		return from, to, true
	case strings.Contains(s, "/"):
		a, b, _ := strings.Cut(s, "/")
		f, _, ok1 := When(a).Bounds()
		_, t, ok2 := When(b).Bounds()
		return f, t, ok1 && ok2 && f.Before(t)
	}
	return simpleBounds(s)
}

func simpleBounds(s string) (from, to time.Time, ok bool) {
	if from, ok = plainDay(s); ok {
		return from, from.Add(24 * time.Hour), true // a day of UTC
	}
	var err error
	switch len(s) {
	case 4:
		from, err = time.Parse("2006", s)
		to = from.AddDate(1, 0, 0)
	case 7:
		from, err = time.Parse("2006-01", s)
		to = from.AddDate(0, 1, 0)
	default:
		from, err = time.Parse(time.RFC3339Nano, s)
		to = from.Add(time.Microsecond)
	}
	return from, to, err == nil
}

// plainDay reads YYYY-MM-DD without a layout: the dates of a million components are read at once.
func plainDay(s string) (day time.Time, ok bool) {
	if len(s) != len(time.DateOnly) || s[4] != '-' || s[7] != '-' {
		return day, false
	}
	var n [3]int // year, month, day
	for i, part := range []string{s[:4], s[5:7], s[8:]} {
		for _, c := range []byte(part) {
			if c < '0' || c > '9' {
				return day, false
			}
			n[i] = 10*n[i] + int(c-'0')
		}
	}
	day = time.Date(n[0], time.Month(n[1]), n[2], 0, 0, 0, 0, time.UTC)
	return day, day.Day() == n[2] && day.Month() == time.Month(n[1]) // else there is no such day
}

// Before says whether w is surely before v: every moment w can mean comes before every moment v can mean.
// It is false when either is not stated.
func (w When) Before(v When) bool {
	_, wTo, ok1 := w.Bounds()
	vFrom, _, ok2 := v.Bounds()
	return ok1 && ok2 && !wTo.After(vFrom)
}

// DayPrecise says whether w names one day or a moment in it.
func (w When) DayPrecise() bool {
	return w.Known() && !w.Ambiguous() && !strings.Contains(string(w), "/") && len(w) >= len(time.DateOnly)
}
