package v2

import (
	"regexp"
	"time"
)

// dtm is a time stamp: YYYY[MM[DD[HH[MM[SS[.S…]]]]]][+/-ZZZZ] (HL7 v2.5.1 data types TS and DTM).
var dtm = regexp.MustCompile(`^(\d{4})(\d\d)?(\d\d)?(?:(\d\d)(\d\d)?(\d\d)?(\.\d{1,4})?)?([+-]\d{4})?$`)

// moment is a time stamp with the precision it was written in.
type moment struct {
	at        time.Time
	precision int // digits before the fraction: 4, 6, 8, 10, 12 or 14
}

// parseTime reads a time stamp; where it names no zone, it is local to the sender.
func parseTime(s string, local *time.Location) (moment, bool) {
	g := dtm.FindStringSubmatch(s)
	if g == nil {
		return moment{}, false
	}
	digits, layout := "", ""
	for i, l := range []string{"2006", "01", "02", "15", "04", "05"} {
		if g[i+1] == "" {
			break
		}
		digits, layout = digits+g[i+1], layout+l
	}
	m := moment{precision: len(digits)}
	digits, layout = digits+g[7], layout+map[bool]string{true: ".999999999"}[g[7] != ""]
	if m.precision == 6 { // "200601" alone is read as digits of a year otherwise
		digits, layout = digits+"01", layout+"02"
	}
	var err error
	if g[8] != "" {
		m.at, err = time.Parse(layout+"-0700", digits+g[8])
	} else {
		m.at, err = time.ParseInLocation(layout, digits, local)
	}
	return m, err == nil && m.at.Year() > 0
}

// fhir is the dateTime. A time of the day without minutes is widened to the day: FHIR has no hour.
func (m moment) fhir() string {
	switch {
	case m.precision == 4:
		return m.at.Format("2006")
	case m.precision == 6:
		return m.at.Format("2006-01")
	case m.precision < 12:
		return m.at.Format(time.DateOnly)
	}
	return m.at.Format(time.RFC3339Nano)
}

// dateTime reads a field as a dateTime, "" when it is empty or not a time.
func (c *converter) dateTime(f Field) string {
	if m, ok := parseTime(f.Value(), c.cfg.location()); ok {
		return m.fhir()
	}
	return ""
}

// date reads a field as a date.
func (c *converter) date(f Field) string {
	m, ok := parseTime(f.Value(), time.UTC)
	if !ok {
		return ""
	}
	m.precision = min(m.precision, 8)
	return m.fhir()
}
