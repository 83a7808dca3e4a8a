package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// identity is what a stretch of a note says about which item a part is.
type identity struct {
	model, serial, lot, udi, di, maker string
	expiry, made                       implant.When
}

func (id identity) empty() bool { return id == identity{} }

// merge fills what id lacks from other.
func (id *identity) merge(other identity) {
	fill := func(dst *string, src string) {
		if *dst == "" {
			*dst = src
		}
	}
	fill(&id.model, other.model)
	fill(&id.serial, other.serial)
	fill(&id.lot, other.lot)
	fill(&id.udi, other.udi)
	fill(&id.di, other.di)
	fill(&id.maker, other.maker)
	if id.expiry == "" {
		id.expiry = other.expiry
	}
	if id.made == "" {
		id.made = other.made
	}
}

// agrees says whether no field of one contradicts the other's.
func (id identity) agrees(o identity) bool {
	same := func(a, b string) bool { return a == "" || b == "" || a == b }
	return same(id.model, o.model) && same(id.serial, o.serial) && same(id.lot, o.lot) && same(id.udi, o.udi) && same(id.di, o.di)
}

// apart says whether the two state no field both.
func (id identity) apart(o identity) bool {
	no := func(a, b string) bool { return a == "" || b == "" }
	return no(id.model, o.model) && no(id.serial, o.serial) && no(id.lot, o.lot) && no(id.udi, o.udi) && no(id.di, o.di) && no(string(id.expiry), string(o.expiry))
}

// identSpan is an identity string found at items [first,last].
type identSpan struct {
	first, last int
	field       string
	id          identity
}

// bracketSerial reads a number of five or more characters in brackets right behind a model number as the serial:
// "MV-510 (5105550)".
func (r *reader) bracketSerial(k int) (identSpan, bool) {
	if r.mark(k) != '(' && r.mark(k) != '/' && !(r.mark(k) == ',' && r.openBracket(k-6, k)) || k < 2 || r.toks[r.items[k-1].first].gap != gapHyphen || !r.hasDigit(k-1) || !r.hasDigit(k+1) {
		return identSpan{}, false
	}
	text, last := r.joinedText(k+1, len(r.items))
	if len(text) < 5 || len(text) > maxIdent || r.mark(k) != '/' && r.mark(last+1) != ')' && r.mark(last+1) != ',' || r.mark(k) == ',' && r.mark(last+1) != ')' || r.yearAt(int(r.items[k+1].first)) != 0 {
		return identSpan{}, false
	}
	return identSpan{k, last, "serial", identity{serial: text}}, true
}

// maxIdent is the longest serial, lot or model taken, in bytes. GS1 allows 20 (AI 10, 21); makers' own go beyond.
const maxIdent = 40

// identAt reads a labelled identifier, a UDI string, or a model number that begins at item k.
func (r *reader) identAt(k int) (identSpan, bool) {
	if sp, ok := r.udiAt(k); ok {
		return sp, true
	}
	if w := r.itemText(k); (w == "no" || w == "nr") && r.mark(k+1) == '.' && r.hasDigit(k+2) {
		return r.labelledIdent(k, "serial")
	}
	if e := r.at(k).as(classIdent); e != nil {
		if sp, ok := r.labelledIdent(k, e.value); ok {
			return sp, true
		}
		return identSpan{}, false
	}
	if sp, ok := r.bracketSerial(k); ok {
		return sp, true
	}
	if r.modelLike(k) {
		text, last := r.joinedText(k, len(r.items))
		return identSpan{k, last, "model", identity{model: text}}, true
	}
	return identSpan{}, false
}

// labelledIdent reads what follows a label such as "SN" or "lot no.".
func (r *reader) labelledIdent(k int, field string) (identSpan, bool) {
	j := k + 1
	for j < len(r.items) && (strings.IndexByte(":#.=", r.mark(j)) >= 0 && r.mark(j) != 0 || r.itemText(j) == "is" || r.itemText(j) == "of") {
		j++
	}
	if j >= len(r.items) || r.mark(j) != 0 && r.mark(j) != '(' {
		return identSpan{}, false
	}
	sp := identSpan{first: k, field: field}
	switch field {
	case "expiry", "made":
		d, ok := r.dateAt(int(r.items[j].first), int(r.items[len(r.items)-1].last)+1)
		if !ok {
			return sp, false
		}
		at := r.complete(d)
		sp.last = r.itemOf(d.last, j)
		if field == "expiry" {
			sp.id.expiry = at
		} else {
			sp.id.made = at
		}
		return sp, at != ""
	case "maker":
		return r.makerAfter(k, j)
	case "udi":
		if u, ok := r.udiAt(j); ok {
			u.first = k
			return u, true
		}
		return sp, false
	}
	if r.items[j].e != nil && !r.hasDigit(j) {
		return sp, false
	}
	text, last := r.joinedText(j, len(r.items))
	if text == "" || len(text) > maxIdent || !strings.ContainsAny(text, "0123456789") {
		return sp, false
	}
	sp.last = last
	switch field {
	case "model":
		sp.id.model = text
	case "serial":
		sp.id.serial = text
	case "lot":
		sp.id.lot = text
	}
	return sp, true
}

