package history

import (
	"slices"
	"testing"
	"time"

	"gaussline/mapping/implant"
)

// What a critical reader tried: ways in which the record might say less than the evidence allows. The rule behind
// every case is the project's own (the record never becomes safer by guessing); conventions on partial explants
// are common practice, no source.

func wordsOn(kind implant.FactKind, part implant.Kind, count int, at implant.When, value string) implant.Fact {
	f := prose(kind, part, count, at)
	f.Value = value
	return f
}

// A document about a replacement, dated by the day it was typed, tells again that the old generator came out. It
// must not take out the new one.
func TestRetoldRemovalSparesTheReplacement(t *testing.T) {
	swap := st("p/swap", 1, act(implant.Removed, "d/gen", day(50)), act(implant.Implanted, "d/gen2", day(50)))
	note := st("n/1", 5, wordsOn(implant.Removed, implant.Generator, 1, day(51), "whole"))
	r := foldAll(gen, lead1, lead2, first, gen2, swap, note)
	if got := stateOfRef(t, r, "d/gen2"); !got.InBody() {
		t.Errorf("the new generator is %q by words about the old one", got)
	}
	if got := stateOfRef(t, r, "d/gen"); got != implant.RemovedWhole {
		t.Errorf("the old generator is %q", got)
	}
}

// A removal of a lead says nothing for certain of a part whose kind nobody knows, and the other way round: knowing
// less of a part must not take it out.
func TestRemovalNeedsTheKind(t *testing.T) {
	unknown := device("d/x", "", "", "")
	in := st("p/in", 1, act(implant.Implanted, "d/x", day(10)))
	out := st("n/1", 5, wordsOn(implant.Removed, implant.Lead, 1, day(50), "whole"))
	if got := stateOfRef(t, foldAll(unknown, in, out), "d/x"); !got.InBody() {
		t.Errorf("a part of unknown kind is %q after the removal of a lead", got)
	}
	vague := st("n/1", 5, wordsOn(implant.Removed, implant.Unidentified, 1, day(50), "whole"))
	alone := st("p/in", 1, act(implant.Implanted, "d/gen", day(10)))
	if got := stateOfRef(t, foldAll(gen, alone, vague), "d/gen"); !got.InBody() {
		t.Errorf("the generator is %q after the removal of something", got)
	}
}

// "One lead was opened and wasted" at a revision does not undo the implantation of a lead years before.
func TestWastedIsNotWhatWasPutInBefore(t *testing.T) {
	in := st("p/in", 1, act(implant.Implanted, "d/l1", day(10)))
	note := st("n/1", 5, wordsOn(implant.Wasted, implant.Lead, 1, day(400), ""))
	if got := stateOfRef(t, foldAll(lead1, in, note), "d/l1"); got != implant.Connected {
		t.Errorf("by words: the lead is %q", got)
	}
	coded := st("p/w", 1, act(implant.Wasted, "d/l1", day(400)))
	r := foldAll(lead1, in, coded)
	if got := stateOfRef(t, r, "d/l1"); !got.InBody() || !asks(r, implant.AskStatesConflict) {
		t.Errorf("by code: the lead is %q, questions %v", got, r.Questions)
	}
}

// Leads of one model that carry one placeholder, or one copied serial number, are still two leads.
func TestSharedSerialNumbersJoinNothing(t *testing.T) {
	for _, serial := range []string{"UNKNOWN", "n/a", "0000", "see label", "SN-COPIED"} {
		a, b := device("d/l1", implant.Lead, "TB-L45", serial), device("d/l2", implant.Lead, "TB-L45", serial)
		r := foldAll(a, b, st("p/in", 1, act(implant.Implanted, "d/l1", day(10)), act(implant.Implanted, "d/l2", day(10))))
		if len(r.Parts) != 2 {
			t.Errorf("serial %q: two leads put in are %d parts", serial, len(r.Parts))
		}
	}
	a, b := device("d/l1", implant.Lead, "TB-L45", "S1"), device("other/l1", implant.Lead, "TB-L45", "s 1")
	if r := foldAll(a, b, st("p/in", 1, act(implant.Implanted, "d/l1", day(10))), st("q/in", 1, act(implant.Implanted, "other/l1", day(10)))); len(r.Parts) != 1 {
		t.Errorf("one lead told by two senders is %d parts", len(r.Parts))
	}
}

