package banner

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// System is the base of our own identifiers. The host is of the reserved domain .invalid (RFC 2606): these URIs
// name things and lead nowhere.
const System = "http://gaussline.invalid"

// maxSources bounds the sources a Provenance names; the number left out is stated.
const maxSources = 50

// Order is the referral a banner goes onto.
type Order struct {
	Key      string           // source key of the ServiceRequest
	FullURL  string           // where it lives at its sender, absolute
	Raw      []byte           // the resource as received
	Referral implant.Referral //
	Site     string           // radiology site it goes to
}

// Bundle makes the FHIR R4 message that carries the banner to radiology: a MessageHeader, the ServiceRequest as
// received with only note and supportingInfo added, a Flag, a DetectedIssue that implicates the order and the
// devices, the devices as recorded, and a Provenance that names the sources. The same inputs give the same bytes.
// withdrawn makes the Flag inactive and the DetectedIssue cancelled, for an order that is no longer to be done.
// Where the order names its patient in a way that ends with the message it came in, the Bundle carries a Patient
// with what the record knows.
func Bundle(o Order, n Note, at time.Time, withdrawn bool) ([]byte, error) {
	m := maker{order: o, note: n, at: at.UTC().Truncate(time.Millisecond), withdrawn: withdrawn, text: Text(n, withdrawn),
		space: uuid.NewSHA1(uuid.NameSpaceURL, []byte(System+"/order/"+o.Key))}
	var err error
	if m.received, err = parse(o.Raw); err != nil {
		return nil, err
	}
	subject, carry, err := m.subjectOf()
	if err != nil {
		return nil, err
	}
	m.subject = subject
	order, err := m.serviceRequest()
	if err != nil {
		return nil, err
	}
	entries := []any{
		entry(m.id("header", m.sending()), m.header()), entry(o.FullURL, m.id("place of the order")), entry(m.id("flag"), m.flag()),
		entry(m.id("issue"), m.issue()),
	}
	for _, p := range n.Record.Parts {
		if p.State.InBody() {
			entries = append(entries, entry(m.partID(p), m.device(p)))
		}
	}
	if carry {
		entries = append(entries, entry(subject["reference"].(string), patient(n.Record.Person)))
	}
	entries = append(entries, entry(m.id("provenance", m.revision()), m.provenance()))
	id, sent := m.uuid("bundle", m.sending()), m.at
	if n.Reminder > 0 {
		sent = n.RemindedAt.UTC().Truncate(time.Millisecond)
	}
	b, err := encode(object{"resourceType": "Bundle", "id": id, "type": "message", "timestamp": instant(sent),
		"identifier": object{"system": System + "/banner", "value": id}, "entry": entries})
	if err != nil {
		return nil, err
	}
	// The order goes in last and whole: the encoder would take its white space out and escape some characters.
	before, after, _ := bytes.Cut(b, []byte(`"`+m.id("place of the order")+`"`))
	return slices.Concat(before, order, after), nil
}

type object = map[string]any

func entry(fullURL string, resource any) object {
	return object{"fullUrl": fullURL, "resource": resource}
}

type maker struct {
	order     Order
	received  received // the order's bytes
	note      Note
	at        time.Time
	subject   object
	withdrawn bool
	text      string // the note in words
	space     uuid.UUID
}

func instant(t time.Time) string { return t.Format("2006-01-02T15:04:05.000Z07:00") }

// revision is part of the names of what is new with each note: the message, its header, its Provenance. A receiver
// that drops a MessageHeader.id it has seen must not drop the note that supersedes.
func (m maker) revision() string { return fmt.Sprint(m.note.Revision) }

// uuid names a thing of this order for ever: revisions of its Flag and DetectedIssue keep their ids.
func (m maker) uuid(parts ...string) string {
	return uuid.NewSHA1(m.space, []byte(strings.Join(parts, "\x00"))).String()
}

