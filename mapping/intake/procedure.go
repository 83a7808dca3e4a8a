package intake

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/procedure_go_proto"
)

// mode is how much a status lets a resource say.
type mode int

const (
	done    mode = iota // it happened
	planned             // it did not happen, or not yet
	halted              // it was begun and not finished, or may not have been
)

// operation is what the facts of one Procedure share.
type operation struct {
	status    string
	mode      mode
	certainty implant.Certainty
	at        implant.When
	site      implant.Site
	rest      string // words that speak of something left in, "" none: then no removal is whole
	acts      []codes.Act
	actWords  string
}

// modeOf: only completed supports "in" and "out"; in progress with care; unknown means that one of the others
// holds (FHIR R4, Procedure.status).
func modeOf(status string) (mode, implant.Certainty) {
	switch status {
	case "completed":
		return done, implant.Stated
	case "in-progress":
		return done, implant.Probable
	case "unknown", "":
		return done, implant.Possible
	case "stopped", "on-hold":
		return halted, implant.Stated
	}
	return planned, implant.Stated // preparation, not-done
}

func (r *reader) procedure(p *ppb.Procedure) {
	r.subject("Procedure.subject", p.GetSubject())
	op := operation{status: codeOf(p.GetStatus().GetValue())}
	if op.status == enteredInError {
		r.st.Void = true
		return
	}
	op.mode, op.certainty = modeOf(op.status)
	r.procedureMentions(p)
	op.at = r.performed(p.GetPerformed())
	op.site = r.sites("Procedure.bodySite", p.GetBodySite(), p.GetExtension())
	codings, _ := concept(p.GetCode())
	for _, c := range codings {
		if a, ok := codes.ProcedureAct(c); ok {
			op.acts = append(op.acts, a)
			op.actWords = label(p.GetCode())
		}
	}
	coded := len(r.st.Facts)
	r.procedureProse(p, &op)
	read := slices.Clone(r.st.Facts[coded:]) // prose is read first, as it may speak of a rest, and stands last
	r.st.Facts = r.st.Facts[:coded]
	op.rest = firstOf(r.saysRest(p), r.rest)
	for i, fd := range p.GetFocalDevice() {
		r.focalDevice(&op, fd, fmt.Sprintf("Procedure.focalDevice[%d]", i))
	}
	if len(p.GetFocalDevice()) == 0 {
		r.actsWithoutDevice(&op)
	}
	for i, u := range p.GetUsedReference() {
		d := r.resolve(u, "")
		if d.typ == "Device" || d.typ == "" && d.key != "" {
			r.mention(d.key)
			r.fact(implant.Fact{Kind: implant.Mentioned, Component: component(d), At: op.at}, fmt.Sprintf("Procedure.usedReference[%d]", i), d.display)
		}
	}
	for i, u := range p.GetUsedCode() {
		path := fmt.Sprintf("Procedure.usedCode[%d]", i)
		r.finding("information", "informational", path, "a kind of item used is no device that can be told from others", allWords(u))
		if len(p.GetFocalDevice())+len(p.GetUsedReference())+len(op.acts) == 0 && op.mode != planned { // nothing else says what was put in
			r.told(path, op.at, r.ownWords(u)...)
		}
	}
	if op.mode == done {
		r.reasons("Procedure.reasonCode", implant.Reason, p.GetReasonCode(), &op)
		r.reasons("Procedure.complication", implant.Complication, p.GetComplication(), &op)
	}
	r.st.Facts = append(r.st.Facts, read...)
}

func (r *reader) procedureMentions(p *ppb.Procedure) {
	for _, list := range [][]*dpb.Reference{p.GetPartOf(), p.GetReport(), p.GetReasonReference(), p.GetBasedOn()} {
		for _, rf := range list {
			switch d := r.resolve(rf, ""); d.typ {
			case "Procedure", "Device", "DocumentReference", "DiagnosticReport", "Composition", "":
				r.mention(d.key)
			}
		}
	}
}

