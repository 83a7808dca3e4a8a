package intake

import (
	"fmt"

	"gaussline/mapping/implant"

	bpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/body_structure_go_proto"
	upb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/device_use_statement_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/patient_go_proto"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

// useStatement reads a DeviceUseStatement: second-hand words about a device. None of its statuses proves that a
// device is out.
func (r *reader) useStatement(u *upb.DeviceUseStatement) {
	r.subject("DeviceUseStatement.subject", u.GetSubject())
	status := codeOf(u.GetStatus().GetValue())
	if status == enteredInError {
		r.st.Void = true
		return
	}
	d := r.resolve(u.GetDevice(), "Device")
	r.mention(d.key)
	for _, rf := range u.GetDerivedFrom() {
		if s := r.resolve(rf, ""); s.typ == "Procedure" || s.typ == "DocumentReference" {
			r.mention(s.key)
		}
	}
	c := component(d)
	f := implant.Fact{Component: c, Value: "", At: r.useTime(u)}
	switch status {
	case "active", "on-hold":
		f.Kind = implant.PresentByWord
	case "completed", "stopped":
		f.Kind = implant.ReportedGone
	case "intended":
		f.Kind = implant.Planned
	default:
		f.Kind = implant.Mentioned
	}
	var sites []*dpb.CodeableConcept
	if u.GetBodySite() != nil {
		sites = append(sites, u.GetBodySite())
	}
	f.Site = r.sites("DeviceUseStatement.bodySite", sites, u.GetExtension())
	r.fact(f, "DeviceUseStatement.status", status)
	if f.Site != (implant.Site{}) && f.Kind != implant.Planned {
		r.fact(implant.Fact{Kind: implant.Located, Component: c, Site: f.Site, At: f.At}, "DeviceUseStatement.bodySite", f.Site.Words)
	}
	ps := passage{kind: noteUse, at: f.At, certainty: implant.Probable}
	for i, n := range u.GetNote() {
		ps.path, ps.text = fmt.Sprintf("DeviceUseStatement.note[%d].text", i), n.GetText().GetValue()
		r.prose(ps)
	}
}

// useTime is when the status held: the time of use, else when it was recorded.
func (r *reader) useTime(u *upb.DeviceUseStatement) implant.When {
	t := u.GetTiming()
	if w := dateTime(t.GetDateTime()); w != "" {
		return w
	}
	if w, ok := period(t.GetPeriod()); ok {
		return w
	}
	if w, ok := timing(t.GetTiming()); ok {
		return w
	}
	return dateTime(u.GetRecordedOn())
}

// timing gives the span of a Timing: its events, else its bounds.
func timing(t *dpb.Timing) (implant.When, bool) {
	var first, last implant.When
	for _, e := range t.GetEvent() {
		w := dateTime(e)
		if w == "" {
			continue
		}
		if first == "" || w.Before(first) {
			first = w
		}
		if last == "" || last.Before(w) {
			last = w
		}
	}
	switch {
	case first != "" && first == last:
		return first, true
	case first != "":
		return first + "/" + last, true
	}
	return period(t.GetRepeat().GetBounds().GetPeriod())
}

// bodyStructure reads a BodyStructure: a site without a device, for the sources that mention it.
func (r *reader) bodyStructure(b *bpb.BodyStructure) {
	r.subject("BodyStructure.patient", b.GetPatient())
	site := r.siteOfStructure(b)
	if site != (implant.Site{}) {
		r.fact(implant.Fact{Kind: implant.Located, Site: site}, "BodyStructure.location", site.Words)
	}
	if m := allWords(b.GetMorphology()); m != "" {
		r.finding("information", "informational", "BodyStructure.morphology", "a morphology is kept and not read", m)
	}
}

// patientResource reads who a Patient is. Links and identifiers are joined by identity.
func (r *reader) patientResource(p *ppb.Patient) {
	r.st.Patient = r.st.Key
	who := &implant.Person{Identifiers: identifiers(p.GetIdentifier()), Birth: date(p.GetBirthDate()),
		Sex: codeOf(p.GetGender().GetValue()), Died: dateTime(p.GetDeceased().GetDateTime())}
	who.Deceased = p.GetDeceased().GetBoolean().GetValue() || p.GetDeceased().GetDateTime() != nil
	who.Inactive = p.GetActive() != nil && !p.GetActive().GetValue() && !noValue(p.GetActive().GetExtension())
	who.Family, who.Given = name(p.GetName())
	for i, l := range p.GetLink() {
		o := r.resolve(l.GetOther(), "")
		if o.key == "" || o.typ != "" && o.typ != "Patient" {
			r.finding("information", "informational", fmt.Sprintf("Patient.link[%d]", i), "a link to something other than a patient is not followed", o.typ)
			continue
		}
		who.Links = append(who.Links, implant.PatientLink{Other: o.key, Type: codeOf(l.GetType().GetValue())})
	}
	r.st.Person = who
}

// noValue says whether a primitive has extensions and no value.
func noValue(exts []*dpb.Extension) bool {
	for _, e := range exts {
		if e.GetUrl().GetValue() == extNoValue {
			return true
		}
	}
	return false
}

// name picks the name in use: official, then usual, then any that is not old.
func name(list []*dpb.HumanName) (family, given string) {
	rank := map[string]int{"official": 1, "usual": 2, "": 3, "maiden": 5, "nickname": 6, "anonymous": 7, "temp": 7, "old": 9}
	best := 99
	for _, n := range list {
		k, ok := rank[codeOf(n.GetUse().GetValue())]
		if !ok || k >= best {
			continue
		}
		f, g := text(n.GetFamily()), ""
		for _, part := range n.GetGiven() {
			if t := text(part); t != "" {
				g = g + " " + t
			}
		}
		if f == "" && g == "" {
			f = text(n.GetText())
		}
		if f != "" || g != "" {
			best, family, given = k, f, g
		}
	}
	if given != "" {
		given = given[1:]
	}
	return family, given
}
