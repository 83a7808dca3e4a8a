package opnote

import (
	"strconv"
	"strings"

	"gaussline/mapping/implant"
)

func (r *reader) usageNear(k int) bool {
	for p := k + 1; p <= k+4 && p < len(r.items); p++ {
		if strings.HasPrefix(r.itemText(p), "of prescribed") || r.itemText(p) == "prescribed" {
			return true
		}
	}
	return false
}

// useAt reads hours, sessions and shares of prescribed use at the number at item k.
func (r *reader) useAt(sc *sentScope, k int) {
	if w := r.itemText(k + 1); (r.unit(k+1, "minutes") || r.unit(k+1, "sessions")) && r.usageTalk() {
		for p := k + 2; p <= k+4; p++ {
			if t := r.itemText(p); t == "bd" || t == "bid" || t == "twice a day" || t == "twice" || t == "b.d" {
				r.value(implant.UsageHours, "2 sessions/day", sc, k, p, "sessions: "+w)
				return
			}
		}
	}
	text, last, ok := r.number(k)
	if !ok || !r.usageTalk() {
		return
	}
	n := last + 1
	switch {
	case r.unit(n, "hours"):
		unit, end := " h", n
		if p := r.perUnit(n + 1); p != "" {
			unit, end = " h/"+p, n+1
		}
		r.value(implant.UsageHours, text+unit, sc, k, end, "hours of use")
	case (r.mark(n) == '%' || r.unit(n, "percent")) && !r.reliefNear(k):
		r.value(implant.UsageHours, text+" %", sc, k, n, "share of prescribed use")
	case r.unit(n, "sessions"):
		if p := r.perUnit(n + 1); p != "" {
			r.value(implant.UsageHours, text+" sessions/"+p, sc, k, n+1, "sessions")
		}
	}
}

// changeWords say that a setting was changed.
var changeWords = wordSet("increased decreased changed adjusted raised lowered reduced added altered modified tweaked reset optimised optimized turned stepped amended updated widened new")

// setting says whether the phrase names a setting of a device.
func (h hit) setting() bool {
	e := h.has(classUnit)
	return e != nil && e.value == "setting"
}

// stimNumbers counts the amplitudes, pulse widths and rates written with their units: "214us 20Hz 2.6mA".
func (r *reader) stimNumbers() (n, first, last int) {
	for k := range r.items {
		if !r.stimNumber(int(r.items[k].first)) {
			continue
		}
		if n == 0 {
			first = k
		}
		n, last = n+1, k
	}
	return n, first, last
}

// stimNumber says whether token i is a number with the unit of a stimulus, or such a unit behind a number.
func (r *reader) stimNumber(i int) bool {
	t := r.toks[i]
	n := t.end - t.start
	if t.kind != tokWord || n < 2 || n > 9 {
		return false
	}
	a, b := r.text[t.end-2]|0x20, r.text[t.end-1]|0x20
	if !(a == 'm' && b == 'a' || a == 'h' && b == 'z' || a == 'u' && b == 's') {
		return false
	}
	c := r.text[t.start]
	return c >= '0' && c <= '9' || n == 2 && i > 0 && r.toks[i-1].kind == tokNumber
}

// settings reads a change of a device's settings at a visit: "amplitude increased to 3.1 mA".
func (r *reader) settings(s sentence, sc *sentScope, from int) {
	if r.noteType != TypeClinic || sc.other != "" || sc.kinFrom > 0 || sc.base == ScopePlan || sc.base == ScopeConsent || sc.copied || s.sec.kind == secHistory || r.speaks(classPlan, classCond) {
		return
	}
	set, change := -1, -1
	for k := range r.items {
		w := r.itemText(k)
		switch {
		case r.unit(k, "setting"):
			set = k
		case changeWords[w] && change < 0:
			change = k
		}
		if r.mark(k+1) == '>' || r.mark(k+1) == '-' && r.mark(k+2) == '>' {
			change = k
		}
	}
	if n, first, last := r.stimNumbers(); n >= 2 && !r.speaks(classPart) {
		m := mention{first: first, last: last, head: first, sent: r.sentNo, tok0: r.items[first].first, tok1: r.items[last].last, kind: implant.Generator, system: true, words: r.itemText(first), cert: implant.Possible}
		kind := implant.PresentByWord
		for k := range r.items {
			if w := r.itemText(k); w == "was" || w == "from" || changeWords[w] || r.mark(k) == '>' {
				kind = implant.Adjusted
			}
		}
		if kind == implant.Adjusted {
			m.cert = ""
		}
		d := r.draftOf(s, &m, kind, m.tok0, m.tok1)
		d.Scope, d.act, d.Why = ScopeCurrent, "adjust", "settings of a stimulator"
		r.keep(d)
		return
	}
	if set < 0 || change < 0 || r.deniedWord(change) {
		return
	}
	for i := from; i < len(r.drafts); i++ {
		if r.drafts[i].Kind == implant.Adjusted || r.drafts[i].Kind == implant.Planned {
			return
		}
	}
	a, b := min(set, change), max(set, change)
	m := mention{first: a, last: b, head: a, sent: r.sentNo, tok0: r.items[a].first, tok1: r.items[b].last, kind: implant.Generator, system: true, words: r.itemText(set)}
	d := r.draftOf(s, &m, implant.Adjusted, m.tok0, m.tok1)
	d.Scope, d.act, d.Why = ScopeCurrent, "adjust", "settings changed: "+r.itemText(set)
	r.keep(d)
}