func (m maker) id(parts ...string) string { return "urn:uuid:" + m.uuid(parts...) }

func (m maker) partID(p implant.Part) string { return m.id("part", p.ID) }

// sending names one message: a reminder has names of its own, so that a receiver does not drop it as a copy, and all
// else in it has those of the note that it repeats.
func (m maker) sending() string {
	if m.note.Reminder > 0 {
		return fmt.Sprintf("%s reminder %d", m.revision(), m.note.Reminder)
	}
	return m.revision()
}

func (m maker) header() object {
	h := object{
		"resourceType": "MessageHeader", "id": m.uuid("header", m.sending()),
		"eventCoding": object{"system": System + "/CodeSystem/event", "code": "mr-implant-banner"},
		"destination": []any{object{"name": m.order.Site, "endpoint": System + "/site/" + m.order.Site}},
		"source":      object{"name": "Gaussline", "endpoint": System + "/service"},
		"focus":       []any{ref(m.order.FullURL), ref(m.id("issue")), ref(m.id("flag"))},
	}
	if m.note.Reminder > 0 {
		h["reason"] = object{"coding": []any{coding(System+"/CodeSystem/reason", ReasonReminder, "")}, "text": reminderText(m.note)}
	}
	return h
}

func ref(to string) object { return object{"reference": to} }

// serviceRequest adds a note and references to the received order and changes nothing else.
func (m maker) serviceRequest() ([]byte, error) {
	return m.received.with(addition{"note", []any{annotation(m.text, m.at)}},
		addition{"supportingInfo", []any{ref(m.id("issue")), ref(m.id("flag"))}})
}

func (m maker) headline() string {
	if m.withdrawn {
		return withdrawnHeadline
	}
	return Headline(m.note.Verdict.Kind)
}

func (m maker) flag() object {
	status, period := "active", object{"start": instant(m.at)}
	if m.withdrawn {
		status, period = "inactive", object{"end": instant(m.at)}
	}
	return object{
		"resourceType": "Flag", "id": m.uuid("flag"), "status": status, "subject": m.subject, "period": period,
		"category": []any{concept("http://terminology.hl7.org/CodeSystem/flag-category", "safety", "Safety")},
		"code":     object{"coding": []any{coding(implant.VerdictSystem, string(m.note.Verdict.Kind), "")}, "text": m.headline()},
	}
}

// severities of DetectedIssue: high unless every known condition is met. Nothing recorded is low, not absent.
var severities = map[mri.Kind]string{mri.KindUnsafe: "high", mri.KindOutside: "high", mri.KindNotEstablished: "high",
	mri.KindWithinIf: "moderate", mri.KindNothing: "low"}

func (m maker) issue() object {
	status := "final"
	if m.note.Revision > 1 {
		status = "amended"
	}
	if m.withdrawn {
		status = "cancelled"
	}
	implicated := []any{ref(m.order.FullURL)}
	for _, p := range m.note.Record.Parts {
		if p.State.InBody() {
			implicated = append(implicated, ref(m.partID(p)))
		}
	}
	return object{
		"resourceType": "DetectedIssue", "id": m.uuid("issue"), "status": status, "patient": m.subject,
		"identifier": []any{object{"system": System + "/banner", "value": fmt.Sprintf("%s/%d", m.uuid("issue"), m.note.Revision)}},
		"code":       object{"coding": []any{coding(implant.VerdictSystem, string(m.note.Verdict.Kind), "")}, "text": m.headline()},
		"severity":   severities[m.note.Verdict.Kind], "identifiedDateTime": instant(m.at),
		"author": object{"display": "Gaussline"}, "implicated": implicated, "detail": m.text,
	}
}

func concept(system, code, display string) object {
	return object{"coding": []any{coding(system, code, display)}, "text": display}
}

func coding(system, code, display string) object {
	c := object{"system": system, "code": code}
	if display != "" {
		c["display"] = display
	}
	return c
}

