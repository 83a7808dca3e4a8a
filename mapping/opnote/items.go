package opnote

import "strings"

// item is a lexicon phrase or a token that belongs to none, the unit that the rules look at. mask holds the classes
// it can be read as, one bit each; what its neighbours rule out is cleared.
type item struct {
	first, last int32
	e           *entry
	mask        uint64
	sense       string // of a verb of motion, before its direction settled it
	celled      bool   // read as an identifier by the name of its column
	till        int32  // of a verb parted from its particle: the item of the particle
	text        string // its words in lower case, once asked for
}

// as gives the item's reading as class c, nil if it has none.
func (it *item) as(c class) *entry {
	if it.mask&(1<<c) == 0 {
		return nil
	}
	for e := it.e; e != nil; e = e.alt {
		if e.class == c {
			return e
		}
	}
	return nil
}

func (it *item) is(c class) bool { return it.mask&(1<<c) != 0 }

// isAny says whether the item can be read as any of cs.
func (it *item) isAny(cs ...class) bool {
	for _, c := range cs {
		if it.mask&(1<<c) != 0 {
			return true
		}
	}
	return false
}

// only keeps one reading.
func (it *item) only(c class) { it.mask &= 1 << c }

// drop takes away one reading.
func (it *item) drop(c class) { it.mask &^= 1 << c }

// makeItems fills r.items for one sentence and settles the readings that depend on neighbours.
func (r *reader) makeItems(s sentence) {
	r.items, r.troubles = r.items[:0], r.troubles[:0]
	for i := s.first; i < s.end; {
		it := item{first: int32(i), last: int32(i)}
		if h := r.hitAt[i]; h >= 0 && int(r.hits[h].first) == i && int(r.hits[h].last) < s.end {
			if r.split2(h, s) {
				i = int(r.hits[h].last) + 1
				continue
			}
			it.last, it.e = r.hits[h].last, r.hits[h].e
			if it.last > it.first && r.modalCan(int(it.last), s.end) { // "the stimulator can be", not the stimulator's can
				end, e := r.lex.longest(r.toks, i, int(it.last)-1, int(it.last-it.first)+1)
				it.last, it.e = int32(end), e
				r.items = append(r.items, it)
				i = int(it.last) + 1
				it = item{first: int32(i), last: int32(i)}
				if end, e := r.lex.longest(r.toks, i, s.end-1, maxPhraseTokens); e != nil {
					it.last, it.e = int32(end), e
				}
			}
		} else if e := r.nearMiss(i); e != nil {
			it.e = e
		}
		r.items = append(r.items, it)
		i = int(it.last) + 1
	}
	r.joinParticles()
	r.classes, r.numbers, r.boxes = 0, false, false
	for k := range r.items {
		switch t := r.toks[r.items[k].first]; {
		case t.kind == tokNumber:
			r.numbers = true
		case t.mark == '[':
			r.boxes = true
		}
		if it := &r.items[k]; it.e != nil {
			it.mask = it.e.mask
			r.classes |= it.mask
		}
	}
	if r.classes&(1<<classAct|1<<classNeg|1<<classPart) != 0 {
		r.direct()
		for k := range r.items {
			r.settle(k)
		}
	}
}

// particles go with a verb before them, with the object between: "turned it over".
var particles = wordSet("on off out over up back down round around away")

// joinParticles gives a verb that the lexicon knows only with its particle its reading, where the object stands
// between the two: "switched the stimulator off", "put it back".
func (r *reader) joinParticles() {
	for k := 1; k < len(r.items); k++ {
		it := &r.items[k]
		if it.first != it.last || r.toks[it.first].kind != tokWord || !r.inSet(int(it.first), particles) {
			continue
		}
		for j := k - 2; j >= 0 && j >= k-6; j-- {
			v := &r.items[j]
			if v.first != v.last || r.toks[v.first].kind != tokWord {
				break
			}
			if e := r.lex.pair(r.toks[v.first].word, r.toks[it.first].word); e != nil {
				if (v.e.readAs(classAct) == nil || it.e.readAs(classAct) == nil) && r.objectOnly(j+1, k) {
					v.e, v.till = e, int32(k)
					it.e = nil
				}
				break
			}
		}
	}
}

