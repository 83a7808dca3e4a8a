package history

import (
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// caution ranks states for the case that sources of one time disagree: the higher stands.
var caution = map[implant.State]int{
	implant.NeverImplanted: 0, implant.RemovedWhole: 1, implant.Connected: 2, implant.ReportedRemoved: 3,
	implant.StateUnknown: 4, implant.NotConnected: 5, implant.Capped: 6, implant.SoughtNotFound: 7,
	implant.RemovedInPart: 8, implant.Cut: 9,
}

// stateOf gives the state a first-hand fact leads to; "" when it leads to none.
func stateOf(it item) implant.State {
	switch it.Kind {
	case implant.Implanted, implant.Reconnected:
		if it.Certainty != implant.Stated {
			return implant.StateUnknown
		}
		return implant.Connected
	case implant.Removed:
		// What rules read in prose may put a part in or make it doubtful; only codes or a person take it out.
		if it.Value == "whole" && it.Certainty == implant.Stated && it.Basis != implant.Read {
			return implant.RemovedWhole
		}
		return implant.ReportedRemoved
	case implant.RemovedPart:
		return implant.RemovedInPart
	case implant.WasCapped:
		return implant.Capped
	case implant.WasCut:
		return implant.Cut
	case implant.Disconnected:
		return implant.NotConnected
	case implant.SoughtAbsent:
		return implant.SoughtNotFound
	case implant.Wasted:
		if it.Basis == implant.Read || it.Certainty != implant.Stated {
			return implant.ReportedRemoved
		}
		return implant.NeverImplanted
	case implant.Exchanged:
		return implant.StateUnknown
	}
	return ""
}

// assertsPresence says whether a fact means the part stayed in, whatever its state.
func assertsPresence(k implant.FactKind) bool {
	return k == implant.LeftInPlace || k == implant.Repositioned || k == implant.Adjusted
}

// settle works out what became of the part, and its dates, place, label and evidence.
func (f *fold) settle(p *part) {
	slices.SortFunc(p.told, compareItems)
	f.settleState(p)
	f.settlePlace(p)
	f.settleLabel(p)
	for _, it := range p.told {
		if it.Kind == implant.Implanted && !p.Implanted.Known() {
			p.Implanted = it.At
		}
		if !slices.Contains(p.Evidence, it.Source) {
			p.Evidence = append(p.Evidence, it.Source)
		}
	}
	if !p.State.InBody() {
		p.Removed = p.Since
	}
	if p.listed() && p.State.InBody() && p.Component.Model == "" && p.Component.DI == "" {
		f.ask(implant.AskIdentityUnknown, string(p.Component.Kind), []*part{p}, firstSource(p)...)
	}
	if p.has(implant.Implanted, always) && !p.Implanted.Known() && p.State.InBody() {
		f.ask(implant.AskDateMissing, "date of implantation", []*part{p}, firstSource(p)...)
	}
}

func firstSource(p *part) []implant.Source {
	if len(p.told) == 0 {
		return nil
	}
	return []implant.Source{p.told[0].Source}
}

func (f *fold) settleState(p *part) {
	var first []item // first-hand facts about the state
	for _, it := range p.told {
		if stateOf(it) != "" {
			first = append(first, it)
		}
	}
	top := withoutVague(latest(withoutLateNotes(first)))
	if len(top) == 0 {
		f.settleByWord(p)
		return
	}
	p.State, p.Since = stateOf(top[0]), top[0].At
	for _, it := range top[1:] {
		if s := stateOf(it); caution[s] > caution[p.State] {
			p.State, p.Since = s, it.At
		}
	}
	f.checkAgreement(p, top)
	f.checkWasted(p, top)
	f.checkPresence(p, top)
	f.checkRemovedFirst(p)
	f.weighWords(p, top)
	// A removal is believed of something named: a Device that never came may be anything, or a part of something.
	byPerson := slices.ContainsFunc(top, func(it item) bool { return it.Basis == implant.Reviewed })
	if p.State == implant.RemovedWhole && !byPerson && len(p.Refs) > 0 && !slices.ContainsFunc(p.Refs, f.came) {
		p.State = implant.ReportedRemoved
	}
}

// withoutLateNotes leaves out a plain "removed" of a note that was written in the days after a removal that is coded
// whole: it tells of the same occasion, and saying less is no contradiction.
func withoutLateNotes(first []item) []item {
	return slices.DeleteFunc(slices.Clone(first), func(it item) bool {
		return it.Kind == implant.Removed && it.Basis == implant.Read && slices.ContainsFunc(first, func(x item) bool {
			return stateOf(x) == implant.RemovedWhole && x.dated && it.dated && x.before(it) && ofRemoval(it, x)
		})
	})
}

// withoutVague leaves out a plain "removed" beside a fact of the same time that says the part came out whole: saying
// less is no contradiction.
func withoutVague(top []item) []item {
	if !slices.ContainsFunc(top, func(it item) bool { return stateOf(it) == implant.RemovedWhole }) {
		return top
	}
	return slices.DeleteFunc(top, func(it item) bool { return it.Kind == implant.Removed && stateOf(it) == implant.ReportedRemoved })
}

// latest keeps the facts that no other is surely after; reviewed ones alone where there are any.
func latest(its []item) []item {
	var top []item
	for i, a := range its {
		late := !slices.ContainsFunc(its[i+1:], a.before) && !slices.ContainsFunc(its[:i], a.before)
		if late {
			top = append(top, a)
		}
	}
	reviewed := func(it item) bool { return it.Basis != implant.Reviewed }
	if slices.ContainsFunc(top, func(it item) bool { return it.Basis == implant.Reviewed }) {
		top = slices.DeleteFunc(top, reviewed)
	}
	return top
}

// checkAgreement asks where facts of one time lead to different states.
func (f *fold) checkAgreement(p *part, top []item) {
	states := map[implant.State]bool{}
	undated := false
	var src []implant.Source
	for _, it := range top {
		states[stateOf(it)] = true
		undated = undated || !it.dated
		src = append(src, it.Source)
	}
	if len(states) > 1 && !sameInKind(states) {
		code := implant.AskStatesConflict
		if undated || states[implant.Connected] && (states[implant.RemovedWhole] || states[implant.ReportedRemoved]) {
			code = implant.AskOrderUnknown
		}
		f.ask(code, joinStates(states), []*part{p}, src...)
		if !p.State.InBody() || p.State == implant.Connected {
			p.State = implant.ReportedRemoved
		}
	}
	for _, it := range top {
		if it.Kind == implant.Exchanged {
			f.ask(implant.AskActionAmbiguous, it.Value, []*part{p}, it.Source)
		}
	}
	if p.State == implant.ReportedRemoved && len(states) == 1 {
		f.ask(implant.AskRemovalDoubtful, "", []*part{p}, src...)
	}
}

// sameInKind says whether states only say more or less of one thing: a part that stays and no longer works. A lead
// that is disconnected, cut and capped is no contradiction; the most cautious word stands.
func sameInKind(states map[implant.State]bool) bool {
	for s := range states {
		if s != implant.NotConnected && s != implant.Capped && s != implant.Cut && s != implant.RemovedInPart {
			return false
		}
	}
	return true
}

func joinStates(m map[implant.State]bool) string {
	var ss []string
	for s := range m {
		ss = append(ss, string(s))
	}
	slices.Sort(ss)
	return strings.Join(ss, " / ")
}

// checkPresence asks where a part counts as out and a fact not surely earlier says it stayed in.
func (f *fold) checkPresence(p *part, top []item) {
	if p.State.InBody() {
		return
	}
	for _, it := range p.told {
		contradicts := assertsPresence(it.Kind) || it.Kind == implant.PresentByWord
		if contradicts && !slices.ContainsFunc(top, it.before) && it.Basis != implant.Reviewed && !anyReviewed(top) {
			f.ask(implant.AskStatesConflict, string(p.State)+" / "+string(it.Kind), []*part{p}, it.Source, top[0].Source)
			p.State = implant.ReportedRemoved
			return
		}
	}
}

// checkWasted asks where a part that one source put in is said never to have been: wasting undoes no implantation.
func (f *fold) checkWasted(p *part, top []item) {
	if p.State == implant.NeverImplanted && p.has(implant.Implanted, always) && !anyReviewed(top) {
		f.ask(implant.AskStatesConflict, "implanted / not-implanted", []*part{p}, top[0].Source)
		p.State = implant.ReportedRemoved
	}
}

// checkRemovedFirst asks where sources that name the part take it out, wholly or in part, before they put it in for
// the first time: one of the dates is wrong, or somebody put it in before.
func (f *fold) checkRemovedFirst(p *part) {
	if !p.State.InBody() {
		return
	}
	var in []item
	for _, it := range p.told {
		if it.Kind == implant.Implanted {
			in = append(in, it)
		}
	}
	for _, it := range p.told {
		out := it.Kind == implant.Removed || it.Kind == implant.RemovedPart
		if out && len(in) > 0 && !anyReviewed(in) && !slices.ContainsFunc(in, func(i item) bool { return !it.before(i) }) {
			f.ask(implant.AskOrderUnknown, "removed "+string(it.At)+" / implanted "+string(in[0].At), []*part{p}, it.Source, in[0].Source)
			return
		}
	}
}

func anyReviewed(its []item) bool {
	return slices.ContainsFunc(its, func(it item) bool { return it.Basis == implant.Reviewed })
}

// weighWords lets second-hand words make a part that is in place doubtful, never the other way round.
func (f *fold) weighWords(p *part, top []item) {
	if p.State != implant.Connected {
		return
	}
	for _, it := range p.told {
		if it.Kind == implant.ReportedGone && !slices.ContainsFunc(top, func(t item) bool { return it.before(t) }) &&
			!anyReviewed(top) {
			p.State, p.Since = implant.ReportedRemoved, it.At
			f.ask(implant.AskRemovalDoubtful, it.Value, []*part{p}, it.Source)
			return
		}
	}
}

// settleByWord decides for a part that no first-hand fact speaks of.
func (f *fold) settleByWord(p *part) {
	p.State = implant.StateUnknown
	var gone, here []item
	for _, it := range p.told {
		switch {
		case it.Kind == implant.ReportedGone:
			gone = append(gone, it)
		case it.Kind == implant.PresentByWord || assertsPresence(it.Kind):
			here = append(here, it)
		}
	}
	if len(gone) == 0 {
		if len(here) > 0 {
			p.Since = here[0].At
		}
		return
	}
	last := gone[len(gone)-1]
	overtaken := slices.ContainsFunc(here, func(h item) bool { return !h.before(last) })
	if !overtaken {
		p.State, p.Since = implant.ReportedRemoved, last.At
		f.ask(implant.AskRemovalDoubtful, last.Value, []*part{p}, last.Source)
		return
	}
	f.ask(implant.AskStatesConflict, "reported-present / reported-removed", []*part{p}, last.Source)
}

// settleLabel takes the most cautious MR status any source states, and asks where they differ.
func (f *fold) settleLabel(p *part) {
	rank := map[implant.MRStatus]int{implant.MRSafe: 1, implant.MRConditional: 2, implant.NotEvaluated: 3,
		implant.LabelSilent: 4, implant.MRUnsafe: 5}
	var seen []string
	var src []implant.Source
	for _, it := range p.told {
		switch it.Kind {
		case implant.MRLabel:
			s := implant.MRStatus(it.Value)
			if rank[s] == 0 {
				continue
			}
			if !slices.Contains(seen, it.Value) {
				seen = append(seen, it.Value)
				src = append(src, it.Source)
			}
			if rank[s] > rank[p.Label] {
				p.Label = s
			}
		case implant.Function:
			p.Function = worseFunction(p.Function, it.Value)
		}
	}
	if len(seen) > 1 {
		slices.Sort(seen)
		f.ask(implant.AskLabelConflict, strings.Join(seen, " / "), []*part{p}, src...)
	}
	wire := p.Component.Kind == implant.Lead || p.Component.Kind == implant.Extension || p.Component.Kind == implant.Adaptor
	broken := p.Function == "non-functional" || p.Function == "disabled"
	if wire && broken && (p.State == implant.Connected || p.State == implant.StateUnknown) {
		p.State = implant.NotConnected
	}
}

// worseFunction keeps the less reassuring of two implant status codes.
func worseFunction(a, b string) string {
	rank := map[string]int{"": 0, "functional": 1, "unknown": 2, "disabled": 3, "non-functional": 4}
	if rank[b] > rank[a] {
		return b
	}
	return a
}

// listed says whether the part belongs on the record: things merely used during a procedure do not, unless they
// are of a kind that stays in bodies.
func (p *part) listed() bool {
	onlyNamed := !slices.ContainsFunc(p.told, func(it item) bool {
		ofPatient := it.Kind == implant.Described && it.st.Type == "Device" && it.st.Patient != ""
		return ofPatient || stateOf(it) != "" || assertsPresence(it.Kind) || it.Kind == implant.PresentByWord ||
			it.Kind == implant.ReportedGone ||
			it.Kind == implant.Mentioned && !strings.Contains(it.Source.Path, "usedReference")
	})
	if !onlyNamed {
		return true
	}
	k := p.Component.Kind
	return len(p.told) > 0 && k != implant.Unidentified && k != implant.Hardware &&
		slices.ContainsFunc(p.told, func(it item) bool { return it.Kind == implant.Mentioned || it.st.Patient != "" })
}
