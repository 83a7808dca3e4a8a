package opnote

import (
	"strings"

	"gaussline/mapping/codes"
)

// sentence is a run of tokens that is read together: [first,end). row says it is a line of a table or a list.
type sentence struct {
	first, end int
	sec        *section
	row        bool
}

// noStop are words after which a full stop does not end a sentence.
var noStop = wordSet("dr mr mrs ms prof approx vs no nr fig st pt ca cf al dept incl excl ser cat resp max min ref exp st jr rev ext tel vol op hx dx sn")

// softEnd are words that leave a line unfinished: a line break after them is only a wrapped line.
var softEnd = wordSet("the a an of and or to in on at with by from for was were is are been be as into via over under through its his her their this that which not no but both two three left right")

// wordSet makes a set of lower-case words.
func wordSet(s string) map[string]bool { return codes.WordSet(s) }

// inSet says whether the token's lower-case text is in set, without allocating.
func (r *reader) inSet(i int, set map[string]bool) bool {
	t := r.toks[i]
	n := int(t.end - t.start)
	if n > 12 {
		return false
	}
	var buf [12]byte
	for k := 0; k < n; k++ {
		c := r.text[int(t.start)+k]
		if 'A' <= c && c <= 'Z' {
			c += 'a' - 'A'
		}
		buf[k] = c
	}
	return set[string(buf[:n])]
}

// next gives the sentence that begins at token i.
func (r *reader) nextSentence(i int) sentence {
	sec := r.sectionAt(i)
	s := sentence{first: i, sec: sec}
	limit := min(len(r.toks), i+maxSentence)
	if r.secAt+1 < len(r.secs) {
		limit = min(limit, r.secs[r.secAt+1].first)
	}
	if i < sec.body {
		s.end = min(sec.body, limit)
		s.sec = sec
		if s.end > i {
			return s
		}
	}
	j := i + 1
	for ; j < limit; j++ {
		if r.breaksBefore(i, j) || sec.kind == secTitle && i == sec.body && r.toks[j].gap&gapLine != 0 && r.meantBreak(j) && !r.unfinished(j-1) {
			break
		}
	}
	s.end = j
	for k := i; k < j && !s.row; k++ {
		t := r.toks[k]
		s.row = t.mark == '|' || k > i && t.gap&gapTab != 0
	}
	return s
}

// maxSentence is the longest run of tokens read as one sentence; real ones are below 120.
const maxSentence = 400

// breaksBefore says whether a sentence that began at first ends before token j.
func (r *reader) breaksBefore(first, j int) bool {
	p, t := r.toks[j-1], r.toks[j]
	if t.gap&gapLine != 0 && j-first <= 8 && r.tokText(first) == "dear" {
		return true // whom a letter is to says nothing of the patient
	}
	if t.gap&gapBlank != 0 {
		return !r.unfinished(j - 1)
	}
	if t.gap&gapLine != 0 && (r.listMark(j) || r.tabular(first, j) || r.meantBreak(j) && r.label(j)) {
		return true
	}
	if t.gap&gapLine != 0 && !r.unfinished(j-1) && !r.leadsOn(j-1) && r.topicLine(j) {
		return true
	}
	if t.gap&gapLine != 0 && !r.unfinished(j-1) && r.datedLine(j) && (r.timeline || r.meantBreak(j)) {
		return true
	}
	if p.kind == tokPunct && t.gap != 0 {
		switch p.mark {
		case '!', '?':
			return j-2 >= first && !(p.mark == '?' && (p.gap&gapSpace != 0 || t.gap&(gapLine|gapTab) == 0 && answers[r.tokText(j)]))
		case '.':
			return r.fullStop(first, j-1)
		}
	}
	if t.gap&gapLine != 0 && p.kind == tokPunct && (p.mark == ':' || p.mark == ';') && r.meantBreak(j) {
		return true
	}
	if t.gap&gapLine != 0 && !r.unfinished(j-1) && r.meantBreak(j) && r.freshLine(j) {
		return true
	}
	return false
}

// answers to a question of a form stand behind its mark: "Pacemaker? No."
var answers = wordSet("no none nil never yes y n")