// performed gives the time of the procedure. A string, an age or a range is no date: it is quoted and asked about.
func (r *reader) performed(x *ppb.Procedure_PerformedX) implant.When {
	const path = "Procedure.performed"
	switch {
	case x.GetDateTime() != nil:
		return dateTime(x.GetDateTime())
	case x.GetPeriod() != nil:
		w, ok := period(x.GetPeriod())
		if !ok && (x.GetPeriod().GetStart() != nil || x.GetPeriod().GetEnd() != nil) {
			r.doubt(implant.AskDateDoubtful, implant.Component{}, path, string(dateTime(x.GetPeriod().GetStart()))+" to "+string(dateTime(x.GetPeriod().GetEnd())))
		}
		return w
	case x.GetStringValue() != nil:
		r.doubt(implant.AskDateDoubtful, implant.Component{}, path, x.GetStringValue().GetValue())
	case x.GetAge() != nil:
		r.doubt(implant.AskDateDoubtful, implant.Component{}, path, "age "+x.GetAge().GetValue().GetValue()+" "+x.GetAge().GetUnit().GetValue())
	case x.GetRange() != nil:
		r.doubt(implant.AskDateDoubtful, implant.Component{}, path, "age "+x.GetRange().GetLow().GetValue().GetValue()+" to "+x.GetRange().GetHigh().GetValue().GetValue())
	}
	return ""
}

// act is what focalDevice.action says.
type act struct {
	kind  implant.FactKind // "" not said or not understood
	coded bool             // by a code, not by text alone
	clash bool             // code, display and text say different things
	words string
}

// readAction takes the action from its codings, their displays and its text; all must agree.
func readAction(c *dpb.CodeableConcept) act {
	codings, text := concept(c)
	a := act{words: label(c)}
	say := func(k implant.FactKind) {
		switch {
		case a.kind == "" || a.kind == k:
			a.kind = k
		case a.kind == implant.Adjusted && k == implant.Repositioned:
			a.kind = k // "manipulated" covers it
		case a.kind == implant.Repositioned && k == implant.Adjusted:
		default:
			a.clash = true
		}
	}
	for _, cd := range codings {
		if k, ok := codes.Action(cd); ok {
			if codes.System(cd.System) == codes.DeviceAction && a.words == cd.System+"|"+cd.Code {
				a.words = cd.Code // its codes are words
			}
			a.coded = true
			say(k)
		}
		if k, ok := codes.ActionText(cd.Display); ok {
			say(k)
		}
	}
	if k, ok := codes.ActionText(text); ok {
		say(k)
	}
	return a
}

// focalDevice makes the facts of one focal device.
//
// A removal has the value "whole" only when the action is coded, the Procedure completed, the device named by
// reference, and nothing in the resource speaks of a rest; otherwise it is a removal that somebody reports.
func (r *reader) focalDevice(op *operation, fd *ppb.Procedure_FocalDevice, path string) {
	r.extensions(path, fd.GetExtension(), fd.GetModifierExtension())
	d := r.resolve(fd.GetManipulated(), "Device")
	r.mention(d.key)
	c := component(d)
	if d.key == "" {
		c.Kind, _ = codes.KindText(d.display)
		r.doubt(implant.AskDeviceMissing, c, path+".manipulated", d.display)
	}
	a := readAction(fd.GetAction())
	f := implant.Fact{Component: c, Site: op.site, At: op.at, Certainty: op.certainty}
	quote := a.words
	switch {
	case op.mode == planned:
		f.Kind, f.Value = implant.Planned, op.status
	case op.mode == halted:
		f.Kind = implant.Mentioned
		r.doubt(implant.AskNotDone, c, "Procedure.status", op.status)
	case a.clash:
		f.Kind = implant.Mentioned
		r.doubt(implant.AskActionAmbiguous, c, path+".action", allWords(fd.GetAction()))
	case a.kind != "":
		f.Kind = a.kind
	case a.words != "":
		f.Kind = implant.Mentioned
		r.doubt(implant.AskCodeUnknown, c, path+".action", a.words)
	default:
		f.Kind, quote = r.unsaidAction(op, c, path)
	}
	if f.Kind == implant.Removed {
		r.judgeRemoval(op, &f, a, d, path)
	}
	r.fact(f, path+".action", quote)
}

