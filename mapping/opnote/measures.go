package opnote

import (
	"strconv"
	"strings"

	"gaussline/mapping/implant"
)

// measures reads outcome scores, hours of use and impedances.
func (r *reader) measures(s sentence, sc *sentScope) {
	if sc.other != "" || sc.base == ScopeConsent || sc.base == ScopeFamily || sc.base == ScopeOther {
		return
	}
	for k := 0; k < len(r.items) && (r.numbers || r.speaks(classScore, classImpedance, classUsage)); k++ {
		it := r.at(k)
		switch {
		case it.is(classScore):
			r.score(sc, k)
		case it.is(classImpedance):
			r.impedance(sc, k)
		case it.is(classImpval) && strings.HasSuffix(r.itemText(k), "circuit") && !r.speaks(classImpedance) && !r.deniedWord(k):
			r.value(implant.Impedance, it.as(classImpval).value, sc, k, k, "a circuit")
		case r.contactNumber(k) && !r.speaks(classImpedance):
			for p := k + 1; p <= k+6 && p < len(r.items); p++ {
				if e := r.at(p).as(classImpval); e != nil && (e.value == "open" || e.value == "short" || e.value == "out-of-range" && strings.Contains(r.itemText(p), "range")) && !strings.HasSuffix(r.itemText(p), "circuit") {
					r.value(implant.Impedance, e.value, sc, k, p, "contacts")
					break
				}
			}
		case r.itemText(k) == "2x" && r.usageTalk() && r.perUnit(k+1) == "day":
			r.value(implant.UsageHours, "2 sessions/day", sc, k, k+1, "sessions")
		case r.itemKind(k) == tokNumber:
			r.useAt(sc, k)
			r.painScale(sc, k)
		}
	}
}

// contactNumber says whether item k names contacts by their numbers: "contacts 2 and 5".
func (r *reader) contactNumber(k int) bool {
	w := r.itemText(k)
	return (strings.HasPrefix(w, "contact") || strings.HasPrefix(w, "electrode")) && (r.itemKind(k+1) == tokNumber || r.mark(k+1) == '#' || r.at(k-1).is(classNum)) && r.speaks(classImpval)
}

// number reads the number at item k as written, with a decimal comma made a point; last is its last item.
func (r *reader) number(k int) (text string, last int, ok bool) {
	if k < 0 || k >= len(r.items) || r.itemKind(k) != tokNumber {
		return "", k, false
	}
	text = r.text[r.toks[r.items[k].first].start:r.toks[r.items[k].last].end]
	last = k
	if r.mark(k+1) == ',' && r.itemKind(k+2) == tokNumber && r.toks[r.items[k+1].first].gap == 0 && r.toks[r.items[k+2].first].gap == 0 {
		text += "." + r.itemText(k+2)
		last = k + 2
	}
	return text, last, true
}

// unit says whether item k is the unit u: hours, minutes, sessions, percent.
func (r *reader) unit(k int, u string) bool {
	e := r.at(k).as(classUnit)
	return e != nil && e.value == u
}

// value keeps a measure as a finding over items [a,b].
func (r *reader) value(kind implant.FactKind, v string, sc *sentScope, a, b int, why string) {
	if a < 0 {
		a = 0
	}
	if b >= len(r.items) {
		b = len(r.items) - 1
	}
	d := draft{tok0: r.items[a].first, tok1: r.items[b].last, sent: r.sentNo}
	d.Kind, d.Value, d.Scope, d.Why = kind, v, ScopeCurrent, why
	if sc.copied {
		d.Scope = ScopeCopied
	}
	r.keep(d)
}

// numberWords for scores in words: "nine on a bad one".
var numberWords = map[string]string{"zero": "0", "one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7", "eight": "8", "nine": "9", "ten": "10"}

// maxScoreReach is how many items after a scale its number may stand.
const maxScoreReach = 9

// score reads every number that a scale governs: "ODI 42 (was 58)", "NRS 7/10", "VAS before 72 mm, now 31 mm",
// "fell from NRS 8 to 3".
func (r *reader) score(sc *sentScope, k int) {
	scale := r.at(k).as(classScore).value
	if scale == "relief" {
		r.relief(sc, k)
		return
	}
	found, fell, cue, since := false, false, false, 0
	for p := k + 1; p < len(r.items) && p <= k+3*maxScoreReach; p++ {
		it := r.at(p)
		if it.is(classScore) && p > k+1 && (found || it.as(classScore).value != scale) {
			break
		}
		w := r.itemText(p)
		switch {
		case scoreFalls[w]:
			fell, cue = true, true
		case scoreCues[w] || r.mark(p) == '>' || r.mark(p) == '(' || w == "→" || r.mark(p) == '|':
			cue = true
		}
		if r.boundary(p) == 2 && r.mark(p) != '-' && r.mark(p) != '>' && r.mark(p) != '=' && !it.is(classTerm) && !(r.mark(p) == '.' && p == k+1) {
			break
		}
		since++
		text, last, ok := r.number(p)
		if !ok {
			continue
		}
		if r.notScore(p, last) || overScale(scale, text) || found && !cue || !found && since > maxScoreReach {
			p = last
			continue
		}
		v, end := r.scoreValue(scale, text, last, fell)
		r.value(implant.Outcome, v, sc, min(k, p), end, "score: "+scale)
		found, cue, since = true, false, 0
		p = end
	}
	if !found {
		r.scoreBefore(sc, k, scale)
	}
}