// leadsOn says whether the word at token i belongs to a noun that is to come: "existing", "new", "right".
func (r *reader) leadsOn(i int) bool {
	h := r.hitAt[i]
	return h >= 0 && r.hits[h].e.mask&(1<<classOld|1<<classNew|1<<classNum|1<<classOtherOne|1<<classNegdet) != 0 && r.hits[h].e.mask&(1<<classPart|1<<classWhole|1<<classReason) == 0
}

// topicLine says whether the line at token j opens with a part and a dash or colon: "R lead - removed".
func (r *reader) topicLine(j int) bool {
	part := false
	for k := j; k < len(r.toks) && k < j+6; k++ {
		t := &r.toks[k]
		if k > j && t.gap&gapLine != 0 {
			return false
		}
		if t.kind == tokPunct {
			return part && (t.mark == '-' && t.gap != 0 || t.mark == ':') && k+1 < len(r.toks) && r.toks[k+1].gap&gapSpace != 0
		}
		if h := r.hitAt[k]; h >= 0 {
			m := r.hits[h].e.mask
			part = part || m&(1<<classPart) != 0
			if m&(1<<classAux|1<<classAgent|1<<classPrep) != 0 && m&(1<<classPart) == 0 {
				return false
			}
		}
	}
	return false
}

// datedLine says whether the line at token j opens with a date, as an entry of a timeline does.
func (r *reader) datedLine(j int) bool {
	t := r.toks[j]
	if t.kind == tokPunct || t.kind == tokWord && r.monthAt(j) == 0 && (r.text[t.start] < '0' || r.text[t.start] > '9') {
		return false
	}
	d, ok := r.dateAt(j, min(len(r.toks), j+6))
	return ok && (d.year != 0 || d.at != "") && d.last+1 < len(r.toks) && r.toks[d.last+1].gap&gapLine == 0
}

// minTimeline is how many lines must begin with a date for each to be an entry of its own.
const minTimeline = 3

// datedLines counts the lines that begin with a date.
func (r *reader) datedLines() int {
	n := 0
	for i := range r.toks {
		if (i == 0 || r.toks[i].gap&gapLine != 0) && r.datedLine(i) {
			n++
		}
	}
	return n
}

// meantBreak says whether the line before token j ends early: its first word would have fitted on it. Otherwise the
// break may only be a wrapped line.
func (r *reader) meantBreak(j int) bool {
	n := wrapSlack
	for i := j - 1; i >= 0 && j-i < maxSentence; i-- {
		n += r.room(i)
		if r.toks[i].gap&gapLine != 0 {
			break
		}
	}
	end := j // the whole word up to the next blank: "MV-300,"
	for end+1 < len(r.toks) && r.toks[end+1].start == r.toks[end].end || end+1 < len(r.toks) && r.toks[end+1].gap&(gapSpace|gapLine|gapBlank|gapTab) == 0 {
		end++
	}
	return n+1+int(r.toks[end].end-r.toks[j].start) < r.width
}

// wrapSlack is how much shorter than the longest a line may be and still be a wrapped one.
const wrapSlack = 3

// room is what token i takes up on its line, with one blank where there are any.
func (r *reader) room(i int) int {
	n := int(r.toks[i].end - r.toks[i].start)
	if r.toks[i].gap != 0 {
		n++
	}
	return n
}

// lineWidth gives the length of the longest line, with one blank between words.
func (r *reader) lineWidth() int {
	width, n := 0, 0
	for i := range r.toks {
		if r.toks[i].gap&gapLine != 0 {
			n = 0
		}
		n += r.room(i)
		width = max(width, n)
	}
	return width
}

// unfinished says whether token i leaves its line open.
func (r *reader) unfinished(i int) bool {
	t := r.toks[i]
	if t.kind == tokPunct {
		return t.mark == ','
	}
	return t.kind == tokWord && r.inSet(i, softEnd)
}

