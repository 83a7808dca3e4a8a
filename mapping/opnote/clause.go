package opnote

import "strings"

// A sentence is cut into clauses, one for each act. Between two acts the nouns are shared out: what the first is done to
// stands behind it if its form takes an object, what the second is done to stands before it.

// event is an act and what it is done to.
type event struct {
	item    int
	act     string
	e       *entry
	args    []int // mentions it is done to
	obliq   []int // mentions after "with", "to", "from"
	passive bool  // a finite passive: "was removed"
	segL    int   // first and last item of its clause
	segR    int
	from    int // first item that may hold its subject
	infin   bool
	neg     bool
	unable  bool
	attempt bool
	scope   string
	why     string
	piece   bool // what is left is a piece of the part
	elided  bool // its object was taken from an earlier clause
	foreign bool // it is done to something that is no part
}

// oneOf says whether the mention stands for some of several named before.
func (m *mention) oneOf() bool {
	return m.pron && (m.ordinal != 0 || m.other || m.count == 1 && !m.plural)
}

// findEvents finds the acts of the sentence and binds the parts to them.
func (r *reader) findEvents() {
	r.events, r.owner = r.events[:0], r.owner[:0]
	for range r.items {
		r.owner = append(r.owner, -1)
	}
	for i, m := range r.ments {
		for k := m.first; k <= m.last; k++ {
			r.owner[k] = int16(i)
		}
	}
	for k := range r.items {
		if e := r.items[k].as(classAct); e != nil && !r.inMention(k) {
			r.events = append(r.events, event{item: k, act: e.value, e: e})
		}
	}
	for i := range r.events {
		r.frame(i)
	}
	for i := range r.events {
		r.bind(i)
	}
}

// frame sets the stretch of act i: from the act before it or a strong boundary to the act after it or a strong boundary.
func (r *reader) frame(i int) {
	ev := &r.events[i]
	prev := -1
	if i > 0 {
		prev = r.events[i-1].item
	}
	l := ev.item
	for l-1 > prev && (r.boundary(l-1) < 2 || r.inMention(l-1)) {
		l--
	}
	q := ev.item
	for q+1 < len(r.items) && (r.boundary(q+1) < 2 || r.inMention(q+1)) && !(i+1 < len(r.events) && r.events[i+1].item == q+1) {
		q++
	}
	ev.segL, ev.segR = l, q
	ev.passive = ev.e.form != formPast && r.finitePassive(ev.item)
	p := ev.item - 1
	for p >= ev.segL && (r.bareAdverb(p) || r.at(p).is(classNeg)) {
		p--
	}
	ev.infin = ev.e.form == formActive && r.at(p).is(classInfin)
}

// agent says whether somebody who acts stands right before the act, or it follows another act of somebody's: "we freed
// and removed".
func (r *reader) agent(i int) bool {
	ev := &r.events[i]
	p := ev.item - 1
	for p >= 0 && (r.bareAdverb(p) || r.at(p).isAny(classNeg, classDone) || r.itemText(p) == "then" || r.itemText(p) == "had" || r.itemText(p) == "have" || r.itemText(p) == "also") {
		p--
	}
	if r.at(p).is(classAgent) && !r.inMention(p) {
		return true
	}
	return i > 0 && r.at(p).is(classSep) && r.events[i-1].e.form != formNoun && p > r.events[i-1].item && !r.events[i-1].passive && r.agent(i-1)
}

// takesObject says whether what the act is done to stands behind it.
func (r *reader) takesObject(i int) bool {
	ev := &r.events[i]
	switch ev.e.form {
	case formNoun:
		return true
	case formActive:
		return !r.intransitive(i)
	case formPast, formParticiple:
		return !ev.passive && (r.agent(i) || !r.subjectBefore(i) && !r.coordinated(i))
	}
	return false
}

// intransitive says whether the subject of a plain present is the part itself: "the lead comes out".
func (r *reader) intransitive(i int) bool {
	ev := &r.events[i]
	w := r.itemText(ev.item)
	return len(w) > 2 && w[len(w)-1] == 's' && !r.agent(i) && r.subjectBefore(i)
}

// subjectBefore says whether a part or another noun stands before the act in its clause, outside a preposition.
func (r *reader) subjectBefore(i int) bool {
	ev := &r.events[i]
	for k := ev.segL; k < ev.item; k++ {
		if r.freeNoun(k) {
			return i == 0 || r.events[i-1].item < ev.segL || !r.takesObject(i-1) || r.sepBefore(k, r.events[i-1].item)
		}
	}
	return false
}

// sepBefore says whether a comma or "and" stands between item a and item k.
func (r *reader) sepBefore(k, a int) bool {
	for p := k - 1; p > a; p-- {
		if r.boundary(p) > 0 {
			return true
		}
	}
	return false
}

