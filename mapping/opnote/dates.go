package opnote

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// dateSpan is a date written at tokens [first,last].
type dateSpan struct {
	first, last int
	at          implant.When
	a, b        int  // the two small numbers of a numeric date, in the order written
	year        int  // 0 not stated
	numeric     bool // day and month stand as numbers
}

// months by their first three letters.
var months = map[string]int{"jan": 1, "feb": 2, "mar": 3, "apr": 4, "may": 5, "jun": 6, "jul": 7, "aug": 8, "sep": 9, "oct": 10, "nov": 11, "dec": 12}

// monthNames in full, so that "mark", "decided" and "marked" are no months.
var monthNames = wordSet("january february march april may june july august september october november december jan feb mar apr jun jul aug sep sept oct nov dec")

func (r *reader) tokText(i int) string {
	if i < 0 || i >= len(r.toks) {
		return ""
	}
	return r.low[r.toks[i].start:r.toks[i].end]
}

// monthAt gives the month named at token i, 0 if none is.
func (r *reader) monthAt(i int) int {
	if i >= len(r.toks) || r.toks[i].kind != tokWord || r.toks[i].end-r.toks[i].start < 3 || r.toks[i].end-r.toks[i].start > 9 {
		return 0
	}
	w := r.tokText(i)
	switch w[0] { // most words are none by their first letter
	case 'j', 'f', 'm', 'a', 's', 'o', 'n', 'd':
	default:
		return 0
	}
	n := months[w[:3]]
	if n == 0 || !monthNames[w] {
		return 0
	}
	return n
}

// smallInt gives the number at token i if it is a whole number of at most max, else -1.
func (r *reader) smallInt(i, max int) int {
	if i < 0 || i >= len(r.toks) {
		return -1
	}
	t := r.toks[i]
	if t.kind == tokPunct || t.end-t.start > 4 {
		return -1
	}
	s := r.text[t.start:t.end]
	for _, suf := range []string{"st", "nd", "rd", "th"} { // "3rd"
		if t.kind == tokWord && len(s) > 2 && strings.EqualFold(s[len(s)-2:], suf) {
			s = s[:len(s)-2]
			break
		}
	}
	n, err := strconv.Atoi(s)
	if err != nil || n > max {
		return -1
	}
	return n
}

// yearAt gives the year at token i: four digits 1970-2099, or two after an apostrophe.
func (r *reader) yearAt(i int) int {
	if i < 0 || i >= len(r.toks) || r.toks[i].kind != tokNumber {
		return 0
	}
	t := r.toks[i]
	switch t.end - t.start {
	case 4:
		if n, err := strconv.Atoi(r.text[t.start:t.end]); err == nil && n >= 1970 && n < 2100 {
			return n
		}
	case 2:
		if t.start > 0 && (r.text[t.start-1] == '\'' || r.text[t.start-1] == 0x99 || r.text[t.start-1] == 0x98) {
			n, _ := strconv.Atoi(r.text[t.start:t.end])
			return century(n)
		}
	}
	return 0
}

// century puts a two-digit year in 1970-2069.
func century(n int) int {
	if n < 70 {
		return 2000 + n
	}
	return 1900 + n
}

// dateAt reads a date that begins at token i and ends before end.
func (r *reader) dateAt(i, end int) (dateSpan, bool) {
	t := r.toks[i]
	if t.kind == tokPunct {
		return dateSpan{}, false
	}
	if t.kind == tokNumber || t.kind == tokWord && r.text[t.start] >= '0' && r.text[t.start] <= '9' {
		if d, ok := r.numericDate(i, end); ok {
			return d, true
		}
		if d, ok := r.dayMonth(i, end); ok {
			return d, true
		}
		if y := r.yearAt(i); y != 0 && !r.unitAfter(i+1, end) {
			return dateSpan{first: i, last: i, year: y, at: implant.When(strconv.Itoa(y))}, true
		}
		return dateSpan{}, false
	}
	if m := r.monthAt(i); m != 0 {
		return r.monthFirst(i, end, m)
	}
	return dateSpan{}, false
}

// unitAfter says whether a unit follows, so that 2000 mcg is no year.
func (r *reader) unitAfter(i, end int) bool {
	if i >= end {
		return false
	}
	switch r.tokText(i) {
	case "mcg", "mg", "ml", "ohm", "ohms", "h", "hours", "g", "us", "hz", "%", "units", "mm", "cm":
		return true
	}
	return r.toks[i].gap == gapHyphen || r.toks[i].mark == '%'
}

// fraction are numbers under a stroke that make months, weeks, days or a score and no date: 6/12, 2/7, 8/10.
var fraction = map[int]bool{7: true, 10: true, 12: true}