// fullStop says whether the mark at token i ends a sentence that began at first.
func (r *reader) fullStop(first, i int) bool {
	if i == first {
		return true
	}
	w := r.toks[i-1]
	if r.toks[i].gap != 0 || w.kind == tokPunct {
		return true
	}
	if w.kind == tokWord && w.end-w.start >= 3 && w.end-w.start <= 9 && strings.IndexByte(r.text[w.start:w.end], '.') > 0 {
		return false // "i.e.", "a.m."
	}
	if w.kind == tokNumber && i-1 == first {
		return false // the number of a list item
	}
	if w.kind == tokWord {
		if w.end-w.start == 1 && w.gap&(gapHyphen|gapSlash) == 0 && i+1 < len(r.toks) && r.toks[i+1].kind == tokWord {
			// an initial, unless the letter closes a clause: "MR B. was seen"
			c := r.text[w.start]
			return c == 'l' || c == 'r' || c == 'L' || c == 'R'
		}
		if r.inSet(i-1, noStop) {
			return !(r.inSet(i-1, numberAbbrev) && i+1 < len(r.toks) && r.toks[i+1].kind == tokNumber) && r.inSet(i-1, numberAbbrev)
		}
	}
	return true
}

// numberAbbrev end a sentence unless a number follows: "no. 5", but "Complications: no."
var numberAbbrev = wordSet("no nr fig ref exp sn op hx dx max min st incl ext rev")

// listMark says whether token j opens a list item.
func (r *reader) listMark(j int) bool {
	t := r.toks[j]
	switch {
	case t.kind == tokPunct && (t.mark == '*' || t.mark == '[' || t.mark == '#' || t.mark == '-' && r.meantBreak(j)):
		return true
	case (t.kind == tokNumber || t.kind == tokWord && t.end-t.start == 1) && j+1 < len(r.toks):
		n := r.toks[j+1]
		return n.kind == tokPunct && n.gap == 0 && (n.mark == '.' || n.mark == ')') && j+2 < len(r.toks) && r.toks[j+2].gap&gapLine == 0 && r.toks[j+2].gap != 0 && (r.meantBreak(j) || r.afterItem(j))
	}
	return false
}

// afterItem says whether the number at j opens a line and follows a line that ended a sentence: the next item of a
// numbered list of long lines.
func (r *reader) afterItem(j int) bool {
	return r.toks[j].kind == tokNumber && r.smallInt(j, 20) > 0 && r.toks[j].gap&gapLine != 0 && r.toks[j-1].kind == tokPunct && (r.toks[j-1].mark == '.' || r.toks[j-1].mark == ';')
}

// tabular says whether the line that begins at j, or the one before it, has cells.
func (r *reader) tabular(first, j int) bool {
	for k := j - 1; k > first; k-- {
		if r.toks[k].mark == '|' || r.toks[k].gap&gapTab != 0 && r.toks[k].gap&gapLine == 0 {
			return true
		}
		if r.toks[k].gap&gapLine != 0 {
			break
		}
	}
	for k := j; k < len(r.toks) && k < j+maxCells; k++ {
		if k > j && r.toks[k].gap&gapLine != 0 {
			break
		}
		if r.toks[k].mark == '|' || k > j && r.toks[k].gap&gapTab != 0 {
			return true
		}
	}
	return false
}

// maxCells bounds how far a line is searched for cells.
const maxCells = 40

// label says whether the line at j opens with up to four words and a colon.
func (r *reader) label(j int) bool {
	known := false
	for k := j; k < len(r.toks) && k < j+6; k++ {
		t := r.toks[k]
		if k > j && t.gap&gapLine != 0 {
			return false
		}
		if h := r.hitAt[k]; h >= 0 {
			hit := r.hits[h]
			known = known || hit.has(classHeading) != nil || hit.e.mask&(telling|1<<classSide|1<<classSidel) != 0
		}
		if t.kind == tokPunct {
			return t.mark == ':' && k > j && t.gap == 0 && known
		}
	}
	return false
}

// freshLine says whether the line at j looks like one that stands for itself: it opens with a part, a count and a
// part, or an act, and the line before it is not a wrapped one. Wrapped prose seldom opens a line so; where it
// does, the parts on it are read all the same.
func (r *reader) freshLine(j int) bool {
	for k := j; k < len(r.toks) && k < j+3; k++ {
		h := r.hitAt[k]
		if h < 0 {
			if r.toks[k].kind == tokNumber {
				continue
			}
			return false
		}
		hit := r.hits[h]
		if int(hit.first) != k {
			continue
		}
		if hit.has(classPart) != nil {
			return true
		}
		if hit.has(classNum) == nil && hit.has(classSide) == nil && hit.has(classSidel) == nil && hit.has(classOld) == nil && hit.has(classNew) == nil {
			return false
		}
	}
	return false
}
