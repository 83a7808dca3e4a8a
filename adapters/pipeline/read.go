package pipeline

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"gaussline/adapters/fhirjson"
	"gaussline/mapping/implant"
	"gaussline/mapping/intake"
)

// Steps at which a message can be rejected.
const (
	StepDecode = "decode"
	StepRead   = "read"
	StepStore  = "store"
)

// Reading is what one message says, ready to be stored.
type Reading struct {
	Message    Message
	Statements []StoredStatement
	Rejects    []Rejected

	span string // traceparent of the step that read it
}

// MessageReader turns received bytes into statements. It touches nothing outside and may be used by many
// goroutines.
type MessageReader struct {
	Limits fhirjson.Limits
	Bases  map[string]string // base URL of each sender's FHIR server, for absolute references
	Now    func() time.Time
}

// Read never fails: what cannot be read becomes a reject, and where it can be seen whom it is about, a statement
// that something about this patient is unread.
func (r MessageReader) Read(m Message) (out Reading) {
	defer func() {
		if p := recover(); p != nil { // a reader's fault must not stop the line, nor lose the message
			out = Reading{Message: m}
			r.reject(&out, intake.Envelope{Sender: m.Sender}, "", m.Body, 0, implant.Finding{Severity: "fatal", Code: "exception",
				Text: fmt.Sprintf("the reader failed on this message (%T); it is kept and can be replayed", p)})
		}
	}()
	out.Message = m
	env := intake.Envelope{Sender: m.Sender, Base: r.Bases[m.Sender], Kind: "resource"}
	msg, err := fhirjson.Split(m.Body, r.Limits)
	if err != nil {
		r.reject(&out, env, "", m.Body, 0, refusalFindings(err)...)
		return out
	}
	env.Kind, env.MessageTime = msg.Kind, msg.Timestamp
	items, offsets := r.decode(&out, env, msg)
	for _, b := range msg.Bad {
		r.rejectEntry(&out, env, msg, b.Entry, b.Refusal.Findings...)
	}
	byHash, paths := map[string]span{}, map[string]string{}
	for i, it := range items {
		byHash[it.Hash], paths[it.Hash] = offsets[i], it.Path
	}
	for _, st := range intake.Read(env, items) {
		at := byHash[st.Version.Hash]
		out.Statements = append(out.Statements, StoredStatement{Statement: st, MessageID: m.ID, Offset: at.start,
			Length: at.length, ReceivedAt: m.ReceivedAt})
		if reachesNobody(st) {
			out.Rejects = append(out.Rejects, r.newReject(m, paths[st.Version.Hash], st.Key, StepRead, implant.Finding{
				Severity: "error", Code: "required", Path: st.Type, Text: "no patient whose record can be found is named: what this says is on no record"}))
		}
	}
	return out
}

// reachesNobody says whether a clinical account names no patient, so that a person must find out whose it is.
func reachesNobody(st implant.Statement) bool {
	switch st.Type {
	case "Procedure", "DeviceUseStatement", "DocumentReference", "DiagnosticReport", "Composition",
		"Condition", "Observation", "Flag", "QuestionnaireResponse", "AllergyIntolerance", "CarePlan", "ClinicalImpression", "DeviceRequest":
		return st.Patient == "" && len(st.Facts) > 0 && !unreadOnly(st)
	}
	return false
}

type span struct{ start, length int }

// decode decodes the entries whose type is read; the others only take part in resolving references.
func (r MessageReader) decode(out *Reading, env intake.Envelope, msg fhirjson.Message) (items []intake.Item, offsets []span) {
	for _, e := range msg.Entries {
		it := intake.Item{FullURL: e.FullURL, Method: e.Method, URL: e.URL, Type: e.Type, ID: e.ID, Path: e.Path, Hash: hashOf(e.Raw)}
		if intake.Reads(e.Type) {
			res, findings, err := fhirjson.Decode(e)
			if err != nil {
				r.rejectEntry(out, env, msg, e, refusalFindings(err)...)
				continue
			}
			it.Resource, it.Findings = res, findings
			it.Hash = cmp.Or(fhirjson.Digest(res), it.Hash)
		} else if mayBeAside(e) {
			it.Aside = asideOf(e.Raw)
		}
		items = append(items, it)
		offsets = append(offsets, span{e.Offset, len(e.Raw)})
	}
	return items, offsets
}

