package opnote

import (
	"fmt"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// datedItem is a date that begins at item k of the sentence.
type datedItem struct {
	k    int
	last int // its last item
	span dateSpan
	at   implant.When
}

// findDates reads the dates of the sentence once.
func (r *reader) findDates() {
	r.dates = r.dates[:0]
	if len(r.items) == 0 {
		return
	}
	end := int(r.items[len(r.items)-1].last) + 1
	for k := 0; k < len(r.items); k++ {
		t := r.toks[r.items[k].first]
		if t.kind == tokPunct || r.items[k].e != nil && t.kind != tokNumber && r.items[k].first != r.items[k].last {
			continue
		}
		if d, ok := r.dateAt(int(r.items[k].first), end); ok {
			last := r.itemOf(d.last, k)
			r.dates = append(r.dates, datedItem{k, last, d, r.complete(d)})
			k = last
		}
	}
}

// complete gives the date of d, filling a missing year from the note's own date: the latest such day that is not
// after the note. It is "" when the note has no date.
func (r *reader) complete(d dateSpan) implant.When {
	if d.at != "" {
		return r.settleOrder(d)
	}
	_, to, ok := r.note.Date.Bounds()
	if !ok || r.note.Date.Ambiguous() {
		return ""
	}
	last := to.Add(-time.Nanosecond)
	year := last.Year()
	if !d.numeric && d.a == 0 {
		if d.b > int(last.Month()) {
			year--
		}
		return implant.When(fmt.Sprintf("%04d-%02d", year, d.b))
	}
	month, day := d.b, d.a
	if d.numeric {
		if r.monthFirstStyle > 0 || r.monthFirstStyle == 0 && d.b > 12 {
			month, day = d.a, d.b
		} else if r.monthFirstStyle == 0 && d.a <= 12 && d.a != d.b {
			return r.recent(d, last)
		}
	}
	x, ok := dateOf(dateSpan{year: year}, month, day)
	if !ok {
		return ""
	}
	if from, _, ok := x.at.Bounds(); ok && from.After(last) {
		x, _ = dateOf(dateSpan{year: year - 1}, month, day)
	}
	return x.at
}

// settleOrder settles an ambiguous numeric date by the style of the note's other dates, or by the note's own date.
func (r *reader) settleOrder(d dateSpan) implant.When {
	if !d.at.Ambiguous() {
		return d.at
	}
	if r.monthFirstStyle != 0 {
		m, day := d.a, d.b
		if r.monthFirstStyle < 0 {
			m, day = d.b, d.a
		}
		if x, ok := dateOf(dateSpan{year: d.year}, m, day); ok {
			return x.at
		}
	}
	if r.note.Date != "" {
		for _, one := range strings.Split(strings.Trim(string(d.at), "[]"), ",") {
			if strings.HasPrefix(string(r.note.Date), one) {
				return implant.When(one)
			}
		}
	}
	return d.at
}

// findDateStyle looks for a date that settles the order of day and month for the whole note: 23/07 or 07/23, when
// no other date says the contrary.
func (r *reader) findDateStyle() {
	monthFirst, dayFirst := false, false
	for i := 0; i+2 < len(r.toks); i++ {
		if r.toks[i].kind != tokNumber || r.toks[i+1].gap != gapSlash || r.toks[i+2].gap != gapSlash {
			continue
		}
		a, b := r.smallInt(i, 31), r.smallInt(i+1, 31)
		if r.anyYear(i+2) == 0 || a < 1 || b < 1 {
			continue
		}
		monthFirst = monthFirst || b > 12 && a <= 12
		dayFirst = dayFirst || a > 12 && b <= 12
	}
	switch {
	case monthFirst && !dayFirst:
		r.monthFirstStyle = 1
	case dayFirst && !monthFirst:
		r.monthFirstStyle = -1
	}
}

// recent reads a day and month without a year whose order is open: the reading that lies within the months before
// the note is taken when the other does not; else both are kept.
func (r *reader) recent(d dateSpan, last time.Time) implant.When {
	var near []implant.When
	for _, md := range [2][2]int{{d.a, d.b}, {d.b, d.a}} {
		x, ok := dateOf(dateSpan{year: last.Year()}, md[0], md[1])
		if !ok {
			continue
		}
		if from, _, _ := x.at.Bounds(); !from.After(last) && last.Sub(from) < 92*24*time.Hour {
			near = append(near, x.at)
		}
	}
	if len(near) == 1 {
		return near[0]
	}
	d.year = last.Year()
	x, _ := ambiguous(d)
	return r.settleOrder(x)
}