// objectOnly says whether the items [a,b) are one noun phrase with a part or a pronoun in it.
func (r *reader) objectOnly(a, b int) bool {
	part := false
	for p := a; p < b; p++ {
		e := r.items[p].e
		if e == nil {
			if r.itemKind(p) == tokPunct {
				return false
			}
			continue
		}
		part = part || e.mask&(1<<classPart|1<<classPron) != 0
		if e.mask&(1<<classAux|1<<classSep|1<<classTerm) != 0 && e.mask&(1<<classPart|1<<classPron|1<<classDet) == 0 {
			return false
		}
	}
	return part
}

// readAs gives the reading of a phrase as class c.
func (e *entry) readAs(c class) *entry {
	for ; e != nil; e = e.alt {
		if e.class == c {
			return e
		}
	}
	return nil
}

// speaks says whether any item of the sentence can be read as one of cs.
func (r *reader) speaks(cs ...class) bool {
	for _, c := range cs {
		if r.classes&(1<<c) != 0 {
			return true
		}
	}
	return false
}

// troubleSpan is a phrase that names a reason or a complication, over items [a,b].
type troubleSpan struct {
	a, b   int
	re, co *entry
}

// split2 opens up a phrase that is only a heading, a reason or a complication, so that the parts and acts in it are
// read too: "the fractured lead was removed". It says whether it has added the items itself.
func (r *reader) split2(h int32, s sentence) bool {
	hit := r.hits[h]
	inner := hit.last > hit.first
	for e := hit.e; e != nil; e = e.alt {
		if e.class != classHeading && e.class != classReason && e.class != classComplication {
			inner = false
		}
	}
	re, co := hit.has(classReason), hit.has(classComplication)
	if !inner {
		if re != nil || co != nil {
			r.troubles = append(r.troubles, troubleSpan{len(r.items), len(r.items), re, co})
		}
		return false
	}
	a := len(r.items)
	for i := int(hit.first); i <= int(hit.last); {
		it := item{first: int32(i), last: int32(i)}
		if end, e := r.lex.longest(r.toks, i, int(hit.last), int(hit.last-hit.first)+1); e != nil {
			it.last, it.e = int32(end), e
		}
		r.items = append(r.items, it)
		i = int(it.last) + 1
	}
	if re != nil || co != nil {
		r.troubles = append(r.troubles, troubleSpan{a, len(r.items) - 1, re, co})
	}
	return true
}

// mark gives the mark at item k, 0 if it is none.
func (r *reader) mark(k int) byte {
	if k < 0 || k >= len(r.items) {
		return 0
	}
	t := r.toks[r.items[k].first]
	if t.kind != tokPunct {
		return 0
	}
	return t.mark
}

// at gives item k, or an empty one outside the sentence.
func (r *reader) at(k int) *item {
	if k < 0 || k >= len(r.items) {
		return &noItem
	}
	return &r.items[k]
}

var noItem item

// itemText gives the item's words in lower case.
func (r *reader) itemText(k int) string {
	if k < 0 || k >= len(r.items) {
		return ""
	}
	it := &r.items[k]
	first := &r.toks[it.first]
	if it.first == it.last {
		return r.low[first.start:first.end]
	}
	if it.text == "" {
		it.text = r.low[first.start:r.toks[it.last].end]
		for i := it.first + 1; i <= it.last; i++ { // one blank between the words, however they stand
			if t := &r.toks[i]; t.gap&(gapLine|gapTab) != 0 || t.gap&gapSpace != 0 && t.start-r.toks[i-1].end != 1 {
				it.text = strings.Join(strings.Fields(it.text), " ")
				break
			}
		}
	}
	return it.text
}

// itemKind gives the kind of the item's first token, tokPunct outside the sentence.
func (r *reader) itemKind(k int) tokKind {
	if k < 0 || k >= len(r.items) {
		return tokPunct
	}
	return r.toks[r.items[k].first].kind
}

// lowerASCII lowers ASCII letters and leaves the rest; it allocates only when it must.
func lowerASCII(s string) string {
	for i := 0; i < len(s); i++ {
		if 'A' <= s[i] && s[i] <= 'Z' {
			b := []byte(s)
			for ; i < len(b); i++ {
				if 'A' <= b[i] && b[i] <= 'Z' {
					b[i] += 'a' - 'A'
				}
			}
			return string(b)
		}
	}
	return s
}

// bare says whether item k is a word that the lexicon does not know.
func (r *reader) bare(k int) bool {
	return k >= 0 && k < len(r.items) && r.items[k].e == nil && r.itemKind(k) == tokWord
}

