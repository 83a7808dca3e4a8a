package opnote

import (
	"strings"

	"gaussline/mapping/implant"
)

// draft is a finding in the making, with what the rules over the whole note need.
type draft struct {
	Finding
	tok0, tok1 int32
	sent       int
	title      bool // from the title or a heading of procedures
	weak       bool // presence that any telling act outweighs
	system     bool
	plural     bool
	other      bool
	ordinal    int
	act        string
	wholeOK    bool
	old, new   bool
	putBack    bool
	piece      bool
	aspect     bool
	theOne     bool   // "the lead", without a number of its own
	atHeader   bool   // cut at the generator, not in the back
	doubt      string // why a removal is not to be believed
	noun       bool   // the act is only named by a noun
	pron       bool   // the part is a pronoun or left out
	from       int    // sentence of the part it stands for
	motion     bool   // told by a verb of motion: "lifted out"
	pulled     bool   // it broke in being pulled
	of         int    // mention of its sentence that it is about, plus one; 0 none
}

// emit turns the sentence's events and its unbound mentions into drafts.
func (r *reader) emit(s sentence, sc *sentScope) {
	for i := range r.events {
		ev := &r.events[i]
		r.actScope(ev, sc)
		for _, a := range ev.args {
			r.emitAct(s, sc, ev, &r.ments[a])
		}
		if len(ev.args) == 0 {
			r.emitBareUse(s, sc, ev)
			r.emitBarePlan(s, sc, ev)
			r.emitUnnamed(s, sc, ev)
		}
		for _, o := range ev.obliq {
			r.emitOblique(s, sc, ev, &r.ments[o])
		}
	}
	for i := range r.ments {
		m := &r.ments[i]
		if !m.bound && (m.kept || r.wasNot(m) || r.exceptedAfter(m)) && sc.base != ScopePlan && sc.base != ScopeConsent && sc.other == "" && sc.kinFrom == 0 {
			d := r.draftOf(s, m, implant.LeftInPlace, m.tok0, m.tok1)
			d.Scope, d.act, d.Why = r.documentScope(), "leave", "excepted from what came out"
			if d.Scope == ScopeHistory {
				d.Kind = implant.PresentByWord
			}
			r.keep(d)
		} else if m.attr != nil {
			r.emitAttr(s, sc, m)
		} else if !m.bound {
			r.emitMention(s, sc, m)
		}
	}
}

// exceptedAfter says whether the part is named behind an act of taking out as what did not come out: "everything was
// removed apart from the generator".
func (r *reader) exceptedAfter(m *mention) bool {
	w := r.itemText(m.first - 1)
	if m.neg || m.piece || m.aspect || !exceptWords[w] || w == "without" || w == "but" || w == "less" {
		return false
	}
	for i := range r.events {
		if ev := &r.events[i]; ev.item < m.first && (ev.act == "remove" || ev.act == "out") && !ev.neg {
			return true
		}
	}
	return false
}

// wasNot reads "the generator was not" behind an act that took something out.
func (r *reader) wasNot(m *mention) bool {
	k := m.last + 1
	if m.neg || !r.at(k).is(classAux) && r.itemText(k) != "did" || r.itemText(k+1) != "not" || k+2 < len(r.items) && r.itemKind(k+2) != tokPunct {
		if w := r.itemText(k); w != "wasn t" && w != "weren t" && w != "were not" && w != "was not" && w != "did not" || k+1 < len(r.items) && r.itemKind(k+1) != tokPunct {
			return false
		}
	}
	for i := range r.events {
		if ev := &r.events[i]; ev.item < m.first && takesOut[ev.act] && !ev.neg {
			return true
		}
	}
	return false
}

