package intake

import (
	"fmt"
	"slices"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	spb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/service_request_go_proto"
)

// serviceRequest reads an order. One that is entered in error stays a referral with that status, so that what
// was sent on its account can be withdrawn; the statement is void for the record.
func (r *reader) serviceRequest(s *spb.ServiceRequest) {
	r.subject("ServiceRequest.subject", s.GetSubject())
	ref := &implant.Referral{Status: codeOf(s.GetStatus().GetValue()), Intent: codeOf(s.GetIntent().GetValue()),
		Priority: codeOf(s.GetPriority().GetValue()), DoNotPerform: s.GetDoNotPerform().GetValue(),
		Authored: dateTime(s.GetAuthoredOn()), Occurrence: r.occurrence(s.GetOccurrence())}
	r.st.Referral = ref
	r.st.Void = ref.Status == enteredInError
	if r.st.Patient == "" {
		// Nobody's record can be found: the order stands on a record of its own, so that it still gets a banner.
		r.st.Patient = r.st.Key
		r.fact(implant.Fact{Kind: implant.Unread, Value: "ServiceRequest: no patient whose record can be found is named"}, "ServiceRequest.subject", "")
	}

	for _, n := range s.GetNote() {
		if !ours(n) {
			ref.Remarks = append(ref.Remarks, n.GetText().GetValue())
		}
	}
	for _, c := range s.GetReasonCode() {
		ref.Reasons = append(ref.Reasons, wordsOf(c))
	}
	ref.Reasons = append(ref.Reasons, text(s.GetPatientInstruction()))
	ref.Remarks, ref.Reasons = worded(ref.Remarks), worded(ref.Reasons)
	order := codes.Order{Remarks: slices.Clone(ref.Remarks)}
	r.ordered(s, &order)
	ref.MR, ref.MRWhy = codes.IsMR(order)
	ref.Codes, _ = concept(s.GetCode())
	for _, d := range s.GetOrderDetail() {
		c, _ := concept(d)
		ref.Codes = append(ref.Codes, c...)
	}
	ref.Text = joinTexts(append([]*dpb.CodeableConcept{s.GetCode()}, s.GetOrderDetail()...))
	r.referralSites(s, ref)
	r.addressees(s, ref)
	for _, x := range s.GetReplaces() {
		if k := r.resolve(x, "ServiceRequest").key; k != "" {
			ref.Replaces = append(ref.Replaces, k)
		}
	}
	for _, list := range [][]*dpb.Reference{s.GetSupportingInfo(), s.GetReasonReference()} {
		for _, x := range list {
			switch d := r.resolve(x, ""); d.typ {
			case "Device", "Procedure", "DeviceUseStatement", "DocumentReference", "DiagnosticReport", "Composition", "BodyStructure":
				r.mention(d.key)
			}
		}
	}
	r.referralProse(s)
}

// BeforeUnread is an order as it was last readable, where a newer version of it could not be read: what was no MR then may
// be one now. What it asked for stands, and the record has a question about the version that is unread.
func BeforeUnread(r implant.Referral) implant.Referral {
	if r.MR == implant.No {
		r.MR, r.MRWhy = implant.Maybe, "a newer version could not be read; before it: "+r.MRWhy
	}
	return r
}

// ordered gathers what an order says of the examination: code, order detail and performer type with their
// words; notes, reasons and instructions as remarks.
func (r *reader) ordered(s *spb.ServiceRequest, o *codes.Order) {
	for _, c := range append([]*dpb.CodeableConcept{s.GetCode(), s.GetPerformerType()}, s.GetOrderDetail()...) {
		cs, text := concept(c)
		o.Codes = append(o.Codes, cs...)
		if text != "" {
			o.Texts = append(o.Texts, text)
		}
	}
	for _, c := range s.GetCategory() {
		cs, text := concept(c)
		o.Categories = append(o.Categories, cs...)
		if text != "" {
			o.Texts = append(o.Texts, text)
		}
	}
	for _, c := range s.GetReasonCode() {
		o.Remarks = append(o.Remarks, allWords(c))
	}
	o.Remarks = append(o.Remarks, text(s.GetPatientInstruction()))
	for _, x := range append(append([]*dpb.Reference{}, s.GetSupportingInfo()...), s.GetPerformer()...) {
		o.Remarks = append(o.Remarks, text(x.GetDisplay()))
	}
}

// ours says whether a note on an order is one of this service, come back with the order.
func ours(n *dpb.Annotation) bool {
	return n.GetAuthor().GetStringValue().GetValue() == implant.NoteAuthor
}

