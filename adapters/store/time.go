package store

import (
	"fmt"
	"time"
)

// TimeLayout is the one layout in which both databases keep a moment: UTC, always six digits of fraction, so
// that text order is time order. The zero time is kept as the empty text, which sorts first.
const TimeLayout = "2006-01-02T15:04:05.000000Z"

// Last year that TimeLayout can hold; also the limit of encoding/json.
const maxYear = 9999

// Micro brings t to what both databases keep: UTC, cut (not rounded) to the microsecond.
func Micro(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.UTC().Truncate(time.Microsecond)
}

// FormatTime writes t in TimeLayout. It fails for years outside 0 to 9999, which would break the order.
func FormatTime(t time.Time) (string, error) {
	if t.IsZero() {
		return "", nil
	}
	t = Micro(t)
	if t.Year() < 0 || t.Year() > maxYear {
		return "", fmt.Errorf("year %d cannot be kept", t.Year())
	}
	return t.Format(TimeLayout), nil
}

// ParseTime reads what FormatTime wrote and nothing else.
func ParseTime(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	if len(s) != len(TimeLayout) {
		return time.Time{}, fmt.Errorf("%q is not in the store's time layout", s)
	}
	t, err := time.Parse(TimeLayout, s)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is not in the store's time layout", s)
	}
	return t.UTC(), nil
}
