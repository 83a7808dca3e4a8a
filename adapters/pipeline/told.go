package pipeline

import (
	"context"
	"errors"
	"fmt"

	"gaussline/adapters/fhirjson"
	"gaussline/mapping/implant"
)

// Told says to a sender what became of a message of theirs, as an OperationOutcome: what was refused and why, what was
// mended, and what is kept and not read. It quotes the message, so it is for that sender alone. ready is false while the
// message may still wait to be read. ErrNotFound: the sender has no such message, whoever else may.
func (s *Service) Told(ctx context.Context, sender, id string) (outcome []byte, ready bool, err error) {
	findings, err := s.findingsOf(ctx, sender, id)
	if !errors.Is(err, errNotRead) {
		return fhirjson.OutcomeForSender(findings), err == nil, err
	}
	waiting, err := s.Inbox.Backlog(ctx)
	if err != nil {
		return nil, false, fmt.Errorf("inbox: %w", err)
	}
	if waiting > 0 {
		return nil, false, nil
	}
	// Nothing waits, so what was accepted before this question has been read: perhaps just now.
	if findings, err = s.findingsOf(ctx, sender, id); errors.Is(err, errNotRead) {
		err = ErrNotFound
	}
	return fhirjson.OutcomeForSender(findings), err == nil, err
}

// errNotRead: no message of this ID is in the record.
var errNotRead = errors.New("not read")

func (s *Service) findingsOf(ctx context.Context, sender, id string) (out []implant.Finding, err error) {
	var m Message
	err = s.Store.View(ctx, func(r Reader) error {
		if m, err = r.Message(ctx, id); errors.Is(err, ErrNotFound) {
			return errNotRead
		}
		if err != nil || m.Sender != sender {
			return errors.Join(err, ErrNotFound)
		}
		rejects, err := r.Rejects(ctx, "")
		if err != nil {
			return err
		}
		for _, rej := range rejects {
			if rej.MessageID != id {
				continue
			}
			told, err := refusedAs(rej)
			if err != nil {
				return err
			}
			out = append(out, told...)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return append(out, s.mendedIn(m)...), nil
}

// refusedAs gives the findings of a reject, with what has been done about it since. The note of whoever did it is for the
// house.
func refusedAs(r Rejected) ([]implant.Finding, error) {
	switch r.State {
	case RejectReplayed:
		return []implant.Finding{{Severity: "information", Code: "informational", Path: r.Path, Text: "was refused at first, and read later"}}, nil
	case RejectClosed:
		return []implant.Finding{{Severity: "information", Code: "informational", Path: r.Path, Text: "was refused, and has been dealt with by a person"}}, nil
	}
	return fhirjson.ReadOutcome(r.Outcome)
}

// mendedIn reads a message once more for what was mended in it, and for what is kept and not read: both follow from its
// bytes alone.
func (s *Service) mendedIn(m Message) (out []implant.Finding) {
	msg, err := fhirjson.Split(m.Body, s.Reader.Limits)
	if err != nil {
		return nil // refused whole, as told already
	}
	out = append(out, msg.Findings...)
	for _, st := range s.Reader.Read(m).Statements {
		if !unreadOnly(st.Statement) {
			out = append(out, st.Findings...)
		}
	}
	return append(out, notRead(msg.Entries)...)
}
