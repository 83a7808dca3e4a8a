package intake

import (
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"

	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
)

// Limits of one resource. What is beyond them is reported as unread, never dropped silently.
const (
	maxFacts     = 5000 // facts of one statement
	maxFindings  = 500  // findings of one statement
	maxContained = 500  // contained resources looked at
	maxQuote     = 400  // bytes of a quote
)

// Envelope is what is known of the message around the resources.
type Envelope struct {
	Sender      string    // name of the authenticated sender
	Base        string    // the sender's FHIR base URL, "" not known
	Kind        string    // bundle type, or "resource"
	MessageTime time.Time // Bundle.timestamp of the message, zero when it has none
}

// Item is one resource of a message. Resource is nil when its type is not read; the item then still resolves
// references of its neighbours.
type Item struct {
	FullURL, Method, URL, Type, ID, Path, Hash string
	Resource                                   *r4pb.ContainedResource
	Findings                                   []implant.Finding // from decoding
	Aside                                      *Aside            // of a type that is not read: what its words are
}

// Reads says whether statements are made of resources of a type.
func Reads(resourceType string) bool {
	switch resourceType {
	case "Patient", "ServiceRequest", "Procedure", "Device", "DeviceUseStatement", "BodyStructure", "Encounter",
		"Practitioner", "Organization", "DocumentReference", "DiagnosticReport", "Composition",
		"Condition", "Observation", "Flag", "QuestionnaireResponse", "AllergyIntolerance", "CarePlan", "ClinicalImpression", "DeviceRequest":
		return true
	}
	return false
}

// TellsInPassing says whether resources of a type only tell of implants in passing: what is none of the accounts of
// devices, procedures, orders and people. Every type that is not read is one of them.
func TellsInPassing(resourceType string) bool {
	switch resourceType {
	case "", "Bundle", "Patient", "ServiceRequest", "Procedure", "Device", "DeviceUseStatement", "BodyStructure", "Encounter",
		"DocumentReference", "DiagnosticReport", "Composition":
		return false
	}
	return true
}

// Read gives one statement for each item whose type is read, in the order of the items. It never fails: what
// cannot be understood is a finding on the statement. An item that is deleted gives a void statement; one that
// is patched gives a statement that says the change was not read.
func Read(env Envelope, items []Item) []implant.Statement {
	b := newBundle(env, items)
	var out []implant.Statement
	for i := range items {
		it := &items[i]
		switch {
		case it.Method == "GET" || it.Method == "HEAD":
		case it.Method == "DELETE" || it.Method == "PATCH":
			if typ := b.typeOf(it); Reads(typ) {
				out = append(out, b.changed(it, typ))
			}
		case it.Resource == nil && it.Aside != nil:
			if st, ok := b.aside(it); ok {
				out = append(out, st)
			}
		case it.Resource != nil && measured(it.Resource.GetObservation()): // takes part in resolving references only
		case it.Resource != nil && Reads(b.typeOf(it)):
			out = append(out, b.read(it))
		}
	}
	return out
}

// changed makes the statement of an entry that has no resource of its own.
func (b *bundle) changed(it *Item, typ string) implant.Statement {
	st := implant.Statement{Key: b.keyOf(it), Type: typ, Findings: slices.Clone(it.Findings),
		Version: implant.Version{MessageTime: b.env.MessageTime, Hash: it.Hash}}
	if it.Method == "DELETE" {
		st.Void = true
		return st
	}
	// Facts that only say "unread" take nothing away of what the last full version said (history).
	st.Facts = []implant.Fact{{Kind: implant.Unread, Value: "PATCH of " + typ, Basis: implant.Coded,
		Source: implant.Source{Key: st.Key, Path: it.Path}}}
	st.Findings = append(st.Findings, implant.Finding{Severity: "error", Code: "not-supported", Path: it.Path,
		Text: "a PATCH is not read: send the whole resource"})
	return st
}

