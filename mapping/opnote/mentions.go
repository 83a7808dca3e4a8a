package opnote

import (
	"strconv"
	"strings"

	"gaussline/mapping/implant"
)

// mention is a part, or a set of like parts, as one noun phrase names it.
type mention struct {
	first, last int // items of the phrase
	head        int // item of its noun, or of the pronoun
	tok0, tok1  int32
	kind        implant.Kind
	words       string
	system      bool // the words name a whole system
	vague       bool // the words name no kind: "device"
	piece       bool // a remnant
	aspect      bool // a tip or end of the part, not the part
	partly      bool // "the distal portion of ..."
	pron        bool // a pronoun or an ellipsis: "it", "the right one"
	plural      bool
	neg         bool // "no lead", "neither lead"
	old, new    bool
	indef       bool // "a", a number, or no article
	other       bool // "the other", "the remaining"
	definite    bool
	ordinal     int
	count       int
	side        implant.Side
	level       string
	entry, tip  string
	nerve       string
	pocket      string
	prep        string // the preposition before it: with, from, to
	attr        *entry // a participle before the noun: "the capped lead"
	id          identity
	kept        bool // an exception to what was taken out
	bound       bool // some act is done to it
	scope       string
	cert        implant.Certainty
	sent        int // number of its sentence
	from        int // number of the sentence of what it stands for
}

// findMentions finds the noun phrases of the sentence.
func (r *reader) findMentions() {
	r.ments = r.ments[:0]
	for k := 0; k < len(r.items); k++ {
		it := &r.items[k]
		if e := it.as(classPart); e != nil {
			k = r.partPhrase(k, e)
			continue
		}
		if m, ok := r.ellipsis(k); ok {
			r.ments = append(r.ments, m)
		}
	}
}

// partPhrase adds the phrase whose noun is at item k and gives its last item.
func (r *reader) partPhrase(k int, e *entry) int {
	head := k
	for head+1 < len(r.items) && r.adjacent(head, head+1) && r.toks[r.items[head+1].first].gap&gapHyphen == 0 {
		n := r.at(head + 1)
		if n.is(classExternal) {
			return head + 1
		}
		ne := n.as(classPart)
		if ne == nil {
			break
		}
		head, e = head+1, ne
	}
	m := mention{first: k, last: head, head: head, sent: r.sentNo}
	next := r.at(head + 1)
	if r.adjacent(head, head+1) || head+1 < len(r.items) && r.toks[r.items[head+1].first].gap&gapHyphen != 0 {
		switch {
		case next.is(classAspect):
			m.aspect = true
			m.last = head + 1
		case next.is(classPlace) && !next.is(classAct) && !next.is(classIdent):
			r.placeOf(head+1, e)
			if !r.keepsMention(head + 1) {
				return head + 1
			}
		}
	}
	if w := r.itemText(head); (w == "catheter" || w == "catheters") && head == k && !r.pumpNote() && !r.levelHere() {
		return head // of the bladder or a vein
	}
	if w := r.itemText(head); (w == "wire" || w == "wires") && head == k && r.guided(k) {
		return head // "guidewire in, dilators up, wire out"
	}
	m.kind, m.system, m.piece, m.vague = partValue(e)
	if m.kind == implant.Hardware && (r.itemText(head) == "hardware" || r.itemText(head) == "instrumentation") && r.stimulatorOnly() {
		m.kind, m.system = implant.Generator, true // the hardware of a stimulator
	}
	if w := r.itemText(head); m.kind == implant.Hardware && (w == "screws" || w == "screw") && r.setScrew() {
		return head
	}
	m.plural = r.pluralAt(head)
	r.leftOf(&m)
	if m.count > 3 && m.kind == implant.Lead && strings.HasPrefix(r.itemText(head), "electrode") {
		return m.last // eight electrodes are contacts of a lead
	}
	if pocketed(&m) {
		m.pocket = pocketIn(r.itemText(k))
	}
	m.tok0, m.tok1 = r.items[m.first].first, r.items[m.last].last
	m.words = r.text[r.toks[r.items[m.first].first].start:r.toks[r.items[head].last].end]
	r.countAfter(&m)
	r.ments = append(r.ments, m)
	return m.last
}