// emitBareUse reads programming or interrogation that names no device: it is done to one that is there.
func (r *reader) emitBareUse(s sentence, sc *sentScope, ev *event) {
	w := r.itemText(ev.item)
	if ev.neg || ev.scope != ScopeCurrent && ev.scope != ScopeHistory || ev.act != "adjust" && ev.act != "check" || ev.act == "adjust" && ev.e.form == formNoun || !(strings.HasPrefix(w, "reprogram") || strings.HasPrefix(w, "re program") || strings.HasPrefix(w, "programmed") || strings.HasPrefix(w, "interrogat")) {
		return
	}
	for i := range r.ments {
		if !r.ments[i].pron {
			return
		}
	}
	m := mention{first: ev.item, last: ev.item, head: ev.item, sent: r.sentNo, tok0: r.items[ev.item].first, tok1: r.items[ev.item].last,
		kind: implant.Generator, system: true, words: w}
	d := r.draftOf(s, &m, actKinds[ev.act], m.tok0, m.tok1)
	d.Scope, d.act, d.weak, d.Why = ev.scope, ev.act, ev.act == "check", "done to a device that is not named: "+w
	if ev.scope == ScopeHistory {
		d.Kind = implant.PresentByWord
	}
	r.keep(d)
}

// emitBarePlan keeps an intended operation that names no part: "re-implantation will be considered".
func (r *reader) emitBarePlan(s sentence, sc *sentScope, ev *event) {
	if ev.scope != ScopePlan || ev.neg || ev.e.form == formParticiple && !ev.passive || r.ownSubject(ev) {
		return
	}
	switch ev.act {
	case "implant", "remove", "replace", "reposition":
	default:
		return
	}
	m := mention{first: ev.item, last: ev.item, head: ev.item, sent: r.sentNo, tok0: r.items[ev.item].first, tok1: r.items[ev.item].last,
		kind: implant.Generator, system: true, words: r.itemText(ev.item)}
	d := r.draftOf(s, &m, implant.Planned, m.tok0, m.tok1)
	d.Scope, d.act, d.Why = ScopePlan, ev.act, "intended, no part named: "+ev.why
	r.keep(d)
}

// strongStay are words that say of something that it stays in the body, whatever it is called.
var strongStay = map[string]bool{"left in situ": true, "left in place": true, "remains in situ": true, "remain in situ": true, "left behind": true, "retained": true,
	"remains in place": true, "remain in place": true, "still in situ": true, "still in place": true, "still in": true, "stays put": true, "left where it was": true,
	"left where they were": true, "remained behind": true, "stay put": true, "capped": true, "capped off": true, "stays": true, "stay": true, "stays in": true}

// notImplanted are things that are left or capped and are no implants.
var notImplanted = wordSet("drain drains wound wounds skin dressing dressings pack packing wick gauze patient she he incision line cannula suture sutures swab fat fascia muscle tissue capsule bone stent tube room department ward hospital scar pain symptoms numbness weakness question reference")

// emitUnnamed reads "it all remains in situ" or "the ... were capped" where the part goes by a name the lexicon does
// not hold: doubt counts as presence.
func (r *reader) emitUnnamed(s sentence, sc *sentScope, ev *event) {
	if !strongStay[r.itemText(ev.item)] || ev.neg || ev.scope != ScopeCurrent && ev.scope != ScopeHistory || len(r.ments) > 0 {
		return
	}
	for p := ev.segL; p < ev.item; p++ {
		if notImplanted[r.itemText(p)] || r.at(p).isAny(classExternal, classTool) {
			return
		}
	}
	kind := implant.Unidentified
	for i := range r.past {
		if k := r.past[i].kind; k == implant.Lead || k == implant.Extension || k == implant.Catheter {
			kind = k
			break
		}
	}
	if kind == implant.Unidentified && len(r.past) == 0 {
		return
	}
	m := mention{first: ev.segL, last: ev.item, head: ev.item, sent: r.sentNo, tok0: r.items[ev.segL].first, tok1: r.items[ev.item].last, kind: kind, cert: implant.Possible}
	d := r.draftOf(s, &m, implant.LeftInPlace, m.tok0, m.tok1)
	if ev.act == "cap" {
		d.Kind = implant.WasCapped
	}
	if ev.scope == ScopeHistory && d.Kind == implant.LeftInPlace {
		d.Kind = implant.PresentByWord
	}
	d.Scope, d.act, d.Why = ev.scope, ev.act, "something stays that goes by no known name: "+r.itemText(ev.item)
	r.keep(d)
}