// unsaidAction decides for a focal device without an action. The procedure's own code settles it only towards
// "in": every act it names is an implantation. A code of removal gives a reported removal and the question.
func (r *reader) unsaidAction(op *operation, c implant.Component, path string) (kind implant.FactKind, quote string) {
	kind = implant.Mentioned
	if len(op.acts) > 0 {
		kind = op.acts[0].Fact
	}
	for _, a := range op.acts {
		if a.Fact != kind {
			kind = implant.Mentioned
			break
		}
	}
	if kind != implant.Implanted {
		// The same source and words as the fact: the fold asks the same and the two become one question.
		r.doubt(implant.AskActionMissing, implant.Component{Ref: c.Ref}, path+".action", op.actWords)
	}
	return kind, op.actWords
}

// judgeRemoval adds the value "whole" where it is earned.
func (r *reader) judgeRemoval(op *operation, f *implant.Fact, a act, d ref, path string) {
	switch {
	case !a.coded || d.key == "" || op.status != "completed" || r.modified:
	case r.notYet(op.at):
		r.doubt(implant.AskDateDoubtful, f.Component, "Procedure.performed", string(op.at)+" is after "+firstOf(string(implant.Instant(r.st.Version.LastUpdated)), string(implant.Instant(r.b.env.MessageTime))))
	case op.rest != "":
		r.doubt(implant.AskRemovalDoubtful, f.Component, path, op.rest)
	case r.noteSaysStays(d) != "":
		r.doubt(implant.AskRemovalDoubtful, f.Component, path, r.noteSaysStays(d))
	default:
		f.Value = "whole"
	}
}

// zoneSlack is how far the clocks and zones of a place may lead its server's: zones reach 14 hours ahead of UTC.
const zoneSlack = 24 * time.Hour

// notYet says whether a procedure is dated after the moment at which its source last wrote it: it cannot have been
// completed then, so the date or the status is wrong.
func (r *reader) notYet(at implant.When) bool {
	from, _, ok := at.Bounds()
	written := r.st.Version.LastUpdated
	if written.IsZero() {
		written = r.b.env.MessageTime
	}
	return ok && !written.IsZero() && from.After(written.Add(zoneSlack))
}

// noteSaysStays gives the words by which the prose of this resource leaves a part of the device's own kind in,
// where the resource itself says the kind. Where it does not, the fold weighs the prose against the codes.
func (r *reader) noteSaysStays(d ref) string {
	kind, ok := codes.KindText(d.display)
	for _, f := range r.st.Facts {
		if f.Kind == implant.Described && f.Component.Ref == d.key {
			kind, ok = f.Component.Kind, true
		}
	}
	for _, f := range r.fates {
		if ok && f.Component.Kind == kind {
			return f.Quote
		}
	}
	return ""
}

// actsWithoutDevice makes facts from a procedure code that says by itself what was done, when no device is named.
func (r *reader) actsWithoutDevice(op *operation) {
	for _, a := range op.acts {
		c := implant.Component{Kind: a.Kind, Words: op.actWords}
		f := implant.Fact{Kind: a.Fact, Component: c, Site: op.site, At: op.at, Certainty: op.certainty}
		if f.Site.Region == "" {
			f.Site.Region = a.Region
		}
		switch op.mode {
		case planned:
			f.Kind, f.Value = implant.Planned, op.status
		case halted:
			f.Kind = implant.Mentioned
			r.doubt(implant.AskNotDone, c, "Procedure.status", op.status)
		}
		r.fact(f, "Procedure.code", op.actWords)
	}
}