// freeNoun says whether a noun phrase that hangs on no preposition begins at item k.
func (r *reader) freeNoun(k int) bool {
	if o := r.owner[k]; o >= 0 {
		m := &r.ments[o]
		return m.first == k && (m.prep == "" || !r.at(k-1).is(classPrep))
	}
	if !r.thing(k) || r.thing(k-1) || r.inMention(k-1) {
		return false
	}
	p := k - 1
	for p >= 0 && (r.at(p).isAny(classDet, classNum, classSide, classOld, classNew, classOtherOne) || r.bareAdverb(p)) {
		p--
	}
	if before, last := cutLast(r.itemText(p)); before != "" && prepositions[last] { // "cut at the skin"
		return false
	}
	return !r.at(p).isAny(classPrep, classOf, classInfin) && !adjuncts[r.itemText(p)]
}

// adjuncts stand before a noun that is not what an act is done to.
var adjuncts = wordSet("during throughout despite per like without upon along across until following")

// prepositions end phrases that a noun hangs on.
var prepositions = wordSet("at to from into in under with of on over through via beneath for by off onto within")

// thing says whether item k is a noun that is no part.
func (r *reader) thing(k int) bool {
	if k < 0 || k >= len(r.items) || r.inMention(k) || r.modelLike(k) || r.toksGap(k)&gapHyphen != 0 || r.monthAt(r.firstTok(k)) != 0 {
		return false
	}
	return r.bare(k) && !r.bareAdverb(k) && !r.hasDigit(k) && !subjectless[r.itemText(k)] && (!verbal(r.itemText(k)) || r.at(k-1).is(classDet)) || r.at(k).isAny(classPlace, classTool, classExternal) && !r.at(k).is(classAct)
}

// verbal says whether an unknown word has the ending of a verb.
func verbal(w string) bool {
	return len(w) > 4 && (strings.HasSuffix(w, "ed") || strings.HasSuffix(w, "ing"))
}

// coordinated says whether "and" or a comma right before the act joins it to the one before, so that they share what
// they are done to.
func (r *reader) coordinated(i int) bool {
	ev := &r.events[i]
	if i == 0 || r.strongBetween(r.events[i-1].item, ev.item) {
		return false
	}
	p := ev.item - 1
	for p > 0 && (r.bareAdverb(p) || r.at(p).isAny(classNeg, classAux, classDone, classWhole, classHist, classToday) || subjectless[r.itemText(p)]) && p > r.events[i-1].item {
		p--
	}
	return p == r.events[i-1].item || r.at(p).is(classSep) || r.mark(p) == ',' || r.mark(p) == '&' || r.mark(p) == '+' || r.mark(p) == '/'
}

// subjectFrom gives the item from which on the nouns before act i are its own and not those of the act before it.
func (r *reader) subjectFrom(i int) int {
	ev := &r.events[i]
	if i == 0 || r.events[i-1].item < ev.segL-1 {
		return ev.segL
	}
	first, last, comma, depth := -1, -1, -1, 0
	for k := ev.segL; k < ev.item; k++ {
		switch r.mark(k) {
		case '(', '[':
			depth++
		case ')', ']':
			depth--
		}
		if r.owner[k] >= 0 && r.relativeAt(k) {
			return k
		}
		if depth > 0 || r.boundary(k) == 0 || !r.nounIn(k+1, ev.item) {
			continue
		}
		if first < 0 {
			first = k
		}
		last = k
		if r.mark(k) == ',' {
			comma = k
		}
	}
	object := r.takesObject(i - 1)
	switch {
	case first < 0 && !object:
		for k := ev.segL; k < ev.item; k++ {
			if r.freeNoun(k) && (ev.passive || ev.e.form == formState) {
				return k // two clauses with nothing between them
			}
		}
		return ev.item
	case first < 0:
		return ev.item
	case !object || !r.nounIn(r.events[i-1].item+1, first):
		return first + 1
	case !ev.passive && ev.e.form != formState && r.takesObject(i):
		return ev.item
	case comma >= 0 && r.nounIn(r.events[i-1].item+1, comma):
		return comma + 1
	case r.nounIn(r.events[i-1].item+1, last):
		return last + 1
	}
	return ev.item
}

// nounIn says whether a noun phrase outside prepositions begins in [a,b).
func (r *reader) nounIn(a, b int) bool {
	for k := a; k < b; k++ {
		if r.freeNoun(k) {
			return true
		}
	}
	return false
}

// hasAux says whether an auxiliary stands in [a,b).
func (r *reader) hasAux(a, b int) bool {
	for p := a; p < b; p++ {
		if r.at(p).is(classAux) {
			return true
		}
	}
	return false
}

