package fhirjson

import (
	"regexp"
	"strconv"
	"strings"
	"time"
)

// The loose forms that are read. Separators may be missing (ISO 8601 basic format), T may be t or a blank (RFC 3339,
// 5.6 note), a fraction may follow a comma (ISO 8601). Day-first and month-first forms are not read: they are ambiguous.
var (
	looseDateTime = regexp.MustCompile(`^(\d{4})-?(\d{2})-?(\d{2})[Tt ](\d{2}):?(\d{2})(?::?(\d{2})(?:[.,](\d+))?)?(Z|z|[+-]\d{2}(?::?\d{2})?)?$`)
	bareDate      = regexp.MustCompile(`^(\d{4})(\d{2})(\d{2})$`)
	strictDate    = regexp.MustCompile(`^\d{4}(-\d{2}(-\d{2})?)?$`)
	looseTime     = regexp.MustCompile(`^(\d{2}):(\d{2})(?::(\d{2})(\.\d+)?)?$`)
)

// mended is a value brought to the form FHIR asks for. lossy says that the result says less than the original.
type mended struct {
	text  string
	what  string
	lossy bool
}

// mendDateTime reads a dateTime. A time without zone or at 24:00 is cut to its day, never moved into a zone.
func mendDateTime(s string) (mended, bool) {
	t := strings.TrimSpace(s)
	if d, ok := dayForm(t); ok {
		return mended{text: d, what: "date brought to the form YYYY-MM-DD"}, true
	}
	m := looseDateTime.FindStringSubmatch(t)
	if m == nil {
		return mended{}, false
	}
	day := m[1] + "-" + m[2] + "-" + m[3]
	if !realDay(day) || !below(m[5], 60) {
		return mended{}, false
	}
	if m[4] == "24" {
		if m[5] != "00" || strings.Trim(m[6], "0") != "" || strings.Trim(m[7], "0") != "" {
			return mended{}, false
		}
		return mended{text: day, what: "time 24:00 left out, the day is kept", lossy: true}, true
	}
	if !below(m[4], 24) {
		return mended{}, false
	}
	if m[8] == "" {
		return mended{text: day, what: "time without zone left out, the day is kept", lossy: true}, true
	}
	zone, ok := zoneForm(m[8])
	if !ok {
		return mended{}, false
	}
	what := "date and time brought to the form of FHIR"
	sec := m[6]
	switch {
	case sec == "":
		sec, what = "00", "seconds were missing, read as the full minute"
	case sec == "60":
		sec, what = "59", "leap second :60 read as :59"
	case !below(sec, 60):
		return mended{}, false
	}
	out := day + "T" + m[4] + ":" + m[5] + ":" + sec
	if m[7] != "" {
		out += "." + m[7]
	}
	return mended{text: out + zone, what: what}, true
}

// mendInstant reads an instant: as mendDateTime, but a result without time and zone is no instant.
func mendInstant(s string) (mended, bool) {
	m, ok := mendDateTime(s)
	return m, ok && len(m.text) > len(time.DateOnly)
}

// mendDate reads a date. A time of day is left out.
func mendDate(s string) (mended, bool) {
	t := strings.TrimSpace(s)
	if d, ok := dayForm(t); ok {
		return mended{text: d, what: "date brought to the form YYYY-MM-DD"}, true
	}
	if m := looseDateTime.FindStringSubmatch(t); m != nil {
		day := m[1] + "-" + m[2] + "-" + m[3]
		if realDay(day) {
			return mended{text: day, what: "time of day left out of a date", lossy: true}, true
		}
	}
	return mended{}, false
}

// mendTime reads a time of day; missing seconds are read as the full minute.
func mendTime(s string) (mended, bool) {
	m := looseTime.FindStringSubmatch(strings.TrimSpace(s))
	if m == nil || !below(m[1], 24) || !below(m[2], 60) {
		return mended{}, false
	}
	switch {
	case m[3] == "":
		return mended{text: m[1] + ":" + m[2] + ":00", what: "seconds were missing, read as the full minute"}, true
	case m[3] == "60":
		return mended{text: m[1] + ":" + m[2] + ":59" + m[4], what: "leap second :60 read as :59"}, true
	}
	return mended{text: m[1] + ":" + m[2] + ":" + m[3] + m[4], what: "blanks around the time left out"}, below(m[3], 60)
}

// dayForm gives YYYY, YYYY-MM or YYYY-MM-DD for one of these or YYYYMMDD. YYYYMM is not read: it could be YYMMDD.
func dayForm(s string) (string, bool) {
	if m := bareDate.FindStringSubmatch(s); m != nil {
		s = m[1] + "-" + m[2] + "-" + m[3]
	}
	if !strictDate.MatchString(s) {
		return "", false
	}
	for _, layout := range []string{"2006", "2006-01", time.DateOnly} {
		if _, err := time.Parse(layout, s); err == nil {
			return s, true
		}
	}
	return "", false
}

func realDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

// zoneForm gives Z or +hh:mm, at most 14 hours off (R4 dateTime).
func zoneForm(z string) (string, bool) {
	if z == "Z" || z == "z" {
		return "Z", true
	}
	d := strings.ReplaceAll(z[1:], ":", "")
	if len(d) == 2 {
		d += "00"
	}
	h, m := d[:2], d[2:]
	if !below(m, 60) || !(below(h, 14) || h == "14" && m == "00") {
		return "", false
	}
	return z[:1] + h + ":" + m, true
}

// below says whether two digits are a number under the limit.
func below(digits string, limit int) bool {
	n, err := strconv.Atoi(digits)
	return err == nil && n < limit
}
