package intake

import (
	"fmt"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/composition_go_proto"
	rpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/diagnostic_report_go_proto"
	npb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/document_reference_go_proto"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

// maxSections bounds the depth of nested sections that is read.
const maxSections = 12

// documentReference reads the documents it carries. A superseded document is read too: its successor may never
// come, and what disagrees is a question. A preliminary one is less certain.
func (r *reader) documentReference(d *npb.DocumentReference) {
	r.subject("DocumentReference.subject", d.GetSubject())
	status, doc := codeOf(d.GetStatus().GetValue()), codeOf(d.GetDocStatus().GetValue())
	if status == enteredInError || doc == enteredInError {
		r.st.Void = true
		return
	}
	for _, x := range d.GetRelatesTo() {
		r.mention(r.resolve(x.GetTarget(), "DocumentReference").key)
	}
	for _, x := range d.GetContext().GetRelated() {
		switch y := r.resolve(x, ""); y.typ {
		case "Procedure", "Device", "DeviceUseStatement":
			r.mention(y.key)
		}
	}
	ps := passage{kind: noteKind(d.GetType(), d.GetCategory(), text(d.GetDescription())), title: firstOf(text(d.GetDescription()), label(d.GetType()))}
	if status == "superseded" || doc == "preliminary" {
		ps.certainty = implant.Probable
	}
	ps.at = documentDay(d)
	for i, c := range d.GetContent() {
		r.attachment(c.GetAttachment(), fmt.Sprintf("DocumentReference.content[%d].attachment", i), ps)
	}
}

// documentDay is the day of the event the document is about, else the document's own.
func documentDay(d *npb.DocumentReference) implant.When {
	if w, ok := period(d.GetContext().GetPeriod()); ok {
		return w
	}
	return instant(d.GetDate())
}

func (r *reader) diagnosticReport(d *rpb.DiagnosticReport) {
	r.subject("DiagnosticReport.subject", d.GetSubject())
	status := codeOf(d.GetStatus().GetValue())
	switch status {
	case enteredInError, "cancelled":
		r.st.Void = true
		return
	}
	ps := passage{kind: noteKind(d.GetCode(), d.GetCategory(), ""), title: label(d.GetCode()), at: dateTime(d.GetEffective().GetDateTime())}
	if ps.kind == noteProcedure || ps.kind == noteUnknown {
		ps.kind = noteReport
	}
	if w, ok := period(d.GetEffective().GetPeriod()); ok {
		ps.at = w
	}
	if status == "registered" || status == "partial" || status == "preliminary" || status == "unknown" {
		ps.certainty = implant.Probable
	}
	if t := d.GetConclusion().GetValue(); strings.TrimSpace(t) != "" {
		ps.path, ps.text = "DiagnosticReport.conclusion", t
		r.prose(ps)
	}
	for i, a := range d.GetPresentedForm() {
		r.attachment(a, fmt.Sprintf("DiagnosticReport.presentedForm[%d]", i), ps)
	}
	for i, c := range d.GetConclusionCode() {
		ps.path = fmt.Sprintf("DiagnosticReport.conclusionCode[%d]", i)
		for _, ps.text = range r.ownWords(c) {
			r.remark(ps)
		}
	}
	if ps.kind != noteOther {
		r.toldInside(ps.at)
	}
	r.narrative("DiagnosticReport", d.GetText(), ps)
	if d.GetConclusion() == nil && len(d.GetPresentedForm()) == 0 && ps.kind != noteOther && d.GetText().GetStatus().GetValue() != additionalNarrative {
		ps.path, ps.text, ps.html = "DiagnosticReport.text.div", "", d.GetText().GetDiv().GetValue() // there are no other words
		r.remark(ps)
	}
}

func (r *reader) composition(c *cpb.Composition) {
	r.subject("Composition.subject", c.GetSubject())
	status := codeOf(c.GetStatus().GetValue())
	if status == enteredInError {
		r.st.Void = true
		return
	}
	ps := passage{kind: noteKind(c.GetType(), c.GetCategory(), text(c.GetTitle())), title: firstOf(text(c.GetTitle()), label(c.GetType())), at: dateTime(c.GetDate())}
	if status == "preliminary" {
		ps.certainty = implant.Probable
	}
	r.sections("Composition", c.GetSection(), ps, 0)
}

func (r *reader) sections(path string, list []*cpb.Composition_Section, ps passage, depth int) {
	for i, s := range list {
		at := fmt.Sprintf("%s.section[%d]", path, i)
		if depth == maxSections {
			r.fact(implant.Fact{Kind: implant.Unread, Value: "sections nested too deep"}, at, "")
			return
		}
		for _, e := range s.GetEntry() {
			switch d := r.resolve(e, ""); d.typ {
			case "Procedure", "Device", "DeviceUseStatement", "DocumentReference", "DiagnosticReport":
				r.mention(d.key)
			}
		}
		if div := s.GetText().GetDiv().GetValue(); div != "" {
			part := ps
			part.path, part.html, part.heading = at+".text.div", div, firstOf(text(s.GetTitle()), label(s.GetCode()))
			r.prose(part)
		}
		r.sections(at, s.GetSection(), ps, depth+1)
	}
}

// narrative reads a resource's own narrative where it holds more than the fields do ("additional").
func (r *reader) narrative(typ string, n *dpb.Narrative, ps passage) {
	if n.GetStatus().GetValue() == additionalNarrative {
		ps.path, ps.text, ps.html = typ+".text.div", "", n.GetDiv().GetValue()
		r.prose(ps)
	}
}

// noteKind sorts a document by its type, categories and description. What is said first in the list decides: a
// consult note of surgery is a consult note.
func noteKind(typ *dpb.CodeableConcept, categories []*dpb.CodeableConcept, description string) string {
	lab, imaging := false, false
	words := strings.ToLower(allWords(typ) + " " + description)
	sort := func(cd implant.Code) {
		m, ok := codes.ModalityOf(cd)
		lab = lab || ok && m == codes.NotImaging
		imaging = imaging || ok && m != codes.NotImaging
	}
	for _, c := range append([]*dpb.CodeableConcept{typ}, categories...) {
		words += " " + strings.ToLower(allWords(c))
		for _, cd := range codingsOf(c) {
			sort(cd)
		}
	}
	switch {
	case imaging:
		return noteImaging
	case has(words, "consent", "appointment", "insurance", "birth certificate", "license", "education", "advance directive"):
		return noteOther
	case has(words, "discharge", "18842-5"):
		return noteDischarge
	case has(words, "consult", "clinic ", "progress", "follow-up", "follow up", "letter", "referral", "preoperative", "pre-operative"):
		return noteClinic
	case has(words, "operative", "operation", "procedure", "surgical", "surgery", "implant", "explant", "op note", "28570-0", "11504-8"):
		return noteProcedure
	case lab || has(words, "laboratory", "pathology", "microbiology"):
		return noteOther
	case has(words, "imaging", "radiology", "x-ray", "ct ", "mri"):
		return noteImaging
	}
	return noteUnknown
}

func has(s string, parts ...string) bool {
	for _, p := range parts {
		if strings.Contains(s, p) {
			return true
		}
	}
	return false
}