// Words about several parts that cannot be told apart hold for each where they warn: an unsafe label, a lost function,
// an exchange that says neither old nor new.
func TestWarningWordsReachEveryPartTheyMayMean(t *testing.T) {
	for kind, value := range map[implant.FactKind]string{implant.MRLabel: string(implant.MRUnsafe), implant.Function: "non-functional", implant.Exchanged: ""} {
		note := st("n/1", 5, wordsOn(kind, implant.Lead, 0, day(50), value))
		r := foldAll(gen, lead1, lead2, first, note)
		for _, p := range r.Parts {
			if p.Component.Kind != implant.Lead {
				continue
			}
			said := p.Label == implant.MRUnsafe || p.Function == "non-functional" || p.State == implant.StateUnknown
			if !said {
				t.Errorf("%s: lead %s heard nothing of it: %s", kind, p.ID, p.State)
			}
		}
	}
}

// A Device that names the patient and nothing else that we know may be in that patient (R4 Device.patient: "Patient to
// whom Device is affixed").
func TestUnknownDeviceOfThePatientIsListed(t *testing.T) {
	if r := foldAll(device("d/x", "", "", "")); len(r.Parts) != 1 {
		t.Errorf("an unknown device of the patient is %d parts", len(r.Parts))
	}
}

// A device used at a procedure whose Device resource never came may be anything.
func TestUsedDeviceThatNeverCameIsAskedFor(t *testing.T) {
	f := act(implant.Mentioned, "d/ghost", day(10))
	f.Source.Path = "Procedure.usedReference[0]"
	p := st("p/1", 1, f)
	if r := foldAll(p); !asks(r, implant.AskDeviceMissing) {
		t.Error("nobody asks for the device")
	}
	drill := device("d/ghost", "", "", "")
	drill.Patient = ""
	if r := foldAll(p, drill); len(r.Questions) != 0 || len(r.Parts) != 0 {
		t.Errorf("a tool that is known is asked about: %s", dump(r))
	}
}

// A day is the day of the place, which no dateTime of day precision says: an instant of the day before in UTC may be
// of the same day (zones reach from -12 to +14 hours). In and out on one day stays an open order.
func TestDayAndInstantOfOneLocalDay(t *testing.T) {
	in := act(implant.Implanted, "d/l1", implant.Instant(time.Date(2026, 3, 10, 22, 0, 0, 0, time.UTC))) // 08:00 on the 11th at +10:00
	r := foldAll(lead1, st("p/in", 1, in), st("p/out", 1, act(implant.Removed, "d/l1", "2026-03-11")))
	if got := stateOfRef(t, r, "d/l1"); !got.InBody() || !asks(r, implant.AskOrderUnknown) {
		t.Errorf("the lead is %q", got)
	}
}

// As of a day within the time that a removal may have happened, the part may still be there.
func TestRemovalOfUnsureDateAsOfADay(t *testing.T) {
	ss := []implant.Statement{lead1, st("p/in", 1, act(implant.Implanted, "d/l1", "2025-02-01")), st("p/out", 1, act(implant.Removed, "d/l1", "2026"))}
	at := func(on time.Time) implant.State {
		return stateOfRef(t, Fold(Input{Patients: []string{pat}, Statements: ss, On: on}), "d/l1")
	}
	if got := at(time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)); !got.InBody() {
		t.Errorf("in the middle of the year the lead is %q", got)
	}
	if got := at(time.Date(2027, 6, 1, 0, 0, 0, 0, time.UTC)); got != implant.RemovedWhole {
		t.Errorf("a year later the lead is %q", got)
	}
}