// draftOf makes a draft over the words of the mention and the act.
func (r *reader) draftOf(s sentence, m *mention, kind implant.FactKind, tok0, tok1 int32) draft {
	d := draft{tok0: min(tok0, m.tok0), tok1: max(tok1, m.tok1), sent: r.sentNo, title: r.inTitle, system: m.system, plural: m.plural,
		other: m.other, ordinal: m.ordinal, old: m.old, new: m.new, aspect: m.aspect}
	d.piece = m.piece
	for i := range r.ments {
		if &r.ments[i] == m {
			d.of = i + 1
		}
	}
	d.theOne = m.definite && m.id.empty()
	if m.sent != r.sentNo || m.pron && m.first == m.last && m.tok0 < tok0 && tok0-m.tok0 > 40 {
		d.tok0, d.tok1 = tok0, tok1
	}
	d.Kind = kind
	d.Component = implant.Component{Kind: m.kind, Words: m.words, Count: m.count, Maker: m.id.maker, Model: m.id.model, Serial: m.id.serial,
		Lot: m.id.lot, DI: m.id.di, UDI: m.id.udi, Expiry: m.id.expiry, Made: m.id.made}
	d.Site = implant.Site{Side: m.side, Level: m.level, Entry: m.entry, Tip: m.tip, Nerve: m.nerve, Pocket: m.pocket}
	d.Certainty = m.cert
	return d
}

// emitAct makes the finding of one act on one part.
func (r *reader) emitAct(s sentence, sc *sentScope, ev *event, m *mention) {
	it := r.items[ev.item]
	r.conductor(ev, m)
	kind := actKinds[ev.act]
	if ev.act != "see" && ev.act != "check" && !r.inTitle {
		r.bodyActs = true
	}
	d := r.draftOf(s, m, kind, it.first, it.last)
	d.act, d.Scope = ev.act, ev.scope
	d.doubt = r.eventDoubt(ev)
	if d.doubt == "" && (ev.act == "remove" || ev.act == "out" || ev.act == "withdraw" || ev.act == "deliver") && ev.e.form != formNoun {
		d.doubt = r.elsewhere(ev, m)
	}
	if w := lowerASCII(m.words); d.doubt == "" && (strings.HasPrefix(w, "excess ") || strings.HasPrefix(w, "slack ") || strings.Contains(w, " excess ") || strings.HasPrefix(w, "redundant ")) && ev.act == "remove" {
		d.doubt = "only what was too long of it"
	}
	if d.doubt == "" && r.itemText(ev.item) == "cut out" && !ev.passive && boxed(m.kind) {
		d.doubt = "it stopped working"
	}
	d.motion = it.sense == "move" || it.sense == "come"
	d.noun, d.pron, d.from = ev.e.form == formNoun, m.pron, m.from
	d.Why = ev.act + ": " + r.itemText(ev.item) + "; " + ev.why
	if m.scope == ScopeFamily || m.scope == ScopeOther {
		d.Scope = m.scope
	}
	m.scope = d.Scope
	if ev.elided || m.pron {
		d.Why += "; part from before"
	}
	if d.Certainty == "" {
		d.Certainty = r.doubt(ev.item)
	}
	if d.Scope != ScopeCurrent || ev.act == "replace" || ev.act == "implant" {
		d.At = r.actDate(ev, sc)
	}
	if d.Scope == ScopeCurrent && sc.date != "" && d.At == "" {
		d.At = r.actDate(ev, sc)
	}
	switch d.Scope {
	case ScopeFamily, ScopeOther:
		d.Kind = orMention(kind)
		r.keep(d)
		return
	case ScopeHypothetical:
		r.emitHypothetical(d, ev, m)
		return
	case ScopePlan, ScopeConsent:
		r.emitPlan(d, ev, m)
		return
	}
	if ev.neg && m.neg && m.kind == implant.Hardware && takesOut[ev.act] {
		return // "no hardware was explanted" says nothing of what there is
	}
	if ev.neg {
		r.emitNegated(d, ev, m)
		return
	}
	r.emitDone(d, ev, m)
}

