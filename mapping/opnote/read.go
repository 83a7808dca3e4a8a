package opnote

import (
	"slices"
	"sort"
	"strings"

	"gaussline/mapping/implant"
)

// reader reads one note. Every slice is reused from sentence to sentence.
type reader struct {
	lex   *Lexicon
	note  Note
	text  string
	low   string // the text in lower case
	toks  []token
	hits  []hit
	hitAt []int32
	secs  []section
	secAt int
	width int // longest line, in bytes

	timeline bool // several lines begin with a date

	noteType        string
	monthFirstStyle int // >0 month first, <0 day first, 0 not settled
	primary         bool
	explant         bool
	takingOut       bool // of an explant, by its title or by all that it tells
	revision        bool
	replacing       bool
	titleActs       bool
	copiedPara      bool
	seeking         bool
	fusionToday     bool     // the title is of an operation that puts hardware in
	pumpSeen        int      // 1 the note speaks of a pump, -1 it does not, 0 not looked yet
	account         bool     // the sentence is of the account of what was done
	hasBody         bool     // a heading opens the account of the operation
	accountIn       *section // the indication whose paragraph goes on with it
	topic           int      // mention that heads the line, -1 none

	items    []item
	classes  uint64 // of the sentence, one bit each
	numbers  bool   // a number stands in the sentence
	boxes    bool   // a bracket that may be a tick box
	dates    []datedItem
	spare    []mention
	troubles []troubleSpan
	ments    []mention
	events   []event
	owner    []int16
	past     []mention // mentions of earlier sentences, nearest first
	models   map[string]implant.Kind

	sentNo    int
	inTitle   bool
	labelSide implant.Side
	row       bool
	bodyActs  bool // the note tells of any act on a part
	header    tableHeader
	asides    []asideNote
	pocketOf  implant.Kind
	loose     []looseSite
	looseID   []looseIdent
	looseLev  []looseLevel

	drafts []draft
	byPart map[implant.Kind][]int
	asks   []Question
}

// bytesADraft is about how much text of a dense note makes one draft.
const bytesADraft = 60

// lowerText gives text with its ASCII letters in lower case, byte for byte as long.
func lowerText(text string) string {
	var b strings.Builder
	b.Grow(len(text))
	for i := 0; i < len(text); i++ {
		c := text[i]
		if c-'A' < 26 {
			c += 'a' - 'A'
		}
		b.WriteByte(c)
	}
	return b.String()
}

// Read reads a note with this lexicon.
func (l *Lexicon) Read(n Note) Reading {
	r := &reader{lex: l, note: n, text: n.Text, models: map[string]implant.Kind{}}
	if len(r.text) > MaxText {
		r.text = strings.ToValidUTF8(r.text[:MaxText], "")
		r.ask(implant.AskNoteUnread, "the note is longer than is read", 0, 0, "")
	}
	r.low = lowerText(r.text)
	r.toks = tokenise(r.text, l)
	r.hits = l.match(r.toks)
	r.drafts = make([]draft, 0, 8+len(r.text)/bytesADraft)
	r.hitAt = make([]int32, len(r.toks))
	for i := range r.hitAt {
		r.hitAt[i] = -1
	}
	for i, h := range r.hits {
		r.hitAt[h.first] = int32(i)
	}
	r.width = r.lineWidth()
	r.timeline = r.datedLines() >= minTimeline
	r.findSections()
	r.findDateStyle()
	r.setMode()
	for i := 0; i < len(r.toks); {
		s := r.nextSentence(i)
		if s.end <= i {
			s.end = i + 1
		}
		r.readSentence(s)
		i = s.end
	}
	r.wholeNote()
	return r.reading()
}

// readSentence reads one sentence.
func (r *reader) readSentence(s sentence) {
	if s.first < s.sec.body && s.sec.kind != "" && s.end <= s.sec.body {
		return // a heading
	}
	if r.plainTalk(s) {
		r.skim(s)
		return
	}
	r.sentNo++
	r.inTitle = r.isTitle(s)
	r.pocketOf = ""
	r.row = s.row
	r.labelSide = ""
	r.account = (r.noteType == TypeProcedure || r.noteType == TypeDischarge) && s.sec.kind != secHistory && s.sec.kind != secIndication && s.sec.kind != secSocial
	r.loose, r.looseID, r.looseLev = r.loose[:0], r.looseID[:0], r.looseLev[:0]
	r.makeItems(s)
	r.findDates()
	r.unticked()
	r.findLabelSide()
	rowID := r.tableRow(s)
	r.asides = r.asides[:0]
	r.findMentions()
	r.boxOfDrugs()
	r.rowParts(rowID)
	r.findPreps()
	r.findTopic()
	r.findEvents()
	r.attributes()
	r.labelSides()
	r.inherit()
	sc := r.scopeOf(s)
	from := len(r.drafts)
	r.emit(s, &sc)
	r.emitStuck(s, &sc)
	r.emitNothing(s, &sc)
	r.rowStays(s, &sc, from)
	r.emitUnknown(s, &sc, from)
	r.absorb(from)
	r.doubtRemovals(s, &sc, from)
	r.ditto(s, &sc, from)
	r.wholeSaid()
	r.partSaid()
	r.counted()
	r.sideLine(s, &sc, from)
	r.emitLoose(s, &sc)
	r.emitAsides(&sc)
	r.safetyNet(s, &sc, from)
	r.measures(s, &sc)
	r.settings(s, &sc, from)
	r.reasons(s, &sc)
	r.remarks(s, &sc)
	r.remember()
}

