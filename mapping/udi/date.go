package udi

import (
	"fmt"
	"strconv"
	"time"
)

// Precisions of a [Date].
const (
	PrecisionMonth = "month"
	PrecisionDay   = "day"
	PrecisionHour  = "hour" // hours in HIBCC date formats 4 and 6 are GMT
)

// Date is a date as carried. The zero value means not stated.
type Date struct {
	Raw       string // the digits as carried, without a format digit
	Value     string // "2026-05", "2026-05-03" or "2026-05-03T16Z"
	Precision string
}

// IsZero says that no date was stated.
func (d Date) IsZero() bool { return d.Value == "" }

// Day is Value cut to month or day precision, as an EDTF date; an hour is dropped.
func (d Date) Day() string {
	if len(d.Value) > len(time.DateOnly) {
		return d.Value[:len(time.DateOnly)]
	}
	return d.Value
}

// century resolves a two-digit year by the sliding rule of the GS1 General Specifications 7.12: 51 or more
// above refYear's two digits is the century before, 50 or more below is the next. For HIBCC the standard text
// at hand has no rule; the same one is used by our convention.
func century(yy, refYear int) int {
	base, d := refYear-refYear%100, yy-refYear%100
	switch {
	case d >= 51:
		base -= 100
	case d <= -50:
		base += 100
	}
	return base + yy
}

// num reads a string of digits; ok is false when it is empty or holds anything else.
func num(s string) (n int, ok bool) {
	if s == "" || len(s) > 9 || !allIn(s, isDigit) {
		return 0, false
	}
	n, err := strconv.Atoi(s)
	return n, err == nil
}

// ymd makes a date of year, month and day; day 0 means not stated and is refused unless zeroDay.
// The text is what is wrong, "" when nothing is.
func ymd(raw string, year, month, day int, zeroDay bool) (Date, string) {
	if month < 1 || month > 12 {
		return Date{}, "month is not 01 to 12"
	}
	if day == 0 && zeroDay {
		return Date{Raw: raw, Value: fmt.Sprintf("%04d-%02d", year, month), Precision: PrecisionMonth}, ""
	}
	if last := time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day(); day < 1 || day > last {
		return Date{}, "day does not exist in that month"
	}
	return Date{Raw: raw, Value: fmt.Sprintf("%04d-%02d-%02d", year, month, day), Precision: PrecisionDay}, ""
}

// yymmdd reads six digits.
func yymmdd(raw string, refYear int, zeroDay bool) (Date, string) {
	n, ok := num(raw)
	if !ok || len(raw) != 6 {
		return Date{}, "date digits: six expected (YYMMDD)"
	}
	return ymd(raw, century(n/10000, refYear), n/100%100, n%100, zeroDay)
}

// Years a date with four year digits may have: our bounds, no source.
const (
	minYear = 1900
	maxYear = 2199
)

// yyyymmdd reads eight digits.
func yyyymmdd(raw string) (Date, string) {
	n, ok := num(raw)
	if !ok || len(raw) != 8 {
		return Date{}, "not an 8-digit date (YYYYMMDD)"
	}
	if year := n / 10000; year < minYear || year > maxYear {
		return Date{}, "year of the 8-digit date is outside any device's life"
	}
	return ymd(raw, n/10000, n/100%100, n%100, false)
}

// ordinal makes a date of a year and the day in it.
func ordinal(raw string, year, day int) (Date, string) {
	last := time.Date(year, 12, 31, 0, 0, 0, 0, time.UTC).YearDay()
	if day < 1 || day > last {
		return Date{}, "julian day does not exist in that year"
	}
	t := time.Date(year, 1, day, 0, 0, 0, 0, time.UTC)
	return Date{Raw: raw, Value: t.Format(time.DateOnly), Precision: PrecisionDay}, ""
}

// withHour adds a GMT hour to a day.
func withHour(d Date, raw string, hour int) (Date, string) {
	if hour > 23 {
		return Date{}, "hour is not 00 to 23"
	}
	return Date{Raw: raw, Value: fmt.Sprintf("%sT%02dZ", d.Value, hour), Precision: PrecisionHour}, ""
}