// emitHypothetical handles "if", "unless", "whether": nothing is done, and what might be taken out is there.
func (r *reader) emitHypothetical(d draft, ev *event, m *mention) {
	h := d
	h.Kind = orMention(actKinds[ev.act])
	r.keep(h)
	if !takesOut[ev.act] && ev.act != "leave" && ev.act != "see" || m.indef || m.new || m.neg {
		return
	}
	d.Kind, d.weak, d.Certainty, d.Scope, d.At = implant.PresentByWord, true, implant.Possible, r.documentScope(), ""
	d.Why += "; what might be taken out is there"
	r.keep(d)
	if ev.passive && r.pastAux(ev.item) && (ev.act == "remove" || ev.act == "out") {
		r.askTokens(implant.AskRemovalDoubtful, "it is asked whether it was removed", d.tok0, d.tok1, "")
	}
}

// conductor turns a pronoun that would be a generator into the lead spoken of before, where the act is one that is
// done to leads.
func (r *reader) conductor(ev *event, m *mention) {
	if !m.pron || m.kind != implant.Generator || m.system {
		return
	}
	switch ev.act {
	case "withdraw", "cut", "cap", "advance":
	default:
		return
	}
	for i := range r.past {
		if p := &r.past[i]; p.kind == implant.Lead || p.kind == implant.Extension {
			m.kind, m.words, m.side, m.id = p.kind, p.words, p.side, identity{}
			return
		}
	}
}

// orMention gives k, or mentioned where the act alone has no kind.
func orMention(k implant.FactKind) implant.FactKind {
	if k == "" {
		return implant.Mentioned
	}
	return k
}

// actDate gives the date that stands nearest the act in its clause.
func (r *reader) actDate(ev *event, sc *sentScope) implant.When {
	if sc.date == "" {
		return ""
	}
	best, dist := implant.When(""), 1<<30
	for _, d := range r.dates {
		k, at := d.k, d.at
		gap := ev.item - k
		if gap < 0 {
			gap = -gap
		}
		if r.strongBetweenAny(k, ev.item) {
			gap += 100
		}
		for p := min(k, ev.item) + 1; p < max(k, ev.item); p++ {
			if r.boundary(p) == 1 {
				gap += 6 // "in 2019 the lead was replaced, and in 2021 ..."
			}
		}
		if at != "" && gap < dist {
			best, dist = at, gap
		}
	}
	return best
}

// emitPlan handles an intention. What is to be taken out, changed or left is there now.
func (r *reader) emitPlan(d draft, ev *event, m *mention) {
	done := r.documentScope() == ScopeCurrent && !r.inTitle
	switch ev.act {
	case "leave":
		if d.Scope == ScopeConsent {
			d.Kind = implant.Planned
			r.keep(d)
			return
		}
		d.Kind, d.Scope = implant.LeftInPlace, r.documentScope()
		d.Why += "; left by intention"
		r.keep(d)
		return
	case "cap", "cut", "disconnect":
		if done && d.Scope == ScopePlan {
			d.Scope = ScopeCurrent
			r.keep(d)
			return
		}
	}
	p := d
	p.Kind = implant.Planned
	switch ev.act {
	case "seek", "see", "check", "touch", "use", "break", "free", "deliver", "secure", "discard":
		if m.indef || m.new {
			return
		}
	default:
		r.keep(p)
	}
	if d.Scope == ScopePlan && ev.act != "implant" && ev.act != "advance" && ev.act != "in" && ev.act != "connect" && ev.act != "tunnel" && ev.act != "secure" && (!m.indef || takesOut[ev.act]) && !m.new {
		d.Kind, d.weak, d.Certainty = implant.PresentByWord, true, implant.Possible
		d.Scope = r.documentScope()
		d.Why += "; what is to be worked on is there"
		r.keep(d)
	}
}