// The same words twice, as a note of the procedure and as a document, are one act.
func TestOneNoteToldTwice(t *testing.T) {
	said := []implant.Fact{wordsOn(implant.Implanted, implant.Lead, 2, day(10), ""), wordsOn(implant.Removed, implant.Generator, 1, day(10), "whole")}
	again := slices.Clone(said)
	r := foldAll(gen, st("p/g", 1, act(implant.Implanted, "d/gen", day(2))), st("p/n", 3, said...), st("doc/n", 4, again...))
	leads := 0
	for _, p := range r.Parts {
		if p.Component.Kind == implant.Lead && p.State.InBody() {
			leads++
		}
	}
	if leads != 2 {
		t.Errorf("%d leads, want 2: %s", leads, dump(r))
	}
}

// A Device whose status turns inactive after the explant tells nothing more: it makes no second event of its removal.
func TestRemovalIsOneEvent(t *testing.T) {
	out := st("p/out", 1, act(implant.Removed, "d/l1", day(50)))
	gone := func(ref string) implant.Fact {
		return implant.Fact{Kind: implant.ReportedGone, Component: implant.Component{Ref: ref}}
	}
	r := foldAll(gen, lead1, lead2, first, out, st("s/dev", 80, gone("d/l1"), gone("d/l2")))
	i := slices.IndexFunc(r.Events, func(e implant.Event) bool { return e.Kind == implant.EventReportedRemoved })
	if i < 0 || len(r.Events[i].Parts) != 1 {
		t.Errorf("events: %s", dump(implant.Record{Events: r.Events}))
	}
}

// What a note says of the right lead does not touch the left one, nor move it, where a coded source says the sides.
func TestNoteOfOneSideSparesTheOther(t *testing.T) {
	at := func(ref string, side implant.Side) implant.Statement {
		return st("use/"+ref, 2, implant.Fact{Kind: implant.PresentByWord, Component: implant.Component{Ref: ref}, At: day(11), Site: implant.Site{Side: side, Level: "L3"}})
	}
	base := []implant.Statement{gen, lead1, lead2, first, at("d/l1", implant.Left), at("d/l2", implant.Right)}
	words := func(kind implant.FactKind, side implant.Side, level string) implant.Statement {
		f := wordsOn(kind, implant.Lead, 1, day(50), "whole")
		f.Site = implant.Site{Side: side, Level: level}
		return st("n/1", 5, f)
	}
	sideOf := func(r implant.Record, ref string) implant.Side {
		for _, p := range r.Parts {
			if slices.Contains(p.Refs, ref) {
				return p.Site.Side
			}
		}
		return ""
	}
	for _, c := range []struct {
		kind  implant.FactKind
		level string
		right implant.State
	}{{implant.Removed, "", implant.ReportedRemoved}, {implant.WasCapped, "", implant.Capped}, {implant.Repositioned, "L2", implant.Connected}} {
		r := foldAll(append(slices.Clone(base), words(c.kind, implant.Right, c.level))...)
		if got := stateOfRef(t, r, "d/l1"); got != implant.Connected {
			t.Errorf("%s of the right lead: the left one is %q", c.kind, got)
		}
		if l, rt := sideOf(r, "d/l1"), sideOf(r, "d/l2"); l != implant.Left || rt != implant.Right {
			t.Errorf("%s of the right lead: sides are %s and %s", c.kind, l, rt)
		}
		if got := stateOfRef(t, r, "d/l2"); got != c.right || len(r.Parts) != 3 {
			t.Errorf("%s of the right lead: it is %q among %d parts", c.kind, got, len(r.Parts))
		}
	}

	// Words about where a part lay before it was moved still mean it.
	moved := st("p/move", 3, implant.Fact{Kind: implant.Repositioned, Component: implant.Component{Ref: "d/gen"}, At: day(40), Site: implant.Site{Side: implant.Right}})
	was := st("use/gen", 2, implant.Fact{Kind: implant.PresentByWord, Component: implant.Component{Ref: "d/gen"}, At: day(11), Site: implant.Site{Side: implant.Left}})
	old := wordsOn(implant.PresentByWord, implant.Generator, 1, day(20), "")
	old.Site.Side = implant.Left
	if r := foldAll(append(slices.Clone(base), was, moved, st("n/2", 5, old))...); len(r.Parts) != 3 || sideOf(r, "d/gen") != implant.Right {
		t.Errorf("a generator moved to the right: %s", dump(r))
	}
}