// plainTalk says whether no phrase of the sentence can make a finding: most sentences of most notes.
func (r *reader) plainTalk(s sentence) bool {
	for i := s.first; i < s.end; i++ {
		if h := r.hitAt[i]; h >= 0 && (r.hits[h].e.mask&telling != 0 || r.hits[h].last > r.hits[h].first && r.hits[h].e.mask == 0) {
			return false
		} else if h >= 0 && (r.hits[h].again() || r.hits[h].setting()) {
			return false
		}
		switch t := r.toks[i]; {
		case t.kind == tokWord && (t.end-t.start == 7 || t.end-t.start == 3) && (r.tokText(i) == "nothing" || r.tokText(i) == "nil"):
			return false
		case i > s.first && r.toks[i-1].mark == ':' && t.kind == tokWord && r.inSet(i, sameWords):
			return false
		case t.kind == tokNumber && i+1 < s.end && (r.toks[i+1].gap&(gapSlash|gapHyphen) != 0 || r.tokText(i+1) == "out"):
			return false
		case r.noteType == TypeClinic && t.kind == tokWord && r.stimNumber(i):
			return false
		case t.kind == tokWord && t.word == 0 && (i+1 < s.end && r.toks[i+1].gap&gapHyphen != 0 || r.nearMiss(i) != nil):
			return false
		case t.mark == '(' && i+2 < s.end && r.toks[i+2].mark == ')':
			return false
		}
	}
	return true
}

// telling are the classes of phrase that can make a finding or a question.
const telling uint64 = 1<<classImpval | 1<<classPart | 1<<classAct | 1<<classAspect | 1<<classPartly | 1<<classRegion | 1<<classScore | 1<<classImpedance | 1<<classUsage |
	1<<classReason | 1<<classComplication | 1<<classIdent | 1<<classFunc | 1<<classMrold | 1<<classStopped | 1<<classSlip | 1<<classTransit |
	1<<classWhole | 1<<classCopied | 1<<classGone

// findPreps notes the preposition before each mention; one in a list has that of the list.
func (r *reader) findPreps() {
	for i := range r.ments {
		m := &r.ments[i]
		k := m.first - 1
		if e := r.at(k).as(classAct); e != nil && r.items[k].first != r.items[k].last {
			_, last := cutLast(r.itemText(k))
			switch {
			case e.value == "replace" && (last == "for" || last == "with" || last == "by"):
				m.prep = "with"
				continue
			case last == "with":
				m.prep = "with"
				continue
			case e.value == "cut" && last == "at":
				m.prep = "at"
				continue
			case e.value == "connect" && last == "to":
				m.prep = "to"
				continue
			}
		}
		if e := r.at(k).as(classPrep); e != nil && !r.at(k).isAny(classAct) {
			m.prep = e.value
			continue
		}
		if i > 0 && r.ments[i-1].prep != "" && r.gapOnly(r.ments[i-1].last+1, m.first) && !r.hasAux(r.ments[i-1].last+1, m.first) {
			m.prep = r.ments[i-1].prep
		}
	}
}

// findLabelSide finds a side that opens the sentence before a colon or dash.
func (r *reader) findLabelSide() {
	k := 0
	for k < len(r.items) && (r.mark(k) == '-' || r.mark(k) == '*' || r.at(k).is(classDet)) {
		k++
	}
	it := r.at(k)
	e := it.as(classSide)
	if e == nil {
		e = it.as(classSidel)
	}
	n := k + 1
	if r.at(n).is(classPlace) {
		n++
	}
	if e != nil && (r.mark(n) == ':' || r.mark(n) == '-') && (e.value == string(implant.Left) || e.value == string(implant.Right)) {
		r.labelSide = implant.Side(e.value)
	}
}

// labelSides gives the side that opens a line, "Left: lead in, tip at T8", to the leads of the line.
func (r *reader) labelSides() {
	if r.labelSide == "" {
		return
	}
	for i := range r.ments {
		if m := &r.ments[i]; m.side == "" && leadLike(m) {
			m.side = r.labelSide
		}
	}
}