// emitNegated handles an act that is denied.
func (r *reader) emitNegated(d draft, ev *event, m *mention) {
	stays := implant.LeftInPlace
	if d.Scope == ScopeHistory {
		stays = implant.PresentByWord
	}
	switch ev.act {
	case "remove", "out", "withdraw", "disconnect", "cut", "cap", "replace", "reposition", "adjust", "discard", "free":
		if ev.unable && (ev.act == "remove" || ev.act == "withdraw" || ev.act == "out" || ev.act == "free") {
			a := d
			a.Kind = implant.Abandoned
			r.keep(a)
		}
		d.Kind = stays
		d.Why += "; not done, so it stays"
		d.weak = ev.act == "reposition"
		d.act = "leave"
		r.keep(d)
	case "touch":
		d.Kind = stays
		r.keep(d)
	case "check", "deliver":
		if !m.neg {
			d.weak, d.Kind = true, implant.PresentByWord
			r.keep(d)
		}
	case "use":
		if m.definite && !r.primary {
			d.Kind = stays
			r.keep(d)
		}
	case "seek", "see":
		if ev.unable || r.seeking || r.noteType == TypeProcedure && !m.neg && d.Scope == ScopeCurrent && (m.definite || m.count > 0 || m.other || m.piece) {
			d.Kind = implant.SoughtAbsent
		} else if r.noteType == TypeProcedure && !m.neg && d.Scope == ScopeCurrent && (m.side != "" || m.pocket != "") {
			d.Kind, d.weak = implant.PresentByWord, true // "pump in the left abdomen not seen"
		} else {
			d.Kind, d.Scope = implant.DeniedPresence, ScopeNegated
		}
		r.keep(d)
	case "leave", "abandonpart":
		d.Kind, d.Scope = implant.DeniedPresence, ScopeNegated
		r.keep(d)
	case "implant", "advance", "in", "tunnel":
		if ev.unable && r.noteType == TypeProcedure && ev.act == "implant" && !m.old {
			d.Kind = implant.Abandoned
			r.keep(d)
			return
		}
		if m.old || m.definite && ev.act == "advance" || ev.unable && r.noteType != TypeProcedure {
			d.Kind, d.weak = implant.PresentByWord, true
			r.keep(d)
			return
		}
		d.Kind, d.Scope = implant.DeniedPresence, ScopeNegated
		r.keep(d)
	case "secure", "connect":
		if !m.neg {
			d.Kind, d.weak = implant.PresentByWord, true
			r.keep(d)
		}
	}
}

// emitOblique: a part that an act names behind a preposition: what replaces, what it is connected to or held with.
func (r *reader) emitOblique(s sentence, sc *sentScope, ev *event, m *mention) {
	if m.bound || m.neg {
		return
	}
	it := r.items[ev.item]
	d := r.draftOf(s, m, "", it.first, it.last)
	d.Scope, d.act = ev.scope, ev.act
	d.Why = "beside " + ev.act + ": " + r.itemText(ev.item) + "; " + ev.why
	if ev.scope != ScopeCurrent || ev.neg {
		return // read as a plain mention
	}
	fresh := m.new || m.indef || m.id.model != "" || m.id.serial != "" || !m.definite && !m.old
	switch {
	case ev.act == "replace" && m.prep == "with" && len(ev.args) > 0:
		d.Kind = implant.Implanted
		r.turnRemoved(ev)
	case (ev.act == "connect" || ev.act == "tunnel") && fresh && !m.old && (m.kind != implant.Lead):
		d.Kind = implant.Implanted
	case (ev.act == "secure" || ev.act == "implant" || ev.act == "advance" || ev.act == "in") && m.kind == implant.Anchor && m.prep == "with":
		d.Kind = implant.Implanted
	case (ev.act == "remove" || ev.act == "out") && m.prep == "with" && r.togetherWith(m):
		d.Kind = implant.Removed
	default:
		return
	}
	m.bound = true
	r.keep(d)
}

// togetherWith says whether the words before the part say that it shared the act.
func (r *reader) togetherWith(m *mention) bool {
	for p := m.first - 1; p >= 0 && p >= m.first-3; p-- {
		switch r.itemText(p) {
		case "together with", "along with", "as well as", "together":
			return true
		}
	}
	return false
}

// turnRemoved makes the replaced part of an exchange with both halves told a removal.
func (r *reader) turnRemoved(ev *event) {
	for i := len(r.drafts) - 1; i >= 0 && r.drafts[i].sent == r.sentNo; i-- {
		if r.drafts[i].act == "replace" && r.drafts[i].Kind == implant.Exchanged {
			r.drafts[i].Kind = implant.Removed
		}
	}
}

// keep adds a draft.
func (r *reader) keep(d draft) { r.drafts = append(r.drafts, d) }