// perUnit reads "per day", "/day", "a week" at item k.
func (r *reader) perUnit(k int) string {
	if r.mark(k) == '/' {
		k++
	}
	if e := r.at(k).as(classPerday); e != nil {
		if w := r.itemText(k); (w == "day" || w == "week" || w == "d" || w == "wk") && r.toksGap(k)&gapSlash == 0 && r.mark(k-1) != '/' {
			return ""
		}
		return e.value
	}
	return ""
}

// usageTalk says whether the sentence speaks of use of the device.
func (r *reader) usageTalk() bool {
	for p := range r.items {
		if r.at(p).is(classUsage) {
			return true
		}
	}
	return false
}

func (r *reader) reliefNear(k int) bool {
	for p := k - 4; p <= k+5; p++ {
		if e := r.at(p).as(classScore); e != nil && e.value == "relief" {
			return true
		}
		if w := r.itemText(p); strings.HasPrefix(w, "batt") || w == "charge" || w == "charged" {
			return true
		}
	}
	return false
}

// ohmLimit is what common practice calls open circuit: above 10 kilo-ohm.
const ohmLimit = 10000

// impedance reads the result of an impedance check, in words or in ohms.
func (r *reader) impedance(sc *sentScope, k int) {
	seen := map[string]bool{}
	keep := func(v string, p int) {
		if !seen[v] {
			seen[v] = true
			r.value(implant.Impedance, v, sc, min(k, p), max(k, p), "impedance")
		}
	}
	for p := range r.items {
		it := r.at(p)
		if e := it.as(classImpval); e != nil && !r.inMention(p) {
			v := e.value
			if r.at(p-1).is(classNeg) && v == "in-range" {
				v = "out-of-range"
			} else if r.at(p-1).isAny(classNeg, classNegdet) {
				continue
			}
			keep(v, p)
		}
		if r.itemKind(p) == tokNumber && (p > k || r.ohmAfter(p)) {
			if v := r.ohms(p); v != "" {
				keep(v, p)
			}
		}
	}
}

// ohmAfter says whether the number at item k is followed by a unit of resistance.
func (r *reader) ohmAfter(k int) bool {
	for p := k + 1; p <= k+3; p++ {
		switch r.itemText(p) {
		case "ohm", "ohms", "kohm", "kohms", "kiloohm", "kiloohms", "ω", "kω", "Ω", "kΩ":
			return true
		}
	}
	return false
}

// ohms sorts the number at item k as an impedance.
func (r *reader) ohms(k int) string {
	text := r.itemText(k)
	if r.mark(k+1) == ',' && r.itemKind(k+2) == tokNumber && r.toksGap(k+2) == 0 && len(r.itemText(k+2)) == 3 {
		text += r.itemText(k + 2)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || r.toksGap(k)&gapSlash != 0 {
		return ""
	}
	for p := k + 1; p <= k+2; p++ {
		switch r.itemText(p) {
		case "k", "kΩ", "kω", "kohm", "kohms", "kiloohm", "kiloohms":
			v *= 1000
		case "ma", "us", "hz", "v", "%", "mm", "cm":
			return ""
		}
	}
	switch {
	case v >= ohmLimit:
		return "open"
	case v >= 3000:
		return "out-of-range"
	case v >= 200:
		return "in-range"
	}
	return ""
}