func allWords(c *dpb.CodeableConcept) string {
	codings, text := concept(c)
	var out []string
	for _, cd := range codings {
		out = append(out, strings.TrimSpace(cd.Code+" "+cd.Display))
	}
	if text != "" {
		out = append(out, text)
	}
	return strings.Join(out, " / ")
}

// reasons makes a fact of each reason or complication, with our word as value where one is known and the
// source's words as the quote always.
func (r *reader) reasons(path string, kind implant.FactKind, list []*dpb.CodeableConcept, op *operation) {
	for i, c := range list {
		codings, text := concept(c)
		value := ""
		for _, cd := range codings {
			if w, ok := codes.Reason(cd); ok && value == "" {
				value = w
			}
		}
		if value == "" {
			for _, t := range append([]string{text}, displays(codings)...) {
				if w, ok := codes.ReasonText(t); ok && value == "" {
					value = w
				}
			}
		}
		if l := allWords(c); l != "" {
			r.fact(implant.Fact{Kind: kind, Value: value, At: op.at, Site: op.site, Certainty: op.certainty}, fmt.Sprintf("%s[%d]", path, i), l)
		}
	}
}

func displays(list []implant.Code) []string {
	var out []string
	for _, c := range list {
		if c.Display != "" {
			out = append(out, c.Display)
		}
	}
	return out
}

// procedureProse hands the prose of a Procedure to the reader of notes. The procedure's own words are the title
// of its first note. Where neither a code nor a note says what was done to which part, they are read as prose.
func (r *reader) procedureProse(p *ppb.Procedure, op *operation) {
	before := len(r.st.Facts)
	ps := passage{kind: noteProcedure, title: label(p.GetCode()), at: op.at, mode: op.mode, certainty: op.certainty}
	for i, n := range p.GetNote() {
		ps.path, ps.text = fmt.Sprintf("Procedure.note[%d].text", i), n.GetText().GetValue()
		r.prose(ps)
		ps.title = ""
	}
	list := append([]*dpb.CodeableConcept{p.GetOutcome(), p.GetStatusReason()}, p.GetFollowUp()...)
	for i, c := range list {
		path := "Procedure.outcome"
		switch {
		case i == 1:
			path = "Procedure.statusReason"
		case i > 1:
			path = fmt.Sprintf("Procedure.followUp[%d]", i-2)
		}
		ps.path, ps.text = path+".text", c.GetText().GetValue()
		r.prose(ps)
		if strings.TrimSpace(ps.text) != "" {
			ps.title = ""
		}
	}
	for i, c := range p.GetComplication() {
		ps.path, ps.title = fmt.Sprintf("Procedure.complication[%d]", i), ""
		for _, ps.text = range r.ownWords(c) {
			r.remark(ps)
		}
	}
	r.narrative("Procedure", p.GetText(), ps)
	own := passage{path: "Procedure.code", title: label(p.GetCode()), kind: noteProcedure, at: op.at, mode: op.mode, certainty: op.certainty}
	told := len(p.GetFocalDevice())+len(op.acts) > 0 || slices.ContainsFunc(r.st.Facts[before:], func(f implant.Fact) bool { return f.Component.Kind != "" })
	switch {
	case own.title == "":
	case !told && op.mode != planned:
		for _, words := range r.ownWords(p.GetCode()) {
			own.text, own.title = words, ""
			r.remark(own)
		}
	case len(p.GetNote()) == 0:
		r.prose(own)
	}
}

// ownWords are the words of a code: its text, or the displays of its codings where they say something else.
func (r *reader) ownWords(c *dpb.CodeableConcept) []string {
	codings, text := concept(c)
	var out []string
	for _, w := range append([]string{text}, displays(codings)...) {
		if w != "" && !slices.ContainsFunc(out, func(o string) bool { return strings.EqualFold(o, w) }) {
			out = append(out, w)
		}
	}
	return out
}