// overScale says whether a number is too large for the scale.
func overScale(scale, text string) bool {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return true
	}
	top := map[string]float64{"NRS": 10, "VAS": 100, "ODI": 100, "RMDQ": 24, "EQ-5D": 1, "PROMIS-PI": 100, "PROMIS-PF": 100}
	return v > top[scale]
}

// scoreFalls are words after which "8 to 3" is a change and no range.
var scoreFalls = wordSet("from fell falling fallen dropped dropping down improved improving reduced rose risen went up change changed decreased increased")

// scoreCues are words that bring a further number of the same scale.
var scoreCues = wordSet("was were now before after today baseline pre post preop postop then to vs versus previously earlier currently later ago against initially start latest last at and")

// notScore says whether the number is a date, a time span, a version or a count and not a score.
func (r *reader) notScore(p, last int) bool {
	if _, ok := r.dateAt(int(r.items[p].first), int(r.items[len(r.items)-1].last)+1); ok && !(r.mark(last+1) == '/' || r.toksGap(last+1)&gapSlash != 0 && r.itemText(last+1) == "10" || r.toksGap(last+1)&gapSlash != 0 && r.itemText(last+1) == "100" || r.toksGap(last+1)&gapSlash != 0 && r.itemText(last+1) == "50") {
		return true
	}
	switch r.itemText(last + 1) {
	case "months", "month", "weeks", "week", "years", "year", "days", "day", "points", "point", "th", "mg", "mcg", "visits", "min", "minutes", "yr", "yrs", "mo", "wk", "wks", "m", "ma", "hz":
		return true
	}
	return r.unit(last+1, "hours") || r.unit(last+1, "minutes")
}

// toksGap gives the gap before item k.
func (r *reader) toksGap(k int) gap {
	if k < 0 || k >= len(r.items) {
		return gapSpace
	}
	return r.toks[r.items[k].first].gap
}

// scoreValue writes a score in the form "scale number unit".
func (r *reader) scoreValue(scale, text string, last int, fell bool) (string, int) {
	if r.toksGap(last+1)&gapHyphen != 0 || r.mark(last+1) == '-' && r.toksGap(last+1) == 0 || r.itemText(last+1) == "to" && !fell {
		n := last + 1
		if r.itemKind(n) != tokNumber {
			n++
		}
		if hi, hl, ok := r.number(n); ok && !r.at(n).is(classScore) && !below(hi, text) { // "8 to 3" is a change
			text, last = text+"-"+hi, hl
		}
	}
	if scale == "ODI" && (r.toksGap(last+1)&gapSlash != 0 || r.mark(last+1) == '/') && strings.HasPrefix(r.itemText(last+1)+r.itemText(last+2), "50") {
		if n, err := strconv.Atoi(text); err == nil {
			text = strconv.Itoa(2 * n) // ten sections of five points each: percent is twice the sum
		}
	}
	v := scale + " " + text
	if r.toksGap(last+1)&gapSlash != 0 && r.itemKind(last+1) == tokNumber {
		last++
	} else if (r.mark(last+1) == '/' || r.itemText(last+1) == "out" && r.itemText(last+2) == "of") && r.itemKind(last+2) == tokNumber {
		last += 2
	}
	if r.itemText(last+1) == "out of" && (r.itemKind(last+2) == tokNumber || r.itemText(last+2) == "ten") {
		last += 2
	}
	unit := r.itemText(last + 1)
	switch {
	case scale == "ODI":
		v += " %"
		if r.mark(last+1) == '%' || r.unit(last+1, "percent") {
			last++
		}
	case scale == "VAS" && (unit == "mm" || unit == "cm"):
		v += " " + unit
		last++
	case r.mark(last+1) == '%':
		last++
	}
	return v, last
}

// below says whether number a is less than number b.
func below(a, b string) bool {
	x, err := strconv.ParseFloat(a, 64)
	y, err2 := strconv.ParseFloat(b, 64)
	return err == nil && err2 == nil && x < y
}