// setScrew says whether the sentence is about plugging in a generator: its screws are those of the header.
func (r *reader) setScrew() bool {
	if !r.account {
		return false
	}
	for k := range r.items {
		switch r.itemText(k) {
		case "rod", "rods", "cage", "cages", "pedicle", "plate", "plates", "fusion", "pedicle screws":
			return false
		}
	}
	for k := range r.items {
		if e := r.at(k).as(classPart); e != nil && (e.value == string(implant.Generator) || e.value == string(implant.Adaptor)) {
			return true
		}
		switch r.itemText(k) {
		case "header", "port", "ports", "torque", "click", "clicks", "clicked", "tightened", "wrench":
			return true
		}
	}
	return false
}

// stimulatorOnly says whether the sentences before spoke of a stimulator and of no screws or joints.
func (r *reader) stimulatorOnly() bool {
	own := false
	for i := range r.past {
		switch r.past[i].kind {
		case implant.Hardware:
			return false
		case implant.Generator, implant.Lead:
			own = true
		}
	}
	return own
}

// guided says whether the sentence speaks of a guide wire, so that its "wire" is that one.
func (r *reader) guided(head int) bool {
	for k := 0; k < head; k++ {
		if w := r.itemText(k); r.at(k).is(classTool) && strings.HasPrefix(w, "guide") {
			return true
		}
	}
	return false
}

// levelHere says whether the sentence names a level of the spine.
func (r *reader) levelHere() bool {
	for k := range r.items {
		if c, _ := r.levelToken(int(r.items[k].first)); c != 0 {
			return true
		}
	}
	return false
}

// pumpNote says whether the note speaks of an intrathecal pump or catheter anywhere, so that "the catheter" is one.
func (r *reader) pumpNote() bool {
	if r.pumpSeen == 0 {
		r.pumpSeen = -1
		says := func(h hit, text string) {
			e := h.has(classPart)
			if e == nil {
				return
			}
			kind, _, _, _ := partValue(e)
			if kind == implant.Pump || kind == implant.Catheter && strings.Contains(text, " ") {
				r.pumpSeen = 1
			}
		}
		for _, h := range r.hits {
			says(h, r.text[r.toks[h.first].start:r.toks[h.last].end])
		}
		title := tokenise(r.note.Title, r.lex)
		for _, h := range r.lex.match(title) {
			says(h, r.note.Title[title[h.first].start:title[h.last].end])
		}
		for _, w := range []string{"thecal", "baclofen", "intraspinal", "subarachnoid", "epidural"} {
			if strings.Contains(r.low[:min(len(r.low), 4000)], w) {
				r.pumpSeen = 1
			}
		}
	}
	return r.pumpSeen > 0
}

// pocketIn gives the pocket that a part's own name says: "flank generator".
func pocketIn(words string) string {
	switch first, _, _ := strings.Cut(words, " "); first {
	case "flank":
		return "flank"
	case "gluteal", "buttock":
		return "buttock"
	case "abdominal":
		return "abdomen"
	}
	return ""
}

// partValue reads the value of a part's entry: its kind, and whether it is a system, a piece, or no kind at all.
func partValue(e *entry) (kind implant.Kind, system, piece, vague bool) {
	k, flags, _ := strings.Cut(e.value, ":")
	return implant.Kind(k), strings.Contains(flags, "system"), strings.Contains(flags, "piece"), strings.Contains(flags, "vague")
}

// placeOf remembers that a pocket or site of a part is spoken of.
func (r *reader) placeOf(k int, e *entry) {
	if kind, _, _ := strings.Cut(e.value, ":"); strings.HasPrefix(r.itemText(k), "pocket") || r.itemText(k) == "site" {
		r.pocketOf = implant.Kind(kind)
	}
}

// keepsMention says whether a noun after a part leaves the part mentioned all the same: "lead position",
// "IPG interrogation", "generator settings", and "impedances" all speak of a part that is there. A pocket, site
// or wound may be empty.
func (r *reader) keepsMention(k int) bool {
	switch r.itemText(k) {
	case "position", "positions", "interrogation", "settings", "status", "voltage", "longevity", "tines", "fracture", "migration",
		"model", "number", "serial", "malfunction", "displacement", "configuration", "life", "header", "headers", "port", "ports", "tails", "coverage", "id":
		return true
	}
	return false
}

// pluralAt says whether the noun at item k is plural by its ending.
func (r *reader) pluralAt(k int) bool {
	w := r.itemText(k)
	return strings.HasSuffix(w, "s") && !strings.HasSuffix(w, "ss") && w != "ins" && w != "scs" && w != "dcs" && w != "dbs" && w != "vns" && w != "sns" && w != "drgs"
}