// numericDate reads 2026-03-04, 03/04/2026, 3.4.26, 07/2019, 12/9.
func (r *reader) numericDate(i, end int) (dateSpan, bool) {
	if d, ok := r.dottedDate(i); ok {
		return d, true
	}
	if i+1 >= end || r.toks[i+1].gap&^(gapHyphen|gapSlash) != 0 || r.toks[i+1].gap == 0 {
		return dateSpan{}, false
	}
	if i+2 < end && r.toks[i+2].gap == r.toks[i+1].gap {
		if y := r.yearAt(i); y != 0 {
			m, d := r.smallInt(i+1, 12), r.smallInt(i+2, 31)
			return dateOf(dateSpan{first: i, last: i + 2, year: y}, m, d)
		}
		a, b := r.smallInt(i, 31), r.smallInt(i+1, 31)
		if m := r.monthAt(i + 1); m != 0 {
			if y := r.anyYear(i + 2); y != 0 {
				return dateOf(dateSpan{first: i, last: i + 2, year: y}, m, a)
			}
		}
		if y := r.anyYear(i + 2); y != 0 && a > 0 && b > 0 {
			return ambiguous(dateSpan{first: i, last: i + 2, year: y, a: a, b: b, numeric: true})
		}
		return dateSpan{}, false
	}
	a := r.smallInt(i, 31)
	if y := r.yearAt(i + 1); y != 0 && a > 0 && a <= 12 && len(r.tokText(i+1)) == 4 {
		return dateSpan{first: i, last: i + 1, year: y, at: implant.When(fmt.Sprintf("%04d-%02d", y, a))}, true
	}
	if y := r.yearAt(i); y != 0 && r.smallInt(i+1, 12) > 0 && len(r.tokText(i+1)) == 2 {
		return dateSpan{first: i, last: i + 1, year: y, at: implant.When(fmt.Sprintf("%04d-%02d", y, r.smallInt(i+1, 12)))}, true
	}
	if b := r.smallInt(i+1, 31); r.toks[i+1].gap == gapSlash && a > 0 && b > 0 && (a <= 12 || b <= 12) && !fraction[b] {
		return dateSpan{first: i, last: i + 1, a: a, b: b, numeric: true}, true
	}
	return dateSpan{}, false
}

// anyYear gives a year of four or two digits.
func (r *reader) anyYear(i int) int {
	if y := r.yearAt(i); y != 0 {
		return y
	}
	if i < len(r.toks) && r.toks[i].kind == tokNumber && r.toks[i].end-r.toks[i].start == 2 {
		n, _ := strconv.Atoi(r.tokText(i))
		return century(n)
	}
	return 0
}

// dottedDate reads 12.03.2026, which the scanner sees as a decimal, a point and a number or as one token.
func (r *reader) dottedDate(i int) (dateSpan, bool) {
	t := r.toks[i]
	if t.kind != tokNumber {
		return dateSpan{}, false
	}
	parts := strings.Split(r.text[t.start:t.end], ".")
	if len(parts) != 3 || len(parts[2]) != 4 && len(parts[2]) != 2 {
		return dateSpan{}, false
	}
	var n [3]int
	for k, p := range parts {
		v, err := strconv.Atoi(p)
		if err != nil || v <= 0 && k < 2 {
			return dateSpan{}, false
		}
		n[k] = v
	}
	if len(parts[2]) == 2 {
		n[2] = century(n[2])
	}
	return dateOf(dateSpan{first: i, last: i, year: n[2]}, n[1], n[0]) // points are used day first only
}

// dateOf finishes a date whose order is certain.
func dateOf(d dateSpan, month, day int) (dateSpan, bool) {
	if month < 1 || month > 12 || day < 1 || day > 31 {
		return dateSpan{}, false
	}
	t := time.Date(d.year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	if t.Day() != day {
		return dateSpan{}, false
	}
	d.at = implant.Day(t)
	return d, true
}

// ambiguous finishes a numeric date whose order the numbers may or may not settle.
func ambiguous(d dateSpan) (dateSpan, bool) {
	x, okX := dateOf(d, d.a, d.b) // month first
	y, okY := dateOf(d, d.b, d.a) // day first
	switch {
	case okX && okY && x.at != y.at:
		lo, hi := x.at, y.at
		if hi < lo {
			lo, hi = hi, lo
		}
		d.at = implant.When("[" + string(lo) + "," + string(hi) + "]")
		return d, true
	case okX:
		d.at = x.at
		return d, true
	case okY:
		d.at = y.at
		return d, true
	}
	return d, false
}

// dayMonth reads "3 April 2026", "3rd April", "3 of April".
func (r *reader) dayMonth(i, end int) (dateSpan, bool) {
	day := r.smallInt(i, 31)
	j := i + 1
	if j < end && r.tokText(j) == "of" {
		j++
	}
	if day < 1 || j >= end {
		return dateSpan{}, false
	}
	m := r.monthAt(j)
	if m == 0 {
		return dateSpan{}, false
	}
	k := j + 1
	if k < end && r.toks[k].mark == ',' {
		k++
	}
	if k < end {
		if y := r.anyYear(k); y != 0 && r.toks[k].end-r.toks[k].start == 4 || y != 0 && r.toks[k].gap == gapHyphen {
			return dateOf(dateSpan{first: i, last: k, year: y}, m, day)
		}
	}
	return dateSpan{first: i, last: j, a: day, b: m}, true
}

// monthFirst reads "April 3, 2026", "April 2026", and "March" after a word that makes it a date.
func (r *reader) monthFirst(i, end, m int) (dateSpan, bool) {
	if i+1 < end {
		j := i + 1
		if r.tokText(j) == "of" {
			j++
		}
		if y := r.anyYear(j); j < end && y != 0 && (r.toks[j].end-r.toks[j].start == 4 || r.toks[j].start > 0 && r.text[r.toks[j].start-1] == '\'') {
			return dateSpan{first: i, last: j, year: y, at: implant.When(fmt.Sprintf("%04d-%02d", y, m))}, true
		}
		if d := r.smallInt(i+1, 31); d > 0 && r.toks[i+1].gap&gapSpace != 0 {
			k := i + 2
			if k < end && r.toks[k].mark == ',' {
				k++
			}
			if k < end {
				if y := r.yearAt(k); y != 0 {
					return dateOf(dateSpan{first: i, last: k, year: y}, m, d)
				}
			}
			return dateSpan{first: i, last: i + 1, a: d, b: m}, true
		}
	}
	prev := ""
	if i > 0 {
		prev = r.tokText(i - 1)
	}
	switch prev {
	case "in", "last", "since", "of", "from", "until", "by", "this", "(", "early", "late", "mid":
		return dateSpan{first: i, last: i, b: m}, true
	}
	return dateSpan{}, false
}
