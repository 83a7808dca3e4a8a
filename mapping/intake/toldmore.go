package intake

import (
	"fmt"

	"gaussline/mapping/implant"
	"gaussline/mapping/opnote"

	apb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/allergy_intolerance_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/care_plan_go_proto"
	ipb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/clinical_impression_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/device_request_go_proto"
	epb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/encounter_go_proto"
)

// Some senders tell of an implant where they have nothing better: in an assessment, a plan of care, an alert among the
// allergies (HL7 v2 has contraindications in AL1), the reason for a visit. These are read like problem lists.

// allergy reads an AllergyIntolerance: alerts about implants are kept among the allergies in many systems (common
// practice, no source).
func (r *reader) allergy(a *apb.AllergyIntolerance) {
	r.subject("AllergyIntolerance.patient", a.GetPatient())
	switch {
	case hasCode(a.GetVerificationStatus(), enteredInError):
		r.st.Void = true
		return
	case hasCode(a.GetVerificationStatus(), "refuted"):
		return
	}
	at := dateTime(a.GetRecordedDate())
	r.toldConcept("AllergyIntolerance.code", at, a.GetCode())
	r.toldNotes("AllergyIntolerance", at, a.GetNote())
	for i, x := range a.GetReaction() {
		path := fmt.Sprintf("AllergyIntolerance.reaction[%d]", i)
		r.told(path+".description", at, text(x.GetDescription()))
		r.toldConcept(path+".substance", at, x.GetSubstance())
		r.toldNotes(path, at, x.GetNote())
	}
}

func (r *reader) clinicalImpression(c *ipb.ClinicalImpression) {
	r.subject("ClinicalImpression.subject", c.GetSubject())
	if r.st.Void = codeOf(c.GetStatus().GetValue()) == enteredInError; r.st.Void {
		return
	}
	at := dateTime(c.GetEffective().GetDateTime())
	if w, ok := period(c.GetEffective().GetPeriod()); ok {
		at = w
	} else if at == "" {
		at = dateTime(c.GetDate())
	}
	r.toldConcept("ClinicalImpression.code", at, c.GetCode())
	r.told("ClinicalImpression.description", at, text(c.GetDescription()))
	r.told("ClinicalImpression.summary", at, text(c.GetSummary()))
	for i, f := range c.GetFinding() {
		path := fmt.Sprintf("ClinicalImpression.finding[%d]", i)
		r.toldConcept(path, at, f.GetItemCodeableConcept())
		r.told(path+".basis", at, text(f.GetBasis()))
	}
	r.toldNotes("ClinicalImpression", at, c.GetNote())
}

// carePlan reads what a plan says of its patient. What it plans has not happened: package opnote tells plans apart where
// the words say so, and the goals of an activity are left out.
func (r *reader) carePlan(c *ppb.CarePlan) {
	r.subject("CarePlan.subject", c.GetSubject())
	status := codeOf(c.GetStatus().GetValue())
	if r.st.Void = status == enteredInError; r.st.Void {
		return
	}
	at := dateTime(c.GetCreated())
	if w, ok := period(c.GetPeriod()); ok && at == "" {
		at = w
	}
	r.told("CarePlan.title", at, text(c.GetTitle()))
	r.told("CarePlan.description", at, text(c.GetDescription()))
	for i, x := range c.GetCategory() {
		r.toldConcept(fmt.Sprintf("CarePlan.category[%d]", i), at, x)
	}
	for i, a := range c.GetActivity() {
		path := fmt.Sprintf("CarePlan.activity[%d]", i)
		for j, n := range a.GetProgress() {
			r.told(fmt.Sprintf("%s.progress[%d].text", path, j), at, n.GetText().GetValue())
		}
		for j, x := range a.GetOutcomeCodeableConcept() {
			r.toldConcept(fmt.Sprintf("%s.outcomeCodeableConcept[%d]", path, j), at, x)
		}
		d := a.GetDetail()
		r.told(path+".detail.description", at, text(d.GetDescription()))
		r.told(path+".detail.code", at, r.ownWords(d.GetCode())...)
		for j, x := range d.GetReasonCode() {
			r.toldConcept(fmt.Sprintf("%s.detail.reasonCode[%d]", path, j), at, x)
		}
	}
	r.toldNotes("CarePlan", at, c.GetNote())
}

// deviceRequest reads an order for a device. One for an implant is a plan, and a question whether it was carried out; one
// that is completed makes the implant possible. Its reasons and notes may tell of another.
func (r *reader) deviceRequest(d *dpb.DeviceRequest) {
	r.subject("DeviceRequest.subject", d.GetSubject())
	status := codeOf(d.GetStatus().GetValue())
	if r.st.Void = status == enteredInError; r.st.Void {
		return
	}
	at := dateTime(d.GetAuthoredOn())
	if at == "" {
		at = dateTime(d.GetOccurrence().GetDateTime())
	}
	what := d.GetCode().GetCodeableConcept()
	words := r.ownWords(what)
	if ref := r.resolve(d.GetCode().GetReference(), "Device"); ref.display != "" {
		words = append(words, ref.display)
	}
	if status == "completed" {
		r.told("DeviceRequest.code", at, words...)
		r.toldCodes("DeviceRequest.code", at, codingsOf(what))
	} else if status != "revoked" {
		r.ordersImplant(status, at, words, codingsOf(what))
	}
	for i, c := range d.GetReasonCode() {
		r.toldConcept(fmt.Sprintf("DeviceRequest.reasonCode[%d]", i), at, c)
	}
	r.toldNotes("DeviceRequest", at, d.GetNote())
}

// ordersImplant makes a plan of an order whose words or codes name an implant.
func (r *reader) ordersImplant(status string, at implant.When, words []string, list []implant.Code) {
	plan := func(kind implant.Kind, quote string) {
		r.fact(implant.Fact{Kind: implant.Planned, Component: implant.Component{Kind: kind, Words: quote}, At: at, Value: status}, "DeviceRequest.code", quote)
		r.fact(implant.Fact{Kind: implant.Doubt, Value: string(implant.AskOrdered), Component: implant.Component{Words: status}, At: at}, "DeviceRequest.code", quote)
	}
	for _, w := range words {
		for _, f := range opnote.Read(opnote.Note{Text: w, Type: opnote.TypeUnknown}).Findings {
			if f.Component.Kind != "" && f.Kind != implant.DeniedPresence {
				plan(f.Component.Kind, w)
				return
			}
		}
	}
	for _, c := range list {
		if s := (Said{Code: c}); s.Tells() {
			plan("", firstOf(c.Display, c.Code))
			return
		}
	}
}

// encounter reads the reasons of a visit.
func (r *reader) encounter(e *epb.Encounter) {
	r.subject("Encounter.subject", e.GetSubject())
	status := codeOf(e.GetStatus().GetValue())
	if r.st.Void = status == enteredInError; r.st.Void || status == "cancelled" {
		return
	}
	at, _ := period(e.GetPeriod())
	for i, c := range e.GetReasonCode() {
		r.toldConcept(fmt.Sprintf("Encounter.reasonCode[%d]", i), at, c)
	}
}