// scoreBefore reads "8/10 on the numeric rating scale".
func (r *reader) scoreBefore(sc *sentScope, k int, scale string) {
	for p := k - 1; p >= 0 && p >= k-6; p-- {
		if r.itemKind(p) == tokNumber && p > 0 && r.toksGap(p)&gapSlash != 0 && r.itemKind(p-1) == tokNumber {
			p--
		}
		if text, last, ok := r.number(p); ok && !r.notScore(p, last) {
			if last == p && p > 0 && r.toksGap(p)&gapSlash != 0 {
				continue
			}
			v, _ := r.scoreValue(scale, text, last, false)
			r.value(implant.Outcome, v, sc, p, k, "score: "+scale)
			return
		}
		if r.boundary(p) > 0 {
			return
		}
	}
}

// relief reads a percentage of relief beside its word.
func (r *reader) relief(sc *sentScope, k int) {
	for d := 1; d <= 6; d++ {
		for _, p := range []int{k - d, k + d} {
			if p < 0 || p >= len(r.items) {
				continue
			}
			pct := r.mark(p) == '%' || r.unit(p, "percent")
			if !pct || p == 0 || r.strongBetween(min(p, k), max(p, k)) {
				continue
			}
			n := r.itemText(p - 1)
			if r.itemKind(p-1) != tokNumber {
				if n = tensWord(n); n == "" {
					continue
				}
			} else if r.toksGap(p-1)&gapHyphen != 0 && p >= 2 && r.itemKind(p-2) == tokNumber {
				n = r.itemText(p-2) + "-" + n
			}
			if r.usageNear(p) {
				continue
			}
			r.value(implant.Outcome, "relief "+n+" %", sc, min(p-1, k), max(p, k), "relief")
			return
		}
	}
}

// tensWord gives "eighty" as "80".
func tensWord(w string) string {
	tens := map[string]string{"ten": "10", "twenty": "20", "thirty": "30", "forty": "40", "fifty": "50", "sixty": "60", "seventy": "70", "eighty": "80", "ninety": "90", "hundred": "100"}
	return tens[w]
}

// scoreWords stand before a bare "7/10" that is a pain score.
var scoreWords = wordSet("worst best average usual baseline now currently today is was at of least")

// painScale reads "pain 7/10" and "6 to 7 out of ten" where no scale is named.
func (r *reader) painScale(sc *sentScope, k int) {
	ten := r.toksGap(k+1)&gapSlash != 0 && r.itemText(k+1) == "10"
	if !ten && r.itemText(k+1) == "out of" && (r.itemText(k+2) == "10" || r.itemText(k+2) == "ten") {
		ten = true
	}
	if !ten || r.toksGap(k+2)&gapSlash != 0 && r.itemKind(k+2) == tokNumber {
		return
	}
	pain := false
	for p := range r.items {
		if e := r.at(p).as(classScore); e != nil && e.value != "relief" && (p > k-5 && p < k || p > k && p < k+5) && !(p > k+1 && r.boundary(k+2) > 0) {
			return
		}
		w := r.itemText(p)
		pain = pain || p == k-1 && scoreWords[w] || strings.Contains(w, "pain") || w == "rates" || w == "scores" || w == "ache" || w == "rated"
	}
	if !pain {
		return
	}
	text, first := r.itemText(k), k
	if r.toksGap(k)&gapHyphen != 0 && k > 0 && r.itemKind(k-1) == tokNumber {
		text, first = r.itemText(k-1)+"-"+text, k-1
	} else if r.itemText(k-1) == "to" && k >= 2 && r.itemKind(k-2) == tokNumber {
		text, first = r.itemText(k-2)+"-"+text, k-2
	}
	r.value(implant.Outcome, "NRS "+text, sc, first, k+1, "pain out of ten")
	for p := k + 2; p < len(r.items) && p <= k+8; p++ { // "6 out of 10, was 9"
		switch r.itemText(p) {
		case "was", "against", "previously", "from", "before", "baseline", "formerly", "vs", "versus":
		default:
			continue
		}
		q := p + 1
		for q <= p+2 && r.at(q).isAny(classDet, classAux) {
			q++
		}
		if n := r.smallInt(r.firstTok(q), 10); n >= 0 && r.itemKind(q) == tokNumber && r.toksGap(q+1)&gapSlash == 0 && r.itemText(q+1) != "out of" && !r.at(q+1).is(classUnit) && !timeUnits[r.itemText(q+1)] {
			r.value(implant.Outcome, "NRS "+r.itemText(q), sc, p, q, "pain out of ten")
		}
		break
	}
	for p := k + 2; p < len(r.items); p++ { // "and nine on a bad one"
		if n, ok := numberWords[r.itemText(p)]; ok && r.itemText(p+1) == "on" {
			r.value(implant.Outcome, "NRS "+n, sc, p, p+1, "pain out of ten")
		}
	}
}
