package history

import (
	"cmp"
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// matters says whether an open question of this kind must keep the MR verdict from being settled. What only
// describes (a missing date, an old label word) is shown and left to the rules that need it.
func matters(code implant.QuestionCode) bool {
	switch code {
	case implant.AskDateMissing, implant.AskDateDoubtful, implant.AskIdentityUnknown, implant.AskLabelOldWords,
		implant.AskRemovalDoubtful, implant.AskCodeUnknown, implant.AskLabelConflict, implant.AskOrdered, implant.AskStillListed:
		return false
	}
	return true
}

// openQuestions collects what facts and their conflicts leave open, and apart from it what a person has answered.
func (f *fold) openQuestions(doubts []implant.Question) (out []implant.Question, answered []implant.Answered) {
	f.askedBySources()
	f.askMissing()
	f.askPatient()
	f.askLacking()
	f.askStillListed()
	for _, key := range f.unordered {
		f.ask(implant.AskVersionsUnordered, key, f.partsOf(key), implant.Source{Key: key})
	}
	all := append(f.asked, doubts...)
	seen := map[string]bool{}
	for _, q := range all {
		slices.Sort(q.Parts)
		q.Parts = slices.Compact(q.Parts)
		slices.SortFunc(q.Sources, compareSources)
		q.Sources = slices.Compact(q.Sources)
		q.ID = f.questionID(q)
		if seen[q.ID] || f.askedOfRests(q) {
			continue
		}
		seen[q.ID] = true
		if by, ok := f.answered[q.ID]; ok {
			answered = append(answered, answer(q, by))
		} else {
			out = append(out, q)
		}
	}
	answered = append(answered, f.setAside()...)
	order := func(a, b implant.Question) int { return cmp.Or(cmp.Compare(a.Code, b.Code), cmp.Compare(a.ID, b.ID)) }
	slices.SortFunc(out, order)
	slices.SortFunc(answered, func(a, b implant.Answered) int {
		return cmp.Or(order(a.Question, b.Question), compareSources(a.Said, b.Said), cmp.Compare(a.At, b.At))
	})
	return out, answered
}

// answer says who settled a question. An answer that comes with facts of its own is a correction.
func answer(q implant.Question, by item) implant.Answered {
	how := implant.Accepted
	if slices.ContainsFunc(by.st.Facts, func(x implant.Fact) bool { return x.Kind != implant.Answer }) {
		how = implant.Corrected
	}
	return implant.Answered{Question: q, How: how, Said: by.Source, At: implant.Instant(by.st.Version.LastUpdated)}
}

// setAside lists what people have left unread.
func (f *fold) setAside() (out []implant.Answered) {
	for _, it := range f.items {
		if it.Kind != implant.SetAside {
			continue
		}
		q := implant.Question{Code: implant.AskMessageUnread, Detail: it.Value, Sources: []implant.Source{{Key: it.Component.Ref}}}
		q.ID = f.questionID(q)
		a := implant.Answered{Question: q, How: implant.WasSetAside, Said: it.Source, At: implant.Instant(it.st.Version.LastUpdated)}
		if !slices.ContainsFunc(out, func(x implant.Answered) bool { return x.Said == a.Said }) {
			out = append(out, a)
		}
	}
	return out
}

// questionID rests on the words that raised the question and on the body they stand in, so that an answer
// outlives a re-reading and is asked for again when the source changes.
func (f *fold) questionID(q implant.Question) string {
	ids := []string{string(q.Code), q.Detail}
	for _, s := range q.Sources {
		ids = append(ids, s.Key, s.Path, s.Quote)
		for _, c := range f.current {
			if c.Key == s.Key && s.Quote != "" {
				ids = append(ids, c.Version.Hash)
			}
		}
	}
	return "q-" + shortHash(ids...)
}

// askedBySources turns the doubts that readers raised into questions.
func (f *fold) askedBySources() {
	for _, it := range f.items {
		switch it.Kind {
		case implant.Unread:
			f.ask(implant.AskMessageUnread, it.Value, nil, it.Source)
		case implant.Doubt:
			var ps []*part
			if p := f.byRef[it.Component.Ref]; p != nil {
				ps = []*part{p}
			}
			if it.Value != string(implant.AskOrdered) || !f.carriedOut(it) {
				f.ask(implant.QuestionCode(it.Value), it.Component.Words, ps, it.Source)
			}
		case implant.Abandoned:
			f.ask(implant.AskNotDone, string(it.Component.Kind), nil, it.Source)
		case implant.Mentioned:
			f.askAboutMention(it)
		}
	}
}

// carriedOut says whether something was put in that may be what was ordered.
func (f *fold) carriedOut(order item) bool {
	return slices.ContainsFunc(f.items, func(it item) bool { return it.Kind == implant.Implanted && !it.before(order) })
}

// askStillListed asks about what a problem list still names and all of which is out: entries are seldom taken off such
// lists, so one that was recorded before the removal says nothing against it. One that nothing dates does (checkPresence).
func (f *fold) askStillListed() {
	for _, it := range f.items {
		if it.Kind != implant.PresentByWord || it.Value != listed || !it.dated {
			continue
		}
		var out []*part
		for _, p := range f.parts {
			if slices.ContainsFunc(p.told, func(x item) bool { return x.Fact == it.Fact && x.st == it.st }) {
				out = append(out, p)
			}
		}
		if len(out) > 0 && !slices.ContainsFunc(out, func(p *part) bool { return p.State != implant.RemovedWhole }) {
			f.ask(implant.AskStillListed, "recorded "+string(implant.Day(it.from))+", removed "+string(out[0].Removed), out, it.Source)
		}
	}
}

// listed is the Value of what a problem list tells (package intake).
const listed = "listed"

// askAboutMention asks for the action where a Device is named as the focus of a procedure, or an implant as used in
// one, and nothing else is known of what was done to it.
func (f *fold) askAboutMention(it item) {
	p := f.byRef[it.Component.Ref]
	used := strings.Contains(it.Source.Path, "Procedure.usedReference")
	if p == nil || !strings.Contains(it.Source.Path, "focalDevice") && !(used && p.listed()) {
		return
	}
	known := slices.ContainsFunc(p.told, func(x item) bool { return stateOf(x) != "" && sameOccasion(x, it) })
	if !known {
		f.ask(implant.AskActionMissing, "", []*part{p}, it.Source)
	}
}

// askMissing asks for Devices that are referred to and never came. One that was merely used may be anything until its
// Device says what it is.
func (f *fold) askMissing() {
	for _, p := range f.parts {
		var shown []*part
		if p.listed() {
			shown = []*part{p}
		} else if !p.has(implant.Mentioned, always) {
			continue
		}
		for _, ref := range p.Refs {
			if f.came(ref) || !p.State.InBody() {
				continue
			}
			f.ask(implant.AskDeviceMissing, ref, shown, firstSource(p)...)
		}
	}
}

// askPatient asks who the patient of an open MR order is when no Patient ever came: without its identifiers what is
// recorded under another number is not found. It names no order: a further order must not change what is asked, or the
// banners of all the others would be sent again.
func (f *fold) askPatient() {
	ordered := false
	for _, s := range f.current {
		if s.Person != nil {
			return
		}
		ordered = ordered || s.Referral != nil && s.Referral.Open() && s.Referral.MR != implant.No
	}
	if ordered {
		f.ask(implant.AskPatientMissing, "", nil)
	}
}

// came says whether the Device of a key came, by itself or contained in another resource.
func (f *fold) came(ref string) bool {
	base, _, contained := strings.Cut(ref, "#")
	return f.known[ref] || contained && f.known[base]
}

// partsOf lists the parts that rest on a source.
func (f *fold) partsOf(key string) []*part {
	var ps []*part
	for _, p := range f.parts {
		if slices.ContainsFunc(p.told, func(it item) bool { return it.st.Key == key }) {
			ps = append(ps, p)
		}
	}
	return ps
}

// askLacking asks about sources that were read without something they should have said: an error among the findings
// of a readable resource. Of those that tell of devices it matters to the MR verdict.
func (f *fold) askLacking() {
	for _, s := range f.current {
		for _, n := range s.Findings {
			if n.Severity != "error" || s.Void {
				continue
			}
			code := implant.AskCodeUnknown
			switch s.Type {
			case "Procedure", "Device", "DeviceUseStatement", "DocumentReference", "DiagnosticReport", "Composition":
				code = implant.AskMessageUnread
			}
			f.ask(code, n.Path+": "+n.Text, f.partsOf(s.Key), implant.Source{Key: s.Key, Path: n.Path})
		}
	}
}

// maxNoted bounds the findings shown on a record.
const maxNoted = 100

// noted lists what reading the sources had to mend or leave out; mere information is left off.
func (f *fold) noted() []implant.Noted {
	var out []implant.Noted
	for _, s := range f.current {
		for _, n := range s.Findings {
			if n.Severity != "information" && len(out) < maxNoted {
				out = append(out, implant.Noted{Key: s.Key, Finding: n})
			}
		}
	}
	return out
}
