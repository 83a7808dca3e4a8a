package store

import (
	"fmt"
	"time"

	"gaussline/adapters/pipeline"
)

// MessageTime checks a message and gives its time as text.
func MessageTime(m pipeline.Message) (receivedAt string, err error) {
	if m.ID == "" {
		return "", fmt.Errorf("message without an ID")
	}
	if err := firstError(CheckKey("message id", m.ID), CheckKey("sender", m.Sender),
		CheckKey("content type", m.ContentType), checkBody("message", m.Body)); err != nil {
		return "", fmt.Errorf("message: %w", err)
	}
	if receivedAt, err = FormatTime(m.ReceivedAt); err != nil {
		return "", fmt.Errorf("message: received at: %w", err)
	}
	return receivedAt, nil
}

// VerdictTime checks a verdict and gives its time as text.
func VerdictTime(v pipeline.StoredVerdict) (decided string, err error) {
	if v.Referral == "" {
		return "", fmt.Errorf("verdict without a referral key")
	}
	if err := firstError(CheckKey("referral key", v.Referral), CheckKey("patient key", v.Patient),
		CheckKey("site", v.Site), CheckKey("digest", v.Digest), CheckKey("state", v.State),
		CheckKey("kind", v.Kind), checkBody("verdict", v.Body)); err != nil {
		return "", fmt.Errorf("verdict: %w", err)
	}
	if decided, err = FormatTime(v.Decided); err != nil {
		return "", fmt.Errorf("verdict: decided: %w", err)
	}
	return decided, nil
}

// RejectedTime checks a rejected message and gives its time as text.
func RejectedTime(r pipeline.Rejected) (rejectedAt string, err error) {
	if r.ID == "" {
		return "", fmt.Errorf("rejected message without an ID")
	}
	if err := firstError(CheckKey("id", r.ID), CheckKey("message id", r.MessageID), CheckKey("sender", r.Sender),
		CheckText("path", r.Path), CheckKey("key", r.Key), CheckKey("step", r.Step), CheckKey("state", r.State),
		CheckText("note", r.Note), checkBody("outcome", r.Outcome)); err != nil {
		return "", fmt.Errorf("rejected message: %w", err)
	}
	if rejectedAt, err = FormatTime(r.RejectedAt); err != nil {
		return "", fmt.Errorf("rejected message: rejected at: %w", err)
	}
	return rejectedAt, nil
}

// OutgoingTimes checks an outgoing message and gives its times as text. An empty State counts as "waiting".
func OutgoingTimes(o *pipeline.Outgoing) (queued, nextTry string, err error) {
	if o.State == "" {
		o.State = StateWaiting
	}
	if o.ID == "" {
		return "", "", fmt.Errorf("outgoing message without an ID")
	}
	if err := firstError(CheckKey("id", o.ID), CheckKey("order", o.Order), CheckKey("sink", o.Sink),
		CheckKey("destination", o.To), CheckKey("traceparent", o.Traceparent), CheckText("last error", o.LastErr), checkOutState(o.State),
		checkBody("outgoing message", o.Body)); err != nil {
		return "", "", fmt.Errorf("outgoing message: %w", err)
	}
	err = times(timeField{"queued", o.Queued, &queued}, timeField{"next try", o.NextTry, &nextTry})
	if err != nil {
		return "", "", fmt.Errorf("outgoing message: %w", err)
	}
	return queued, nextTry, nil
}

// EntryTime checks an entry of the journal and gives its time as text.
func EntryTime(e pipeline.Entry) (at string, err error) {
	if e.Kind == "" {
		return "", fmt.Errorf("journal entry without a kind")
	}
	if err := firstError(CheckKey("kind", e.Kind), CheckKey("key", e.Key), checkBody("journal entry", e.Body)); err != nil {
		return "", fmt.Errorf("journal entry: %w", err)
	}
	if at, err = FormatTime(e.At); err != nil {
		return "", fmt.Errorf("journal entry: at: %w", err)
	}
	return at, nil
}

// States of an outgoing message, as pipeline.Outgoing documents them.
const (
	StateWaiting = "waiting"
	StateSent    = "sent"
	StateDead    = "dead"
)

func checkOutState(s string) error {
	switch s {
	case StateWaiting, StateSent, StateDead:
		return nil
	}
	return fmt.Errorf("state %q is none of waiting, sent, dead", s)
}

func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// NoNil gives an empty slice for nil, for columns that are never null.
func NoNil(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// NilIfEmpty gives nil for an empty slice: an empty body comes back as nil from both databases.
func NilIfEmpty(b []byte) []byte {
	if len(b) == 0 {
		return nil
	}
	return b
}

// CountNames gives the names of what is counted, in the order in which both dialects count.
func CountNames() []string {
	return []string{"messages", "statements", "records", "parts", "rejected-open", "outbox-waiting", "outbox-dead",
		"verdicts-in-force"}
}

// SessionTimes checks a session and gives its end, and now, as text.
func SessionTimes(s pipeline.Session, now time.Time) (ends, at string, err error) {
	if s.ID == "" {
		return "", "", fmt.Errorf("session without an ID")
	}
	if err := firstError(CheckKey("id", s.ID), checkBody("session", s.Data)); err != nil {
		return "", "", fmt.Errorf("session: %w", err)
	}
	if err := times(timeField{"ends", s.Ends, &ends}, timeField{"now", now, &at}); err != nil {
		return "", "", fmt.Errorf("session: %w", err)
	}
	return ends, at, nil
}

// DecodeSession turns the columns of a row back into a session.
func DecodeSession(id string, body []byte, ends string) (s pipeline.Session, err error) {
	s = pipeline.Session{ID: id, Data: NilIfEmpty(body)}
	s.Ends, err = ParseTime(ends)
	return s, err
}