// "Explanted" of a Device that never came takes nothing out for certain: nobody knows what it was (the design asks that
// evidence of a removal names what was removed whole).
func TestRemovalOfADeviceThatNeverCame(t *testing.T) {
	out := st("p/out", 1, act(implant.Removed, "d/nobody", day(50)))
	r := foldAll(out)
	if got := stateOfRef(t, r, "d/nobody"); got != implant.ReportedRemoved || !asks(r, implant.AskDeviceMissing) {
		t.Errorf("it is %q; questions %s", got, dump(implant.Record{Questions: r.Questions}))
	}
	if r := foldAll(out, device("d/nobody", implant.Lead, "TB-L45", "L9")); stateOfRef(t, r, "d/nobody") != implant.RemovedWhole || len(r.Questions) > 0 {
		t.Errorf("once it came: %s", dump(r))
	}
	person := act(implant.Removed, "d/nobody", day(60))
	person.Basis = implant.Reviewed
	if got := stateOfRef(t, foldAll(out, st("review/1", 9, person)), "d/nobody"); got != implant.RemovedWhole {
		t.Errorf("by a person's word it is %q", got)
	}
}

// An MR order for a patient of whom no Patient resource ever came: what is recorded under another number cannot be found,
// and "nothing recorded" would say too much.
func TestOrderForAPatientNobodyDescribed(t *testing.T) {
	o := st("o/1", 1)
	o.Type, o.Referral = "ServiceRequest", &implant.Referral{Status: "active", Intent: "order", MR: implant.Yes}
	if r := foldAll(o); !asks(r, implant.AskPatientMissing) || !r.Questions[0].MR {
		t.Errorf("nobody asks: %s", dump(r))
	}
	another := o
	another.Key = "o/2"
	if a, b := foldAll(o), foldAll(o, another); dump(implant.Record{Questions: a.Questions}) != dump(implant.Record{Questions: b.Questions}) {
		t.Errorf("a further order changes the question, and so every banner: %s", dump(b))
	}
	person := st(pat, 1)
	person.Type, person.Person = "Patient", &implant.Person{Sex: "female"}
	if r := foldAll(o, person); len(r.Questions) > 0 {
		t.Errorf("the patient came: %s", dump(r))
	}
	o.Referral.MR = implant.No
	if r := foldAll(o); len(r.Questions) > 0 {
		t.Errorf("no MR: %s", dump(r))
	}
}

// An implant named as used in a procedure that says nothing of what was done to it is asked about; one that the same
// procedure put in is not.
func TestUsedImplantIsAskedAbout(t *testing.T) {
	used := implant.Fact{Kind: implant.Mentioned, Component: implant.Component{Ref: "d/gen"}, At: day(50), Source: implant.Source{Path: "Procedure.usedReference[0]"}}
	if r := foldAll(gen, lead1, lead2, first, st("p/x", 1, used)); !asks(r, implant.AskActionMissing) {
		t.Errorf("nobody asks: %s", dump(r))
	}
	used.At = day(10)
	if r := foldAll(gen, lead1, lead2, first, st("p/x", 1, used)); asks(r, implant.AskActionMissing) {
		t.Errorf("asked of what was put in: %s", dump(implant.Record{Questions: r.Questions}))
	}
}