// inherit gives a pronoun the identity and place of the part it stands for in the same sentence, and "the
// generator" or "the old unit" the identity that the note gave it before.
func (r *reader) inherit() {
	for i := range r.ments {
		m := &r.ments[i]
		if m.pron {
			for j := i - 1; j >= 0; j-- {
				o := &r.ments[j]
				if o.pron || o.kind != m.kind || m.side != "" && o.side != "" && m.side != o.side || m.other || m.ordinal != 0 || m.new != o.new {
					continue
				}
				m.id.merge(o.id)
				if m.side == "" {
					m.side = o.side
				}
				if m.pocket == "" {
					m.pocket = o.pocket
				}
				break
			}
			continue
		}
		if m.kind == implant.Lead && m.definite && !m.plural && m.side == "" && m.ordinal == 0 && !m.other && !m.old && !m.new && m.count < 2 && m.id.empty() {
			for j := i - 1; j >= 0; j-- { // "the right lead was traced and the lead withdrawn"
				if o := &r.ments[j]; o.kind == m.kind && !o.plural && o.count < 2 {
					m.side, m.ordinal, m.other = o.side, o.ordinal, o.other
					break
				}
			}
		}
		if m.kind == implant.Lead && r.demonstrative(m) && m.side == "" && m.ordinal == 0 && m.count < 2 && len(r.past) > 0 && r.past[0].kind == m.kind && r.sentNo-r.past[0].sent <= 2 {
			o := &r.past[0]
			m.side, m.ordinal, m.other = o.side, o.ordinal, o.other
			m.id.merge(o.id)
		}
		if !m.id.empty() || m.neg || m.indef || m.kind != implant.Generator && m.kind != implant.Pump || !m.definite && !m.old {
			continue
		}
		for j := range r.past {
			o := &r.past[j]
			if o.kind == m.kind && !o.id.empty() && o.old == m.old && (o.new == m.new) && (m.side == "" || o.side == "" || m.side == o.side) {
				m.id = o.id
				break
			}
		}
	}
}

// demonstrative says whether "this", "that" or "the same" opens the phrase of m.
func (r *reader) demonstrative(m *mention) bool {
	switch r.itemText(m.first) {
	case "this", "that", "same", "said":
		return true
	case "the":
		return r.itemText(m.first+1) == "same"
	}
	return false
}

// remember keeps the sentence's mentions for pronouns to come: those before the first act first.
func (r *reader) remember() {
	now := r.spare[:0]
	for _, m := range r.ments {
		if m.neg || m.kind == "" || m.scope == ScopeFamily || m.scope == ScopeOther {
			continue
		}
		now = append(now, m)
	}
	if len(now) == 0 {
		return
	}
	sort.SliceStable(now, func(i, j int) bool { return now[i].bound && !now[j].bound })
	keep := min(len(r.past), memory-min(memory, len(now)))
	now = append(now, r.past[:keep]...)
	r.past, r.spare = now[:min(len(now), memory)], r.past[:0]
}

// ask adds a question over a span of bytes.
func (r *reader) ask(code implant.QuestionCode, detail string, start, end int, proposed string) {
	q := Question{Code: code, Detail: detail, Start: start, End: end, Proposed: proposed}
	if end <= len(r.text) {
		q.Quote = r.text[start:end]
	}
	r.asks = append(r.asks, q)
}

// askTokens adds a question over tokens [a,b].
func (r *reader) askTokens(code implant.QuestionCode, detail string, a, b int32, proposed string) {
	r.ask(code, detail, int(r.toks[a].start), int(r.toks[b].end), proposed)
}

// reading puts together what was read, in the order of the text.
func (r *reader) reading() Reading {
	var out Reading
	order := make([]int32, 0, len(r.drafts))
	for i := range r.drafts {
		if r.drafts[i].Kind != "" {
			order = append(order, int32(i))
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return int(r.drafts[a].tok0) - int(r.drafts[b].tok0) })
	if len(order) > 0 {
		out.Findings = make([]Finding, len(order))
	}
	for i, at := range order {
		d, f := &r.drafts[at], &out.Findings[i]
		*f = d.Finding
		f.Start, f.End = int(r.toks[d.tok0].start), int(r.toks[d.tok1].end)
		f.Quote = r.text[f.Start:f.End]
	}
	out.Questions = r.asks
	sort.SliceStable(out.Questions, func(i, j int) bool { return out.Questions[i].Start < out.Questions[j].Start })
	for _, s := range r.secs {
		if s.end <= s.first {
			continue
		}
		sec := Section{Kind: s.kind, Start: int(r.toks[s.first].start), End: int(r.toks[s.end-1].end)}
		if s.body > s.first {
			sec.Heading = r.text[sec.Start:r.toks[s.body-1].end]
		}
		out.Sections = append(out.Sections, sec)
	}
	return out
}