// marksOf gives the unread statement itself and one for each further patient that the refused resource names.
func marksOf(st implant.Statement) []implant.Statement {
	out := []implant.Statement{st}
	for _, other := range st.Mentions {
		m := st
		m.Key, m.Patient, m.Mentions = markKey(st.Key, other), other, nil
		out = append(out, m)
	}
	return out
}

// reject adds a reject and, where the bytes still show which source or whom they are about, "unread" statements.
func (r MessageReader) reject(out *Reading, env intake.Envelope, path string, raw []byte, offset int, findings ...implant.Finding) {
	r.rejectAs(out, env, fhirjson.Peek(raw), path, raw, offset, findings...)
}

// rejectEntry is reject for an entry of a Bundle, whose request may name what a deletion or a patch does not carry.
func (r MessageReader) rejectEntry(out *Reading, env intake.Envelope, msg fhirjson.Message, e fhirjson.Entry, findings ...implant.Finding) {
	g := fhirjson.Peek(e.Raw)
	if typ, id := intake.Target(e.URL); id != "" && (e.Method == "DELETE" || e.Method == "PATCH") {
		g = fhirjson.Glimpse{Type: typ, ID: id}
	}
	g.Patients = whoseInBundle(g, msg)
	r.rejectAs(out, env, g, e.Path, e.Raw, e.Offset, findings...)
}

// whoseInBundle gives the patients of a refused entry, those that it names by their place in the Bundle under their own
// ids. A refused account that names nobody, in a Bundle with one Patient, may be about that one: it counts as theirs.
func whoseInBundle(g fhirjson.Glimpse, msg fhirjson.Message) (patients []string) {
	at := map[string]string{} // by fullUrl
	ids := map[string]bool{}
	for _, e := range msg.Entries {
		if e.Type == "Patient" && e.ID != "" {
			ids["Patient/"+e.ID] = true
			if e.FullURL != "" {
				at[e.FullURL] = "Patient/" + e.ID
			}
		}
	}
	for _, p := range g.Patients {
		patients = append(patients, cmp.Or(at[p], p))
	}
	if len(patients)+len(g.Identifiers) == 0 && len(ids) == 1 && intake.Reads(g.Type) && mayBeMentioned(g.Type) {
		patients = sortedKeys(ids)
	}
	return patients
}

func (r MessageReader) rejectAs(out *Reading, env intake.Envelope, g fhirjson.Glimpse, path string, raw []byte, offset int,
	findings ...implant.Finding) {
	m := out.Message
	rej := r.newReject(m, path, "", StepDecode, findings...)
	if !mayTell(g.Type, raw) {
		out.Rejects = append(out.Rejects, rej)
		return
	}
	if len(g.Patients)+len(g.Identifiers) > 0 || g.ID != "" && intake.Reads(g.Type) && mayBeMentioned(g.Type) {
		why := "refused"
		if len(findings) > 0 {
			why = findings[0].Text
		}
		st := intake.Unread(env, g.Type, g.ID, g.VersionID, g.LastUpdated, g.Patients, g.Identifiers, hashOf(raw), why)
		rej.Key = st.Key
		for _, mark := range marksOf(st) {
			out.Statements = append(out.Statements, StoredStatement{Statement: mark, MessageID: m.ID, Offset: offset,
				Length: len(raw), ReceivedAt: m.ReceivedAt})
		}
	}
	out.Rejects = append(out.Rejects, rej)
}

func (r MessageReader) newReject(m Message, path, key, step string, findings ...implant.Finding) Rejected {
	return Rejected{ID: rejectID(m.ID, path), MessageID: m.ID, Sender: m.Sender, Path: path, Key: key, Step: step, Attempts: 1,
		Outcome: fhirjson.OutcomeForSender(findings), RejectedAt: r.Now().UTC().Truncate(time.Microsecond), State: RejectOpen}
}

func rejectID(messageID, path string) string { return hashOf([]byte(messageID + "\x00" + path)) }

func hashOf(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

func refusalFindings(err error) []implant.Finding {
	var ref *fhirjson.Refusal
	if errors.As(err, &ref) {
		return ref.Findings
	}
	return []implant.Finding{{Severity: "error", Code: "processing", Text: err.Error()}}
}