// wordsOf gives the words of a concept, without its codes.
func wordsOf(c *dpb.CodeableConcept) string {
	codings, text := concept(c)
	out := []string{text}
	for _, cd := range codings {
		out = append(out, cd.Display)
	}
	return strings.Join(worded(out), "; ")
}

// worded leaves out what has no words.
func worded(texts []string) []string {
	return slices.DeleteFunc(texts, func(s string) bool { return strings.TrimSpace(s) == "" })
}

func joinTexts(list []*dpb.CodeableConcept) string {
	var out []string
	for _, c := range list {
		if l := strings.TrimSpace(c.GetText().GetValue()); l != "" {
			out = append(out, l)
		}
	}
	return strings.Join(out, "; ")
}

func (r *reader) occurrence(x *spb.ServiceRequest_OccurrenceX) implant.When {
	if w := dateTime(x.GetDateTime()); w != "" {
		return w
	}
	if w, ok := period(x.GetPeriod()); ok {
		return w
	}
	w, _ := timing(x.GetTiming())
	return w
}

func (r *reader) referralSites(s *spb.ServiceRequest, ref *implant.Referral) {
	for _, c := range s.GetBodySite() {
		cs, text := concept(c)
		ref.BodySites = append(ref.BodySites, cs...)
		if text != "" {
			ref.BodySites = append(ref.BodySites, implant.Code{Display: text})
		}
	}
	site := r.sites("ServiceRequest.bodySite", s.GetBodySite(), s.GetExtension())
	ref.Laterality = site.Side
	if ref.Laterality == "" {
		ref.Laterality = codes.SideText(allWords(s.GetCode()))
	}
}

// addressees sets who ordered and whom the order goes to: the first performer with a key, else its words, else
// the same of the location.
func (r *reader) addressees(s *spb.ServiceRequest, ref *implant.Referral) {
	who := r.resolve(s.GetRequester(), "")
	ref.Requester = firstOf(who.key, who.display)
	for _, list := range [][]*dpb.Reference{s.GetPerformer(), s.GetLocationReference()} {
		for _, x := range list {
			p := r.resolve(x, "")
			if ref.Performer == "" {
				ref.Performer = firstOf(p.key, p.display)
			}
			if id := identifiers([]*dpb.Identifier{x.GetIdentifier()}); len(id) > 0 && ref.PerformerID == "" {
				ref.PerformerID = id[0].System + "|" + id[0].Value
			}
		}
	}
	if ref.Performer == "" {
		for _, c := range s.GetLocationCode() {
			ref.Performer = firstOf(ref.Performer, label(c))
		}
	}
}

// referralProse hands the words of the referrer on: they often say what is in the body.
func (r *reader) referralProse(s *spb.ServiceRequest) {
	ps := passage{kind: noteReferral, title: label(s.GetCode()), at: "", certainty: implant.Probable}
	for i, n := range s.GetNote() {
		if ours(n) {
			continue
		}
		ps.path, ps.text = fmt.Sprintf("ServiceRequest.note[%d].text", i), n.GetText().GetValue()
		r.prose(ps)
	}
	for i, c := range s.GetReasonCode() {
		ps.path = fmt.Sprintf("ServiceRequest.reasonCode[%d]", i)
		for _, ps.text = range r.ownWords(c) {
			r.prose(ps)
		}
		r.toldCodes(ps.path, "", codingsOf(c))
	}
	ps.path, ps.text = "ServiceRequest.patientInstruction", text(s.GetPatientInstruction())
	r.prose(ps)
	for i, x := range s.GetSupportingInfo() {
		ps.path, ps.text = fmt.Sprintf("ServiceRequest.supportingInfo[%d].display", i), text(x.GetDisplay())
		r.prose(ps)
	}
	for i, x := range s.GetReasonReference() {
		ps.path, ps.text = fmt.Sprintf("ServiceRequest.reasonReference[%d].display", i), text(x.GetDisplay())
		r.prose(ps)
	}
	r.toldInside("")
	for i, e := range s.GetExtension() {
		if e.GetUrl().GetValue() == extSupportingInfoR5 {
			for _, sub := range append([]*dpb.Extension{e}, e.GetExtension()...) {
				ps.path = fmt.Sprintf("ServiceRequest.extension[%d]", i)
				ps.text = firstOf(allWords(sub.GetValue().GetCodeableConcept()), text(sub.GetValue().GetStringValue()))
				r.prose(ps)
			}
		}
	}
}
