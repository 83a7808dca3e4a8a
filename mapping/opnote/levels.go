package opnote

import "strconv"

// levelSpan is a bony level or a span of levels written at items [first,last].
type levelSpan struct {
	first, last int
	text        string // "L3", "T8-T9"
}

// vertebrae are the last numbers of each region. L6 and T13 occur in transitional spines.
var vertebrae = map[byte]int{'c': 8, 't': 13, 'd': 12, 'l': 6, 's': 5}

// levelToken reads token i as one level: its letter in lower case and number, 0 if it is none.
func (r *reader) levelToken(i int) (letter byte, n int) {
	if i < 0 || i >= len(r.toks) {
		return 0, 0
	}
	t := r.toks[i]
	w := r.text[t.start:t.end]
	if t.kind != tokWord || len(w) < 2 || len(w) > 3 {
		return 0, 0
	}
	letter = w[0] | 0x20
	most, ok := vertebrae[letter]
	if !ok {
		return 0, 0
	}
	n, err := strconv.Atoi(w[1:])
	if err != nil || n < 1 || n > most {
		return 0, 0
	}
	if letter == 'd' {
		letter = 't' // dorsal is thoracic
	}
	return letter, n
}

// levelAt reads a level or a span that begins at item k: "L3", "L3/4", "L3-L4", "T8 to T9", "L3, L4 and L5".
func (r *reader) levelAt(k int) (levelSpan, bool) {
	if k >= len(r.items) || r.items[k].e != nil {
		return levelSpan{}, false
	}
	i := int(r.items[k].first)
	c, n := r.levelToken(i)
	if c == 0 {
		return levelSpan{}, false
	}
	first := string(c-0x20) + strconv.Itoa(n)
	sp := levelSpan{k, k, first}
	last := first
	for {
		step, lc, ln := r.levelNext(sp.last, c)
		if step == 0 {
			break
		}
		sp.last += step
		c = lc
		last = string(lc-0x20) + strconv.Itoa(ln)
	}
	if last != first {
		sp.text = first + "-" + last
	}
	return sp, true
}

// levelNext gives how many items after k complete a span, and the level they name.
func (r *reader) levelNext(k int, c byte) (step int, letter byte, n int) {
	if k+1 >= len(r.items) {
		return 0, 0, 0
	}
	t := r.toks[r.items[k+1].first]
	if t.gap&(gapHyphen|gapSlash) != 0 && t.gap&gapSpace == 0 {
		if lc, ln := r.levelToken(int(r.items[k+1].first)); lc != 0 {
			return 1, lc, ln
		}
		if t.kind == tokNumber {
			if v, err := strconv.Atoi(r.text[t.start:t.end]); err == nil && v >= 1 && v <= vertebrae[c] {
				return 1, c, v
			}
		}
		return 0, 0, 0
	}
	m := r.mark(k + 1)
	word := r.itemText(k + 1)
	if m != ',' && m != '-' && m != '/' && m != '&' && m != '+' && word != "to" && word != "and" {
		return 0, 0, 0
	}
	if k+2 >= len(r.items) || word == "to" && r.toksGap(k)&(gapSlash|gapHyphen) != 0 {
		return 0, 0, 0 // "via L3/4 to T10": an interspace, and where it went
	}
	lc, ln := r.levelToken(int(r.items[k+2].first))
	if lc == 0 {
		return 0, 0, 0
	}
	if m == ',' || word == "and" || m == '&' || m == '+' {
		pc, pn := r.levelToken(int(r.items[k].first))
		if pc != lc || ln != pn+1 && ln != pn-1 { // only a run of neighbours is a span
			return 0, 0, 0
		}
		// "L2 and L3 medial branches" and a span of its own after the comma are not one span
		if r.joined(k + 2) {
			return 0, 0, 0
		}
	}
	return 2, lc, ln
}

// joined says whether item k is joined to the next by a slash or dash.
func (r *reader) joined(k int) bool {
	if k+1 >= len(r.items) {
		return false
	}
	t := r.toks[r.items[k+1].first]
	return t.gap&(gapHyphen|gapSlash) != 0 && t.gap&gapSpace == 0
}