// maxLeft bounds how far left of a noun its phrase is followed.
const maxLeft = 9

// leftOf follows the phrase leftwards from its noun: article, number, side, age, level, maker, model.
func (r *reader) leftOf(m *mention) {
	unknown := 0
	for k := m.first - 1; k >= 0 && m.first-k <= maxLeft; k-- {
		it := r.at(k)
		if r.toks[r.items[k+1].first].gap&(gapBlank) != 0 || r.toks[r.items[k+1].first].gap&gapTab != 0 {
			return
		}
		switch {
		case it.is(classNegdet) && (!it.is(classNeg) || r.itemText(k) == "no") && !it.is(classHave):
			m.neg = true
			m.first = k
			m.other = m.other || strings.Contains(r.itemText(k), "other") || strings.Contains(r.itemText(k), "further")
			return
		case it.is(classNum):
			n, _ := strconv.Atoi(it.as(classNum).value)
			if !r.specNumber(k) {
				m.setCount(n)
			}
		case r.itemKind(k) == tokNumber && it.e == nil:
			if !r.leftNumber(m, k) {
				return
			}
		case it.is(classSide):
			m.side = implant.Side(it.as(classSide).value)
		case it.is(classSidel) && r.itemKind(k) == tokWord && r.toks[it.first].gap&gapHyphen == 0:
			m.side = implant.Side(it.as(classSidel).value)
		case it.is(classOtherOne):
			r.setOrdinal(m, k)
		case it.is(classOld) || it.is(classHist) && !it.is(classHave) && (r.itemText(k) == "previously" || r.itemText(k) == "existing"):
			m.old = true
		case it.is(classNew):
			m.new = true
		case it.is(classAct) && it.as(classAct).form == formParticiple && r.attributive(k):
			m.attr = it.as(classAct)
		case it.is(classPartly):
			m.partly = true
		case it.is(classOf):
			if !r.at(k-1).isAny(classPartly, classNum, classNegdet, classPron, classOtherOne, classAspect) {
				return
			}
			if r.at(k-1).is(classNum) && r.at(k-1).as(classNum).value == "1" || r.at(k-1).is(classOtherOne) {
				m.count, m.plural = 0, false // "one of the two leads"
			}
		case it.is(classNerve) || it.is(classNerveword) || it.is(classLevelword) || it.is(classDose) || it.is(classRegion) || it.is(classAspect) || it.is(classMakerword):
		case it.is(classDet):
			m.definite = r.itemText(k) != "a" && r.itemText(k) != "an"
			m.indef = !m.definite
			m.first = k
			if p := r.at(k - 1); !(p.isAny(classNum, classOf, classPron) && !p.is(classAct)) || r.at(k-1).is(classPart) {
				return
			}
			continue
		case it.e == nil && r.itemKind(k) == tokWord && !r.unknownStop(k):
			if unknown++; unknown > 4 {
				return
			}
		case it.is(classExternal):
			return
		case r.mark(k) == '-' || r.mark(k) == '"' || r.mark(k) == '\'':
		default:
			return
		}
		m.first = k
	}
}

// unknownStop says whether an unknown word at k cannot be part of a noun phrase.
func (r *reader) unknownStop(k int) bool {
	switch r.itemText(k) {
	case "whose", "post", "months", "weeks", "years", "days", "since", "ago", "as", "when", "until", "after", "before", "during", "because", "only", "too", "there", "here", "per", "than":
		return true
	}
	return r.bareAdverb(k) && r.itemText(k) != "newly"
}

// setCount keeps the first count read.
func (m *mention) setCount(n int) {
	if m.count == 0 {
		m.count = n
	}
}

// leftNumber handles a number inside a phrase: a count, a length, or the size of an array ("8-contact").
func (r *reader) leftNumber(m *mention, k int) bool {
	if r.specNumber(k) || m.model(r, k) {
		return true
	}
	switch r.itemText(k - 1) {
	case "day", "bed", "stage", "program", "port", "grade", "type", "group", "level", "page", "step", "week", "month", "room", "phase", "asa":
		return false // "post op day 1 SCS"
	}
	if n := r.smallInt(int(r.items[k].first), 16); n > 1 && (k == 0 || r.mark(k-1) != 0) && !r.pluralAt(m.head) && k+1 < len(r.items) && !r.at(k+1).is(classPart) {
		return false // the number of a list item: "2 L lead - out"
	}
	if r.smallInt(int(r.items[k].first), 16) > 0 && r.toks[r.items[k].first].gap&(gapHyphen|gapSlash) == 0 {
		m.setCount(r.smallInt(int(r.items[k].first), 16))
		return true
	}
	return r.yearAt(int(r.items[k].first)) != 0
}