// makerAfter reads a maker's name after its label: words up to a mark, at most four.
func (r *reader) makerAfter(k, j int) (identSpan, bool) {
	end := j
	for end < len(r.items) && end < j+4 && r.itemKind(end) == tokWord && !r.at(end).isAny(classIdent, classAct, classSep) &&
		!(r.at(end).is(classPart) && end > j) {
		end++
	}
	if end == j || r.itemText(k) == "company" || r.itemText(k) == "type" {
		return identSpan{}, false
	}
	name := r.text[r.toks[r.items[j].first].start:r.toks[r.items[end-1].last].end]
	return identSpan{k, end - 1, "maker", identity{maker: name}}, true
}

// hasDigit says whether item k's text holds a digit.
func (r *reader) hasDigit(k int) bool { return strings.ContainsAny(r.itemText(k), "0123456789") }

// joinedText gives the run of tokens from item k that stand without blanks: "420-01177", "K7731", "4471-B".
func (r *reader) joinedText(k, limit int) (string, int) {
	last := k
	for last+1 < limit {
		t := r.toks[r.items[last+1].first]
		if t.gap&^(gapHyphen|gapSlash) != 0 || t.gap == 0 && t.kind == tokPunct && t.mark != '.' && t.mark != '_' {
			break
		}
		if t.kind == tokPunct { // a point or underscore inside, with text right after it
			if last+2 >= limit || r.toks[r.items[last+2].first].gap != 0 || r.toks[r.items[last+2].first].kind == tokPunct {
				break
			}
		}
		if t.gap&gapSlash != 0 && (r.at(last+1).e != nil || r.modelLike(k)) {
			break
		}
		last++
	}
	return r.text[r.toks[r.items[k].first].start:r.toks[r.items[last].last].end], last
}

// modelLike says whether item k begins a model number: letters and digits joined by a dash, "TB-410", "MV-L60",
// "TB-A2". Levels, spans and measures are not models.
func (r *reader) modelLike(k int) bool {
	if k < 0 || k+1 >= len(r.items) || r.items[k].e != nil && !r.items[k].isAny(classSidel) {
		return false
	}
	a, b := r.toks[r.items[k].first], r.toks[r.items[k+1].first]
	if b.gap != gapHyphen || a.kind != tokWord || b.kind == tokPunct {
		return false
	}
	if k > 0 && a.gap&gapHyphen != 0 {
		return false
	}
	at := r.tokText(int(r.items[k].first))
	bt := r.tokText(int(r.items[k+1].first))
	if len(at) < 1 || len(at) > 5 || len(bt) > 12 || !strings.ContainsAny(bt, "0123456789") {
		return false
	}
	if c, _ := r.levelToken(int(r.items[k].first)); c != 0 {
		return false
	}
	if len(at) == 1 && (b.kind == tokNumber) {
		return false // "x-2", "L-3"
	}
	switch at {
	case "eq", "cov", "post", "pre", "non", "day", "month", "week", "grade", "stage", "phase", "type", "mid", "upto", "nrs", "vas", "odi", "rev", "ver", "no", "one", "two", "three", "sf", "promis", "crt", "version", "room", "ward", "bed", "covid", "omega", "vitamin", "hb", "il", "ct", "mr", "level", "age", "aged", "oct", "nov", "dec", "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "ohm", "pain":
		return false
	}
	if bt == "d" || bt == "5d" {
		return false
	}
	return true
}

// udiAt reads a GS1 element string with its application identifiers in brackets (GS1 General Specifications,
// section 7.8.5): "(01)00801234567895(17)280131(21)GC300412".
func (r *reader) udiAt(k int) (identSpan, bool) {
	if r.mark(k) != '(' || k+2 >= len(r.items) || r.mark(k+2) != ')' {
		return identSpan{}, false
	}
	ai := r.itemText(k + 1)
	if ai != "01" && ai != "10" && ai != "17" && ai != "21" && ai != "11" && ai != "240" {
		return identSpan{}, false
	}
	sp := identSpan{first: k, last: k, field: "udi"}
	j := k
	for j+3 < len(r.items) && r.mark(j) == '(' && r.mark(j+2) == ')' && r.itemKind(j+1) == tokNumber && (j == k || r.toks[r.items[j].first].gap == 0 || r.toks[r.items[j].first].gap == gapSpace) {
		ai := r.itemText(j + 1)
		if r.itemKind(j+3) == tokPunct {
			break
		}
		text, last := r.joinedText(j+3, len(r.items))
		if !r.udiField(&sp.id, ai, text) {
			break
		}
		sp.last = last
		j = last + 1
	}
	if sp.last == k {
		return identSpan{}, false
	}
	if sp.id.di != "" {
		sp.id.udi = r.text[r.toks[r.items[k].first].start:r.toks[r.items[sp.last].last].end]
	}
	return sp, true
}

// udiField stores one element.
func (r *reader) udiField(id *identity, ai, text string) bool {
	switch ai {
	case "01":
		id.di = text
	case "10":
		id.lot = text
	case "21":
		id.serial = text
	case "240":
		id.model = text
	case "11", "17":
		if len(text) != 6 {
			return false
		}
		at := "20" + text[:2] + "-" + text[2:4]
		if text[4:] != "00" { // day 00 is the end of the month: kept as a month
			at += "-" + text[4:]
		}
		w, err := implant.ParseWhen(at)
		if err != nil {
			return true
		}
		if ai == "17" {
			id.expiry = w
		} else {
			id.made = w
		}
	default:
		return false
	}
	return true
}

// itemOf gives the item that holds token i, at or after item k.
func (r *reader) itemOf(i, k int) int {
	for k+1 < len(r.items) && int(r.items[k].last) < i {
		k++
	}
	return k
}
