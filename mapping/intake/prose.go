package intake

import (
	"slices"
	"strings"
	"unicode/utf8"

	"gaussline/mapping/implant"
	"gaussline/mapping/opnote"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

const additionalNarrative = cpb.NarrativeStatusCode_ADDITIONAL

// Kinds of note, for the reader of prose and for what an unread one means.
const (
	noteProcedure = "procedure"
	noteDischarge = "discharge"
	noteClinic    = "clinic"
	noteImaging   = "imaging"
	noteReport    = "report" // a diagnostic report that is not imaging
	noteReferral  = "referral"
	noteDevice    = "device"
	noteUse       = "use"
	noteOther     = "other" // consent, laboratory and the like: unread, it is no question
	noteUnknown   = "unknown"
)

// noteTypes are the types of package opnote; every other kind is read like a letter.
var noteTypes = map[string]string{noteProcedure: opnote.TypeProcedure, noteDischarge: opnote.TypeDischarge,
	noteClinic: opnote.TypeClinic, noteImaging: opnote.TypeImaging}

// passage is one stretch of prose and where it stands.
type passage struct {
	path, text, html string
	heading          string // of the section it stands under
	title            string
	kind             string
	at               implant.When
	mode             mode
	certainty        implant.Certainty
	remark           bool // see reader.remark
}

// remark reads words that are no note: a person must look at them only where something is read from them.
func (r *reader) remark(ps passage) {
	ps.remark = true
	r.prose(ps)
}

// prose reads one stretch of prose into facts and doubts.
func (r *reader) prose(ps passage) {
	body := ps.text
	if ps.html != "" {
		t, err := opnote.Text("text/html", []byte(ps.html))
		if err != nil {
			r.noteUnread(ps, stripTags(ps.html), err.Error())
			return
		}
		body = t
	}
	if strings.TrimSpace(body) == "" && ps.path != "Procedure.code" {
		return
	}
	// The heading of a section says how its text is meant; spans are brought back to the text alone.
	lead := ""
	if ps.heading != "" {
		lead = ps.heading + "\n"
	}
	typ, ok := noteTypes[ps.kind]
	if !ok {
		typ = opnote.TypeUnknown
	}
	reading := opnote.Read(opnote.Note{Text: lead + body, Title: ps.title, Type: typ, Date: ps.at})
	if ps.remark {
		reading.Findings = slices.DeleteFunc(reading.Findings, func(f opnote.Finding) bool { return f.Component.Kind == "" })
	}
	asked := false
	for _, f := range reading.Findings {
		if f.Scope == opnote.ScopeCurrent || f.Scope == opnote.ScopeHistory {
			r.found(ps, f, len(lead))
			if fateKnown(f) {
				r.fates = append(r.fates, f)
			}
			asked = asked || ps.mode != done && f.Scope == opnote.ScopeCurrent
		}
	}
	for _, q := range reading.Questions {
		f := implant.Fact{Kind: implant.Doubt, Value: string(q.Code), Component: implant.Component{Words: q.Detail}, Basis: implant.Read}
		f.Source = r.span(ps, q.Start, q.End, q.Quote, len(lead))
		r.st.Facts = append(r.st.Facts, f)
	}
	silent := ps.remark && len(reading.Findings)+len(reading.Questions) == 0
	if (noteTypes[ps.kind] != "" || ps.kind == noteUnknown) && strings.TrimSpace(body) != "" && !silent {
		r.unreviewed(ps, body)
	}
	if r.st.Type == "Procedure" {
		r.weighRest(firstOf(body, ps.title), len(lead), body == "", reading)
	}
	if ps.mode == done && maySpeakOfARest(r.st.Type, ps.kind) {
		r.saysStays(ps, body, len(lead), reading.Findings)
	}
	if asked {
		r.doubt(implant.AskNotDone, implant.Component{}, ps.path, body)
	}
}

// maxOpening is how much of a note's beginning names it in a question, bytes.
const maxOpening = 80

// unreviewed asks for a person to read a note that rules have read: they miss things, and a note that tells of an
// implant must not pass in silence.
func (r *reader) unreviewed(ps passage, body string) {
	start := len(body) - len(strings.TrimLeft(body, " \t\r\n"))
	end := start + min(len(body)-start, maxOpening)
	if i := strings.IndexAny(body[start:end], "\r\n"); i > 0 {
		end = start + i
	}
	quote := body[start:end]
	if end-start == maxOpening && end < len(body) && strings.IndexByte("\r\n", body[end]) < 0 { // inside a line: at a word, marked
		for len(quote) > 0 && !utf8.RuneStart(body[start+len(quote)]) {
			quote = quote[:len(quote)-1]
		}
		if i := strings.LastIndexAny(quote, " \t"); i > maxOpening/2 {
			quote = quote[:i]
		}
		end = start + len(quote)
		quote += "…"
	}
	r.st.Facts = append(r.st.Facts, implant.Fact{Kind: implant.Doubt, Value: string(implant.AskNoteUnreviewed), Basis: implant.Read,
		Source: r.span(ps, start, end, quote, 0)})
}

// weighRest keeps the first sentence that speaks of something left in and that no finding accounts for. A finding
// accounts for it when it says of a part of known kind what became of it: the fold then weighs it against the
// coded removals, part by part ("generator out, leads capped"). A finding of the title accounts for the title only.
func (r *reader) weighRest(text string, lead int, title bool, reading opnote.Reading) {
	for _, m := range restIn(text) {
		start, end := sentenceAround(text, m[0], m[1])
		accounted := false
		for _, f := range reading.Findings {
			inSentence := f.Start-lead < end && f.End-lead > start && f.End > 0 || title
			accounted = accounted || inSentence && fateKnown(f)
		}
		if !accounted && r.rest == "" {
			r.rest = strings.TrimSpace(text[start:end])
		}
	}
}

// fateKnown says whether a finding tells what became of a part of known kind, other than that it came out.
func fateKnown(f opnote.Finding) bool {
	if f.Component.Kind == "" || f.Component.Kind == implant.Unidentified {
		return false
	}
	switch f.Kind {
	case implant.LeftInPlace, implant.WasCapped, implant.WasCut, implant.RemovedPart, implant.Disconnected,
		implant.SoughtAbsent, implant.PresentByWord, implant.DeniedPresence, implant.Repositioned, implant.Abandoned:
		return true
	}
	return false
}

// found makes a fact of a finding. A time that the note does not say is the note's own: that of the procedure,
// or the day on which somebody reports. What a source does not state for certain, or tells of a procedure that
// was not completed, is possible at most, and no removal in it is whole.
func (r *reader) found(ps passage, n opnote.Finding, lead int) {
	f := implant.Fact{Kind: n.Kind, Component: n.Component, Site: n.Site, At: n.At, Value: n.Value, Basis: implant.Read,
		Certainty: weaker(n.Certainty, ps.certainty)}
	if ps.mode != done {
		f.Certainty = implant.Possible
	}
	if f.At == "" {
		f.At = ps.at
	}
	if f.Kind == implant.Removed && (f.Certainty != implant.Stated || r.modified) {
		f.Value = ""
	}
	f.Source = r.span(ps, n.Start, n.End, n.Quote, lead)
	r.st.Facts = append(r.st.Facts, f)
}

// weaker gives the less certain of two.
func weaker(a, b implant.Certainty) implant.Certainty {
	rank := map[implant.Certainty]int{implant.Stated: 0, implant.Probable: 1, implant.Possible: 2}
	if rank[b] > rank[a] {
		return b
	}
	return a
}

// span is the source of something read: the byte span in the decoded text at the path, without the heading that
// was put before it.
func (r *reader) span(ps passage, start, end int, quote string, lead int) implant.Source {
	s := r.src(ps.path, quote)
	if start >= lead && end > start {
		s.Start, s.End = start-lead, end-lead
	}
	return s
}

// attachment reads the text of an attachment, or asks about it when there is none to read.
func (r *reader) attachment(a *dpb.Attachment, path string, ps passage) {
	if a == nil {
		return
	}
	ps.path = path
	if ps.at == "" {
		ps.at = dateTime(a.GetCreation())
	}
	name := firstOf(text(a.GetTitle()), a.GetUrl().GetValue(), a.GetContentType().GetValue())
	data := a.GetData().GetValue()
	if len(data) == 0 {
		why := "the attachment has no data"
		if a.GetUrl().GetValue() != "" {
			why = "the text lies elsewhere, under a URL"
		}
		r.noteUnread(ps, name, why)
		return
	}
	body, err := opnote.Text(a.GetContentType().GetValue(), data)
	if err != nil {
		r.noteUnread(ps, name, err.Error())
		return
	}
	if t := text(a.GetTitle()); t != "" && !strings.Contains(ps.title, t) {
		ps.title = strings.TrimSpace(ps.title + "\n" + t)
	}
	ps.text = body
	r.prose(ps)
}

// noteUnread says that nobody has read a note, and why.
func (r *reader) noteUnread(ps passage, words, why string) {
	words = strings.Join(strings.Fields(words), " ")
	if ps.kind == noteOther {
		r.finding("information", "informational", ps.path, "a document that is no clinical account is not read: "+why, words)
		return
	}
	r.doubt(implant.AskNoteUnread, implant.Component{Words: why}, ps.path, words)
}