// model says whether the number at k belongs to a model number left of it.
func (m *mention) model(r *reader, k int) bool { return k > 0 && r.modelLike(k-1) }

// specNumber says whether the number at k counts contacts, columns or centimetres and not parts.
func (r *reader) specNumber(k int) bool {
	if k+1 >= len(r.items) {
		return false
	}
	n := r.at(k + 1)
	if n.is(classDose) {
		return true
	}
	switch w := r.itemText(k + 1); {
	case strings.HasPrefix(w, "contact"), strings.HasPrefix(w, "column"), strings.HasPrefix(w, "pole"), strings.HasPrefix(w, "electrode") && r.toks[r.items[k+1].first].gap&gapHyphen != 0,
		w == "port", w == "channel", w == "cc", w == "ml", w == "year", w == "years", w == "month", w == "months", w == "day", w == "days", w == "week", w == "weeks", w == "hours", w == "mins", w == "minutes", w == "french", w == "gauge", w == "polar", w == "t", w == "tesla":
		return true
	}
	return r.toks[r.items[k+1].first].gap&gapHyphen != 0 && r.toks[r.items[k+1].first].gap&gapSpace == 0
}

// setOrdinal reads "first", "second", "other", "remaining".
func (r *reader) setOrdinal(m *mention, k int) {
	switch r.itemText(k) {
	case "first":
		m.ordinal = 1
	case "second":
		m.ordinal = 2
	case "third":
		m.ordinal = 3
	case "fourth":
		m.ordinal = 4
	case "other", "remaining", "others", "rest":
		m.other = true
	case "one":
		m.setCount(1)
	}
}

// attributive says whether the participle at k stands before its noun as an adjective and is not the act itself.
func (r *reader) attributive(k int) bool {
	p := k - 1
	for p >= 0 && (r.bareAdverb(p) || r.at(p).isAny(classHist, classNew, classOld)) {
		p--
	}
	it := r.at(p)
	return it.isAny(classDet, classNum, classOf, classSide, classNegdet) || it.is(classPrep) && !it.is(classSep) || p < k-1 && p >= 0
}

// countAfter reads a count that follows the noun: "leads x2", "leads (two)", "leads × 2", and "2x" or "2 x" before.
func (r *reader) countAfter(m *mention) {
	if m.count != 0 {
		return
	}
	k := m.last + 1
	if r.mark(k) == '(' || r.mark(k) == ':' {
		k++
	}
	if w := r.itemText(k); len(w) == 2 && (w[0] == 'x') && w[1] >= '1' && w[1] <= '9' {
		m.count = int(w[1] - '0')
		return
	}
	if (r.mark(k) == 'x' || r.itemText(k) == "x") && r.smallInt(r.firstTok(k+1), 12) > 0 {
		m.count = r.smallInt(r.firstTok(k+1), 12)
		return
	}
	if n := r.smallInt(r.firstTok(k), 12); k > m.last+1 && r.mark(k-1) == ':' && m.plural && n > 1 && (r.mark(k+1) == 'x' || r.itemText(k+1) == "x") {
		m.count = n // "Leads: 2 x MV-L60"
		return
	}
	if m.plural && r.smallInt(r.firstTok(m.last+1), 4) == 1 && (r.mark(m.last+2) == '+' || r.mark(m.last+2) == '&' || r.itemText(m.last+2) == "and") && r.smallInt(r.firstTok(m.last+3), 4) == 2 {
		m.count = 2 // "leads 1 and 2"
		return
	}
	if r.mark(m.last+1) == '(' && r.mark(m.last+3) == ')' {
		if e := r.at(m.last + 2).as(classNum); e != nil {
			m.count, _ = strconv.Atoi(e.value)
		} else if n := r.smallInt(r.firstTok(m.last+2), 12); n > 0 {
			m.count = n
		}
		return
	}
	for k := m.first; k < m.head; k++ {
		if w := r.itemText(k); len(w) == 2 && w[1] == 'x' && w[0] >= '1' && w[0] <= '9' {
			m.count = int(w[0] - '0')
		}
	}
}

// firstTok gives the first token of item k, -1 outside the sentence.
func (r *reader) firstTok(k int) int {
	if k < 0 || k >= len(r.items) {
		return -1
	}
	return int(r.items[k].first)
}
