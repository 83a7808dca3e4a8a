package mri

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// Decide gives the verdict on the record of one patient for one exam on the scanners of a site, as of a moment.
// The record must be the state at that moment (history's At). Labels and scanners come from ParseLabelling and
// ParseScanners; any other are taken as unknown. The order of parts, questions, labels and scanners does not matter.
func Decide(rec implant.Record, exam Exam, labels []Labelling, scanners []Scanner, pol Policy, asOf time.Time) Verdict {
	d := newDecision(exam, pol, asOf)
	d.takeLabels(labels)
	d.takeParts(rec.AsOf(asOf).Parts)
	d.takeQuestions(rec.Questions)
	d.judgeParts()
	d.makeUnits(rec.Events)
	answers := d.answers(scanners)
	v := Verdict{AsOf: implant.Instant(asOf), Site: pol.Site, Exam: exam, Scanners: answers}
	v.Kind, v.EarliestChange = d.kind(answers)
	v.Combined = d.combined
	if v.Kind == KindWithinIf {
		v.Limits, v.Confirm = d.summary()
	}
	v.Reasons = d.allReasons(v.Kind)
	v.Labels = d.labelRefs()
	v.Cautions = d.cautions(v)
	if pol.Trace {
		v.Trace = withoutCopies(d.trace)
	}
	return v
}

// decision is the work of one Decide.
type decision struct {
	exam    Exam
	pol     Policy
	asOf    time.Time
	examDay int64 // first day the exam can be on, as days since 1970
	labels  []*index

	parts    []seen // in the body, by ID
	removed  int
	sources  int   // parts in the body with their own power, in any state
	doubtful bool  // one of them may or may not be there
	body     Truth // AND of what does not depend on a label's set or a scanner
	unsafe   bool
	stopped  bool // some scanner would hold but for the body
	open     bool // a question is open that does not bear on MR
	oldWords bool
	combined bool
	units    []unit
	docs     []*Document
	reasons  []Reason
	trace    []TraceLine
	regions  []regionPlan // of the exam
	answered uint32       // askings that the exam's checks have settled
	ways     []knownWay
	names    []maskSets                      // of the way being built
	maker    struct{ stated, folded string } // of the part before
	put      struct {                        // when the part before was put in
		stated implant.When
		day    int64
		known  bool
	}
	room  room
	texts []string // room for short lists of texts, see list
}

// list gives a short list that shares its memory with others of the decision; nothing can be appended to it in place.
func (d *decision) list(texts ...string) []string {
	if len(texts) == 0 {
		return nil
	}
	if cap(d.texts)-len(d.texts) < len(texts) {
		d.texts = make([]string, 0, max(64, len(texts)))
	}
	from := len(d.texts)
	d.texts = append(d.texts, texts...)
	return d.texts[from:len(d.texts):len(d.texts)]
}

// seen is a part in the body with what the labels say of it.
type seen struct {
	*implant.Part
	entries []entry
	key     modelKey
	known   Truth // Met: identified; never NotMet
	sort    sort
	units   int // how many alike
	last    lastSeen
}

// sort is how a part counts.
type sort uint8

const (
	sure      sort = iota // in place and connected
	maybe                 // reported removed, or the state is not known
	abandoned             // R2
)