// implantStatus maps states to the codes of the R4 extension device-implantStatus, where one fits.
var implantStatus = map[implant.State]string{implant.Connected: "functional", implant.NotConnected: "non-functional",
	implant.Capped: "non-functional", implant.Cut: "non-functional", implant.RemovedInPart: "non-functional", implant.StateUnknown: "unknown"}

// device describes a part as recorded. Its status is active only where the record says it is in place; doubt
// whether it is gives unknown, never inactive.
func (m maker) device(p implant.Part) object {
	d := object{"resourceType": "Device", "id": m.uuid("part", p.ID), "status": "unknown", "patient": m.subject,
		"type": object{"text": KindName(p.Component.Kind)}, "note": []any{object{"text": PartLine(p)}}}
	if code, ok := implantStatus[p.State]; ok {
		if p.Function != "" {
			code = p.Function // recorded; a code of the same value set
		}
		if p.State != implant.StateUnknown {
			d["status"] = "active"
		}
		d["extension"] = []any{object{"url": "http://hl7.org/fhir/StructureDefinition/device-implantStatus", "valueCode": code}}
	}
	c := p.Component
	for name, v := range map[string]string{"manufacturer": c.Maker, "modelNumber": c.Model, "serialNumber": c.Serial, "lotNumber": c.Lot} {
		if v != "" {
			d[name] = v
		}
	}
	carrier := object{}
	if c.DI != "" {
		carrier["deviceIdentifier"] = c.DI
	}
	if c.UDI != "" && !strings.ContainsFunc(c.UDI, func(r rune) bool { return r < ' ' }) {
		carrier["carrierHRF"] = c.UDI
	}
	if len(carrier) > 0 {
		d["udiCarrier"] = []any{carrier}
	}
	if len(p.Refs) > 0 {
		var ids []any
		for _, r := range p.Refs {
			ids = append(ids, object{"system": System + "/source", "value": r})
		}
		d["identifier"] = ids
	}
	return d
}

func (m maker) provenance() object {
	entities := m.answers()
	keys := SourceKeys(m.note)
	for i, k := range keys {
		if i == maxSources {
			entities = append(entities, object{"role": "source", "what": object{"display": fmt.Sprintf("and %d more sources", len(keys)-i)}})
			break
		}
		entities = append(entities, object{"role": "source", "what": object{"identifier": object{"system": System + "/source", "value": k}}})
	}
	entities = append(entities, object{"role": "source", "what": ref(m.order.FullURL)})
	return object{
		"resourceType": "Provenance", "id": m.uuid("provenance", m.revision()), "recorded": instant(m.at),
		"target":   []any{ref(m.id("issue")), ref(m.id("flag"))},
		"activity": object{"text": "derived from the sources named, by rule"},
		"agent":    []any{object{"type": concept("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "assembler", "Assembler"), "who": object{"display": "Gaussline"}}},
		"entity":   entities,
	}
}

// answers names what people have settled, each with its author as given (FHIR R4, Provenance.entity.agent: the agent
// that the entity is attributed to).
func (m maker) answers() (out []any) {
	for _, a := range m.note.Record.Answered {
		author := object{"type": concept("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "author", "Author"), "who": object{"display": Author(a)}}
		out = append(out, object{"role": "source", "what": object{"identifier": object{"system": System + "/source", "value": a.Said.Key}}, "agent": []any{author}})
	}
	return out
}

// SourceKeys lists the keys of all sources that the record's parts and questions rest on, sorted.
func SourceKeys(n Note) []string {
	set := map[string]bool{}
	for _, p := range n.Record.Parts {
		for _, s := range p.Evidence {
			set[s.Key] = true
		}
	}
	for _, q := range n.Record.Questions {
		for _, s := range q.Sources {
			set[s.Key] = true
		}
	}
	keys := make([]string, 0, len(set))
	for k := range set {
		if k != "" {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}