// Unread makes the statement of a refused resource: it says of the patient it names that something could not be
// read. versionID and lastUpdated order it among the versions of the same resource. When it names several
// patients the first by key is the statement's and the others are in Mentions.
func Unread(env Envelope, typ, id, versionID string, lastUpdated time.Time, patientRefs []string,
	identifiers []implant.Identifier, hash, why string) implant.Statement {
	b := newBundle(env, nil)
	st := implant.Statement{Type: typ, Key: env.Sender + "|" + typ + "/sha256:" + hash,
		Version: implant.Version{ID: versionID, LastUpdated: lastUpdated.UTC(), MessageTime: env.MessageTime, Hash: hash}}
	if id != "" {
		st.Key = env.Sender + "|" + typ + "/" + id
	}
	var patients []string
	for _, ref := range patientRefs {
		if k := PatientKey(env, ref); k != "" {
			patients = append(patients, k)
		}
	}
	for _, i := range identifiers {
		if k := b.identifierKey("Patient", i.System, i.Value); k != "" {
			patients = append(patients, k)
		}
	}
	slices.Sort(patients)
	patients = slices.Compact(patients)
	if typ == "Patient" && id != "" {
		patients = slices.DeleteFunc(patients, func(k string) bool { return k == st.Key })
		patients = slices.Insert(patients, 0, st.Key)
	}
	if len(patients) > 0 {
		st.Patient, st.Mentions = patients[0], slices.Clone(patients[1:])
	}
	st.Facts = []implant.Fact{{Kind: implant.Unread, Value: typ + ": " + why, Basis: implant.Coded,
		Source: implant.Source{Key: st.Key, Version: versionID, Path: typ}}}
	return st
}

// PatientKey gives the key of the patient that a Reference.reference names outside any Bundle; "" for an empty
// or internal one. A bare id is taken as that of a Patient.
func PatientKey(env Envelope, ref string) string {
	ref = strings.TrimSpace(ref)
	if ref == "" || strings.HasPrefix(ref, "#") {
		return ""
	}
	if !strings.ContainsAny(ref, "/:?") {
		ref = "Patient/" + ref
	}
	key, _ := newBundle(env, nil).fromString(nil, ref)
	return key
}

// read makes the statement of one resource.
func (b *bundle) read(it *Item) implant.Statement {
	res := unwrap(it.Resource)
	r := &reader{b: b, it: it, res: res}
	r.st = implant.Statement{Key: b.keyOf(it), Type: b.typeOf(it), Findings: slices.Clone(it.Findings),
		Version: implant.Version{MessageTime: b.env.MessageTime, Hash: it.Hash}}
	if res == nil {
		r.finding("error", "structure", "", "the resource is empty", "")
		return r.st
	}
	if m := res.GetMeta(); m != nil {
		r.st.Version.ID = m.GetVersionId().GetValue()
		if us := m.GetLastUpdated().GetValueUs(); us != 0 {
			r.st.Version.LastUpdated = time.UnixMicro(us).UTC()
		}
	}
	if b.base == "" && restfulRE.MatchString(it.FullURL) {
		r.finding("warning", "incomplete", it.Path, "the sender's base URL is not configured: what other messages say of this by a relative reference does not meet it", "")
	}
	r.loadContained()
	r.extensions(r.st.Type, res.GetExtension(), res.GetModifierExtension())
	r.dispatch()
	return r.done()
}

func (r *reader) dispatch() {
	c := r.it.Resource
	switch r.st.Type {
	case "Patient":
		r.patientResource(c.GetPatient())
	case "ServiceRequest":
		r.serviceRequest(c.GetServiceRequest())
	case "Procedure":
		r.procedure(c.GetProcedure())
	case "Device":
		r.deviceResource(c.GetDevice())
	case "DeviceUseStatement":
		r.useStatement(c.GetDeviceUseStatement())
	case "BodyStructure":
		r.bodyStructure(c.GetBodyStructure())
	case "Encounter":
		r.encounter(c.GetEncounter())
	case "DocumentReference":
		r.documentReference(c.GetDocumentReference())
	case "DiagnosticReport":
		r.diagnosticReport(c.GetDiagnosticReport())
	case "Composition":
		r.composition(c.GetComposition())
	case "Condition":
		r.conditionResource(c.GetCondition())
	case "Observation":
		r.observationResource(c.GetObservation())
	case "Flag":
		r.flagResource(c.GetFlag())
	case "QuestionnaireResponse":
		r.questionnaireResponse(c.GetQuestionnaireResponse())
	case "AllergyIntolerance":
		r.allergy(c.GetAllergyIntolerance())
	case "CarePlan":
		r.carePlan(c.GetCarePlan())
	case "ClinicalImpression":
		r.clinicalImpression(c.GetClinicalImpression())
	case "DeviceRequest":
		r.deviceRequest(c.GetDeviceRequest())
	}
}

// done brings the statement to its final form: nothing said when void, mentions sorted, limits kept.
func (r *reader) done() implant.Statement {
	slices.Sort(r.st.Mentions)
	r.st.Mentions = slices.Compact(r.st.Mentions)
	if r.st.Void {
		r.st.Facts = nil
	}
	if len(r.st.Facts) > maxFacts {
		r.st.Facts = append(r.st.Facts[:maxFacts], implant.Fact{Kind: implant.Unread, Basis: implant.Coded,
			Value: "more facts than are read of one resource", Source: r.src(r.st.Type, "")})
	}
	return r.st
}