// settle decides between the readings of item k by its neighbours.
func (r *reader) settle(k int) {
	it := &r.items[k]
	if it.e == nil {
		return
	}
	if w := r.itemText(k); (w == "no" || w == "nos") && r.mark(k+1) == '.' && r.toksGap(k+1) == 0 && r.hasDigit(k+2) {
		it.mask = 0 // "no. 420-01302"
		return
	}
	if it.is(classPart) && r.itemText(k) == "can" && r.modal(k) {
		it.drop(classPart) // the verb
	}
	act := it.as(classAct)
	if act == nil {
		return
	}
	switch {
	case act.value == "out" || act.value == "in":
		if !r.predicate(k, act.value) {
			it.mask &^= 1 << classAct
		}
	case it.is(classSide):
		if r.leftIsAct(k) {
			it.only(classAct)
		} else {
			it.only(classSide)
		}
	case it.is(classPart):
		if r.implantIsAct(k) {
			it.only(classAct)
		} else {
			it.only(classPart)
		}
	case act.form == formActive && r.nounPlace(k):
		it.drop(classAct)
	}
}

// modalCan says whether the token at i is the verb "can" before another verb.
func (r *reader) modalCan(i, end int) bool {
	if i+1 >= end || r.tokText(i) != "can" {
		return false
	}
	switch r.tokText(i + 1) {
	case "be", "not", "have", "only", "now", "then", "also", "still", "never", "always", "no", "safely", "usually", "sometimes", "stay", "come", "go", "remain":
		return true
	}
	return false
}

// modal says whether "can" at k is the verb: neither behind an article or an adjective nor before a verb that could
// have it as its subject.
func (r *reader) modal(k int) bool {
	if r.at(k-1).isAny(classDet, classOld, classNew, classSide, classSidel, classNegdet) {
		return false
	}
	n := r.at(k + 1)
	if k+1 >= len(r.items) || r.itemKind(k+1) == tokPunct || n.is(classAux) && r.itemText(k+1) != "be" && r.itemText(k+1) != "have" {
		return k > 0 && r.at(k-1).isAny(classAgent, classPron)
	}
	e := n.as(classAct)
	return e == nil || e.form == formActive || r.at(k-1).isAny(classAgent, classPron)
}

// nounPlace says whether a word at k that can be a verb stands where only a noun can: after an article, a
// preposition, a number, a side or another noun.
func (r *reader) nounPlace(k int) bool {
	txt := r.itemText(k)
	if len(txt) > 3 && txt[len(txt)-3:] == "ing" {
		return false
	}
	p := r.at(k - 1)
	if txt == "site" && !p.isAny(classInfin, classAgent) {
		return true
	}
	return p.isAny(classDet, classOf, classNum, classSide, classOld, classNew, classPart, classRegion, classNegdet) ||
		p.is(classPrep) && !p.is(classInfin) || r.bare(k-1) && r.bareNoun(k-1)
}

// bareNoun guesses whether an unknown word is a noun or adjective and not an adverb.
func (r *reader) bareNoun(k int) bool {
	w := r.itemText(k)
	return len(w) < 3 || w[len(w)-2:] != "ly"
}

// leftIsAct says whether "left" at k is the verb.
func (r *reader) leftIsAct(k int) bool {
	p, n := r.at(k-1), r.at(k+1)
	end := k+1 >= len(r.items) || r.itemKind(k+1) == tokPunct && r.mark(k+1) != '-' && r.mark(k+1) != '+'
	if end && (p.is(classPart) && r.toksGap(k)&gapTab == 0 || p.is(classSep) && (r.at(k-2).is(classAct) || !r.at(k-2).isAny(classSide, classSidel) && r.hasAux(0, k-1))) {
		return true
	}
	if _, last := cutLast(r.itemText(k - 1)); (last == "be" || last == "been" || last == "being") && !n.isAny(classPart, classRegion, classSideprone) {
		return true
	}
	if p.isAny(classAux, classAgent, classNeg) && !p.is(classDet) {
		return !(n.isAny(classPart, classRegion, classSideprone))
	}
	if r.bareAdverb(k-1) && r.at(k-2).is(classAux) {
		return true
	}
	switch r.itemText(k + 1) {
	case "it", "them", "both", "everything", "all":
		if !p.isAny(classDet, classPrep) && k > 0 {
			return true // "tied it off and left it"
		}
	}
	if n.is(classDet) && !p.isAny(classDet, classPrep) {
		return true
	}
	if (p.is(classPart) || p.is(classSep)) && (n.is(classPrep) && r.itemText(k+1) != "on") && !p.is(classDet) {
		nn := r.at(k + 2)
		return p.is(classPart) || nn.isAny(classDet, classRegion) || r.at(k-2).is(classAct) && !nn.isAny(classSide, classPart)
	}
	// "distal part left in the canal", "one left behind": the end of a noun phrase before, where it stays after
	return n.is(classPrep) && r.itemText(k+1) != "on" && r.itemText(k+1) != "to" && p.isAny(classPartly, classAspect, classOtherOne, classNum, classPron) && !p.is(classDet)
}