func dayOf(t time.Time) int64 { return floorDiv(t.Unix(), 86400) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

func dayText(n int64) implant.When { return implant.Day(time.Unix(n*86400, 0)) }

func newDecision(exam Exam, pol Policy, asOf time.Time) *decision {
	d := &decision{exam: exam, pol: pol, asOf: asOf, body: Met, examDay: dayOf(asOf), regions: readRegions(exam), answered: answeredChecks(exam.Checks)}
	if d.pol.ReviewInterval <= 0 {
		d.pol.ReviewInterval = DefaultReviewInterval
	}
	// An exam cannot be before today; without a date it may be today.
	if from, _, ok := exam.Date.Bounds(); ok && dayOf(from) > d.examDay {
		d.examDay = dayOf(from)
	}
	return d
}

func (d *decision) takeLabels(labels []Labelling) {
	for i := range labels {
		if labels[i].index != nil {
			d.labels = append(d.labels, labels[i].index)
		}
	}
}

func (d *decision) takeParts(parts []implant.Part) {
	d.parts = make([]seen, 0, len(parts))
	for i := range parts {
		p := &parts[i]
		if !p.State.InBody() {
			d.removed++
			continue
		}
		s := seen{Part: p, sort: maybe, units: max(1, p.Component.Count)}
		switch {
		case p.State == implant.Connected:
			s.sort = sure
		case p.State.Abandoned():
			s.sort = abandoned
		}
		if source(p.Component.Kind) {
			d.sources += s.units
			d.doubtful = d.doubtful || s.sort == maybe
		}
		d.parts = append(d.parts, s)
	}
	less := func(a, b seen) int {
		if a.ID != b.ID {
			return strings.Compare(a.ID, b.ID)
		}
		return cmp.Or(strings.Compare(a.Component.Model, b.Component.Model), strings.Compare(a.Component.Serial, b.Component.Serial))
	}
	if !slices.IsSortedFunc(d.parts, less) {
		slices.SortStableFunc(d.parts, less)
	}
}

func (d *decision) takeQuestions(qs []implant.Question) {
	if len(qs) == 0 {
		return
	}
	qs = slices.Clone(qs)
	slices.SortStableFunc(qs, func(a, b implant.Question) int {
		return cmp.Or(cmp.Compare(a.ID, b.ID), cmp.Compare(a.Code, b.Code), cmp.Compare(a.Detail, b.Detail))
	})
	for _, q := range qs {
		if q.Code == implant.AskLabelOldWords {
			d.oldWords = true
			d.tell(Reason{Code: WhyOldWords, Truth: Met, Part: first(q.Parts), Args: []string{q.Detail}, Evidence: q.Sources})
		}
		if q.MR {
			d.stop(Reason{Code: WhyQuestion, Truth: Unknown, Part: first(q.Parts), Args: []string{string(q.Code), q.Detail}, Evidence: q.Sources})
		} else {
			d.open = true
		}
	}
}

func first(s []string) string {
	if len(s) == 0 {
		return ""
	}
	return s[0]
}

// stop counts a reason against the whole body; tell only says it.
func (d *decision) stop(r Reason) {
	d.body = d.body.And(r.Truth)
	d.tell(r)
}

func (d *decision) tell(r Reason) {
	d.reasons = append(d.reasons, r)
	d.note(TraceLine{Set: r.Set, Code: r.Code, Truth: r.Truth, Label: r.Words, Edition: r.Edition, Part: r.Part, Seen: first(r.Args)})
}

func (d *decision) note(l TraceLine) {
	if d.pol.Trace {
		d.trace = append(d.trace, l)
	}
}

// kind chooses the verdict's kind: the first of the five that applies, see the Kind constants.
func (d *decision) kind(answers []ScannerAnswer) (Kind, implant.When) {
	if d.unsafe {
		return KindUnsafe, ""
	}
	if len(d.parts) == 0 {
		if d.body == Met {
			return KindNothing, ""
		}
		return KindNotEstablished, ""
	}
	best, change := NotMet, implant.When("")
	for _, a := range answers {
		best = best.Or(a.Truth)
		if a.EarliestChange != "" && (change == "" || a.EarliestChange < change) {
			change = a.EarliestChange
		}
	}
	if len(answers) == 0 {
		best = d.withoutScanner()
	}
	switch best {
	case Met:
		return KindWithinIf, ""
	case NotMet:
		return KindOutside, change
	}
	return KindNotEstablished, change
}

// withoutScanner is the truth when no scanner is known: what fails on any scanner fails, the rest is open.
func (d *decision) withoutScanner() Truth {
	d.reasons = append(d.reasons, Reason{Code: WhyNoScanner, Truth: Unknown})
	t := Unknown.And(d.body)
	for i := range d.units {
		best := NotMet
		for j := range d.units[i].alts {
			best = best.Or(d.units[i].alts[j].truth)
		}
		d.units[i].holds = best == Met
		t = t.And(best)
	}
	return t
}

// allReasons gives what stops apart from the scanners: the body's own reasons, and where no scanner would hold but for
// them, those of every condition set. A set that fails is no reason where another of the same label is met.
func (d *decision) allReasons(k Kind) []Reason {
	out := d.reasons
	if len(d.parts) == 0 && d.removed > 0 {
		out = append(out, Reason{Code: WhyRemoved, Truth: Met, Args: []string{strconv.Itoa(d.removed)}})
	}
	if k != KindWithinIf && !d.stopped {
		for i := range d.units {
			if d.units[i].holds {
				continue
			}
			for j := range d.units[i].alts {
				out = append(out, d.units[i].alts[j].reasons...)
			}
		}
	}
	return tidy(out)
}

// maxReasons is how many reasons one list shows; the first are the gravest.
const maxReasons = 64

// tidy gives the reasons sorted, gravest first, without copies. It leaves its argument alone and sorts places, since a
// reason is large; reasons in order already are given back as they are.
func tidy(rs []Reason) []Reason {
	if len(rs) == 0 {
		return nil
	}
	inOrder := len(rs) <= maxReasons
	for i := 1; i < len(rs) && inOrder; i++ {
		inOrder = graver(&rs[i-1], &rs[i]) < 0
	}
	if inOrder {
		return rs
	}
	var room [32]int
	order := room[:0]
	for i := range rs {
		order = append(order, i)
	}
	slices.SortStableFunc(order, func(a, b int) int { return graver(&rs[a], &rs[b]) })
	n := 1 // how many differ from the one before
	for k := 1; k < len(order); k++ {
		if graver(&rs[order[k-1]], &rs[order[k]]) != 0 {
			n++
		}
	}
	out := make([]Reason, 0, min(n, maxReasons))
	for k, i := range order {
		if len(out) < maxReasons && (k == 0 || graver(&rs[order[k-1]], &rs[i]) != 0) {
			out = append(out, rs[i])
		}
	}
	return out
}

// graver orders reasons; it stops at the first difference.
func graver(a, b *Reason) int {
	switch {
	case a.Truth != b.Truth:
		return cmp.Compare(a.Truth, b.Truth)
	case a.Code != b.Code:
		return strings.Compare(a.Code, b.Code)
	case a.Part != b.Part:
		return strings.Compare(a.Part, b.Part)
	case a.Set != b.Set:
		return strings.Compare(a.Set, b.Set)
	}
	return slices.Compare(a.Args, b.Args)
}

func (d *decision) cautions(v Verdict) []string {
	c := make([]string, 0, 12)
	c = append(c, CautionDecisionSupport, CautionNoClearance, CautionRecord, CautionRescreen, CautionEmergency)
	add := func(is bool, code string) {
		if is {
			c = append(c, code)
		}
	}
	add(v.Kind == KindNothing || len(d.parts) == 0, CautionNoRecord)
	add(len(d.parts) > 0, CautionLabelOfTheDay)
	add(d.sources > 0, CautionDeviceCheck)
	add(v.Kind.Caution() == 2, CautionIdentify)
	add(v.Combined, CautionCombined)
	add(d.open || d.body != Met && slices.ContainsFunc(d.reasons, func(r Reason) bool { return r.Code == WhyQuestion }), CautionQuestions)
	add(d.oldWords, CautionOldWords)
	from, to, ok := d.exam.Date.Bounds()
	add(ok && !to.After(d.asOf), CautionPlannedDatePast)
	add(ok && d.dueBefore(from), CautionReviewDue)
	return c
}

// withoutCopies drops lines that another combination has brought up before.
func withoutCopies(lines []TraceLine) []TraceLine {
	known := make(map[TraceLine]bool, len(lines))
	var out []TraceLine
	for _, l := range lines {
		if !known[l] {
			known[l] = true
			out = append(out, l)
		}
	}
	return out
}