// subjectless are words that stand before an act without being its subject.
var subjectless = wordSet("since later subsequently afterwards afterward soon then also so again just all yes back fine ok easily carefully once subsequently both still further therefore thus did now even eventually finally simply")

// boundary says how strongly item k parts two clauses: 0 not, 1 comma or "and", 2 semicolon, dash, "but".
func (r *reader) boundary(k int) int {
	switch r.mark(k) {
	case ',', '(', ')', '+', '&', '/', '[', ']', '|':
		return 1
	case '.':
		if k > 0 && r.inSet(int(r.items[k-1].last), noStop) {
			return 0 // an abbreviation
		}
		return 2
	case '>':
		if r.mark(k-1) == '-' && r.toksGap(k) == 0 {
			return 0 // an arrow
		}
		return 2
	case ';', '!', '?', '=':
		return 2
	case '-':
		if r.mark(k+1) == '>' && r.toksGap(k+1) == 0 {
			return 0
		}
		if r.attributeAt(k+1) && r.toksGap(k+1) != 0 && k > 0 && r.mark(k-1) == 0 {
			return 0
		}
		return 2
	}
	it := r.at(k)
	if it.is(classTerm) && !it.is(classPron) {
		if r.itemText(k) == "that" && r.at(k-1).is(classPrep) {
			return 0 // "at that point"
		}
		return 2
	}
	if it.is(classSep) {
		return 1
	}
	return 0
}

// attributeAt says whether item k is a level, a place or a side: what may follow a part after a dash.
func (r *reader) attributeAt(k int) bool {
	if k >= len(r.items) {
		return false
	}
	if c, _ := r.levelToken(int(r.items[k].first)); c != 0 {
		return true
	}
	it := r.at(k)
	return it.isAny(classRegion, classSide, classSidel) && !it.is(classAct)
}

// inMention says whether item k lies inside a noun phrase.
func (r *reader) inMention(k int) bool { return k >= 0 && k < len(r.owner) && r.owner[k] >= 0 }

// finitePassive says whether an auxiliary stands before the act at k, with only adverbs and negations between.
func (r *reader) finitePassive(k int) bool {
	for p := k - 1; p >= 0 && p >= k-6; p-- {
		it := r.at(p)
		switch {
		case it.is(classAux):
			return true
		case r.bareAdverb(p) || it.isAny(classNeg, classUnable, classHist, classToday, classDone, classPartly, classWhole, classPseudoneg, classProb, classMaybe) || r.itemText(p) == "also" || r.itemText(p) == "both":
		case it.is(classAct) && p > 0 && r.at(p-1).is(classAux), it.is(classSep) && r.at(p-1).is(classAct):
			// "was disconnected and removed": the second act leans on the first
			if it.is(classAct) {
				return true
			}
		default:
			return false
		}
	}
	return false
}

// mentionsIn lists the mentions whose noun lies in [a,b].
func (r *reader) mentionsIn(a, b int) []int {
	var out []int
	for i := range r.ments {
		if r.ments[i].head >= a && r.ments[i].head <= b {
			out = append(out, i)
		}
	}
	return out
}

// strongBetween says whether a strong boundary lies between items a and b.
func (r *reader) strongBetween(a, b int) bool {
	for p := a + 1; p < b; p++ {
		if r.boundary(p) == 2 && !r.at(p).is(classTerm) {
			return true
		}
	}
	return false
}

// withoutExcepted takes out the parts that an exception names: "everything but the generator was removed".
func (r *reader) withoutExcepted(ev *event) []int {
	out := ev.args[:0:0]
	for _, a := range ev.args {
		m := &r.ments[a]
		if m.head > ev.item || m.pron || !exceptWords[r.itemText(m.first-1)] || r.itemText(m.first-1) == "without" {
			out = append(out, a)
			continue
		}
		m.kept = true
	}
	return out
}

// gapOnly says whether the items [a,b) are only list words and marks.
func (r *reader) gapOnly(a, b int) bool {
	for p := a; p < b; p++ {
		if r.mark(p) == 0 && !r.at(p).isAny(classSep, classDet, classNum, classAux) {
			return false
		}
	}
	return true
}

// split parts the mentions after an act into its objects and those behind a preposition.
func (r *reader) split(ms []int) (args, obliq []int) {
	for _, m := range ms {
		if r.itemText(r.ments[m].first-1) == "whose" {
			continue // the subject of the clause that follows
		}
		if p := r.ments[m].prep; p != "" {
			obliq = append(obliq, m)
		} else {
			args = append(args, m)
		}
	}
	return args, obliq
}