// bareAdverb says whether item k is an adverb by its ending.
func (r *reader) bareAdverb(k int) bool {
	w := r.itemText(k)
	return r.bare(k) && len(w) > 3 && w[len(w)-2:] == "ly"
}

// implantIsAct says whether "implant" or "implants" at k is the act and not the thing.
func (r *reader) implantIsAct(k int) bool {
	if r.at(k+1).is(classOf) || r.at(k-1).isAny(classInfin) {
		return true
	}
	p := r.at(k - 1)
	return p.is(classPart) && r.adjacent(k-1, k) || r.itemText(k) == "implant" && r.implantHeads(k)
}

// implantHeads says whether "implant" at k, without an article, is what a line or a title is about: "PNS implant L",
// "post implant", "12/09/2023 Implant:".
func (r *reader) implantHeads(k int) bool {
	n := r.at(k + 1)
	if k+1 < len(r.items) && r.itemKind(k+1) != tokPunct && !n.isAny(classSide, classSidel) {
		return false
	}
	if k == 0 || r.itemText(k-1) == "post" || r.itemText(k-1) == "perm" || r.itemText(k-1) == "permanent" || r.itemKind(k-1) == tokNumber {
		return k > 0 || r.mark(k+1) == ':'
	}
	w := r.itemText(k - 1) // an abbreviation: no vowels
	return len(w) >= 2 && len(w) <= 5 && !strings.ContainsAny(w, "aeiouy0123456789") && !r.at(k-1).isAny(classSide, classSidel, classNegdet, classPart)
}

// adjacent says whether items a and b touch with nothing but blanks between them.
func (r *reader) adjacent(a, b int) bool {
	return b == a+1 && b < len(r.items) && r.toks[r.items[b].first].gap&(gapSlash|gapBlank) == 0
}

// predicate says whether "in" or "out" at k says where the part before it went: "IPG out", "Generator: out.",
// "lead in, tip at T8".
func (r *reader) predicate(k int, word string) bool {
	n, p := r.at(k+1), r.at(k-1)
	if word == "out" && (r.bareAdverb(k-1) || subjectless[r.itemText(k-1)] || r.itemText(k-1) == "therefore" || r.mark(k-1) == '(') {
		p = r.at(k - 2)
	}
	if word == "out" && (r.mark(k-1) == '+' || r.mark(k-1) == '&' || p.is(classSep)) && r.at(k-2).is(classAct) {
		p = r.at(k - 3) // "IPG disconnected + out"
	}
	end := k+1 >= len(r.items) || r.itemKind(k+1) == tokPunct && r.mark(k+1) != '-' || n.isAny(classWhole, classSep, classTerm)
	if word == "out" {
		end = end || r.itemKind(k+1) == tokNumber || n.isAny(classHist) || n.isAny(classPartly) || r.mark(k+1) == '-' || n.is(classPrep) && r.itemText(k+1) != "of" || r.itemText(k+1) == "easily"
	}
	if !end && !(p.is(classPart) && (r.modelLike(k+1) || n.is(classIdent))) {
		return false
	}
	if p.isAny(classPart, classAspect, classOtherOne, classWhole, classNum, classPron) || p.is(classAux) && word == "out" {
		return true
	}
	if r.mark(k-1) == ':' || r.mark(k-1) == ')' || word == "out" && (r.mark(k-1) == ',' || r.mark(k-1) == '-') && (n.isAny(classWhole, classPartly) || r.mark(k-1) == '-' && r.at(k-2).isAny(classPart, classSide, classSidel) || r.mark(k-1) == '-' && r.mark(k-2) == ')') {
		return true
	}
	// a model or serial number: "old MV-300 out", "SN GB100233 OUT"
	return k > 0 && (r.hasDigit(k-1) && word == "out" || r.hasDigit(k-1) && r.toksGap(k-1)&gapHyphen != 0)
}
