package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"gaussline/adapters/fhirjson"
	"gaussline/mapping/implant"
	"gaussline/mapping/intake"
)

// MessageID is the identity of a received message: the same body from the same sender is the same message.
func MessageID(sender string, body []byte) string {
	h := sha256.New()
	h.Write([]byte(sender))
	h.Write([]byte{0})
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// Receiver takes messages at the door: it looks at their shape, and keeps those that can be read in the inbox.
type Receiver struct {
	Inbox  Inbox
	Limits fhirjson.Limits
	Now    func() time.Time
	Tracer Tracer // nil: nothing is traced
}

// Receive keeps a message. It returns after the message is synced to disk. A *fhirjson.Refusal says what is wrong
// with a message whose shape cannot be read; findings name entries that will be refused and what will be mended.
// Meaning is read later: an accepted message can still be rejected.
func (r Receiver) Receive(ctx context.Context, sender, contentType string, body []byte) (id string, findings []implant.Finding, err error) {
	m := Message{ID: MessageID(sender, body), Sender: sender, ContentType: contentType, Body: body,
		ReceivedAt: r.Now().UTC().Truncate(time.Microsecond)}
	tracer := r.Tracer
	if tracer == nil {
		tracer = noTracer{}
	}
	span, end := tracer.Begin(TraceparentOf(ctx), SpanReceive)
	defer func() { end(err != nil, "sender", sender, "message", m.ID) }()
	ctx = WithTraceparent(ctx, span)
	msg, err := fhirjson.Split(body, r.Limits)
	if err != nil {
		return "", nil, errors.Join(err, r.keepRefused(ctx, m))
	}
	findings = msg.Findings
	for _, b := range msg.Bad {
		findings = append(findings, b.Refusal.Findings...)
	}
	findings = append(findings, notRead(msg.Entries)...)
	if err := r.Inbox.Put(ctx, m); err != nil {
		return "", findings, fmt.Errorf("keep message: %w", err)
	}
	return m.ID, findings, nil
}

// notRead says once of each type that is not read that nobody weighs what it says: its sender must not believe that
// a retained lead told of in a Communication is known here.
func notRead(entries []fhirjson.Entry) (out []implant.Finding) {
	said := map[string]bool{"MessageHeader": true}
	for _, e := range entries {
		if intake.Reads(e.Type) || said[e.Type] {
			continue
		}
		said[e.Type] = true
		out = append(out, implant.Finding{Severity: "warning", Code: "not-supported", Path: e.Path,
			Text: "kept as received, but " + e.Type + " is not read: at most, words of an implant in it make a question on the patient's record"})
	}
	return out
}

// maxRefusedKept is the largest refused body that is looked into and kept, bytes. Larger ones are hostile more often
// than not, and their sender has the refusal.
const maxRefusedKept = 1 << 20

// keepRefused keeps a message that is refused at the door when it still shows a patient: it is rejected when it is
// read, and until somebody deals with it that patient's MR status is not established.
func (r Receiver) keepRefused(ctx context.Context, m Message) error {
	if len(m.Body) > min(maxRefusedKept, r.Limits.Bytes) {
		return nil
	}
	g := fhirjson.Peek(m.Body)
	if len(g.Patients)+len(g.Identifiers) == 0 && g.Type != "Patient" {
		return nil
	}
	if err := r.Inbox.Put(ctx, m); err != nil {
		return fmt.Errorf("keep refused message: %w", err)
	}
	return nil
}
