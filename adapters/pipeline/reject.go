package pipeline

import (
	"context"
	"fmt"
)

// refusalNotice queues the OperationOutcome of a reject for its sender.
func (s *Service) refusalNotice(r Rejected) Outgoing {
	return Outgoing{ID: hashOf([]byte("refusal\x00" + r.ID)), Order: "rejected|" + r.ID, Sink: SinkNATS,
		To: SubjectRejected + r.Sender, Body: r.Outcome, Queued: s.Now(), NextTry: s.Now(), State: OutWaiting}
}

// Replay reads a rejected message again from its kept bytes, after the cause was mended here: a newer reader, a
// limit, a sender's base URL. What is refused again stays open. ErrSettled: a person has closed it, and reading it
// again would open it behind their back.
func (s *Service) Replay(ctx context.Context, rejectID string) (stillOpen bool, err error) {
	err = s.Store.Update(ctx, func(tx Tx) error {
		rejects, err := tx.Rejects(ctx, "")
		if err != nil {
			return err
		}
		rej, ok := findReject(rejects, rejectID)
		if !ok {
			return fmt.Errorf("reject %s: %w", rejectID, ErrNotFound)
		}
		if rej.State == RejectClosed {
			return fmt.Errorf("reject %s: %w: closed by %s", rejectID, ErrSettled, rej.Note)
		}
		m, err := tx.Message(ctx, rej.MessageID)
		if err != nil {
			return err
		}
		r := s.Reader.Read(m)
		if err := tx.DropStatements(ctx, m.ID, ""); err != nil {
			return err
		}
		touched := map[string]bool{}
		for _, old := range rejects {
			if old.MessageID == m.ID && old.State == RejectOpen {
				old.State = RejectReplayed
				if err := tx.SaveRejected(ctx, old); err != nil {
					return err
				}
			}
		}
		if err := s.save(ctx, tx, r, touched); err != nil {
			return err
		}
		stillOpen = len(r.Rejects) > 0
		return s.refoldTouched(ctx, tx, []Reading{r}, touched)
	})
	s.nudge()
	return stillOpen, err
}

// CloseReject settles a reject that a person has dealt with; the note says how. The patient's record no longer
// counts it as unread. ErrSettled: it was settled before, by somebody whose name and note stand.
func (s *Service) CloseReject(ctx context.Context, rejectID, by, note string) error {
	if by == "" || note == "" {
		return fmt.Errorf("closing a reject needs a name and a note that says how it was dealt with")
	}
	err := s.Store.Update(ctx, func(tx Tx) error {
		rejects, err := tx.Rejects(ctx, "")
		if err != nil {
			return err
		}
		rej, ok := findReject(rejects, rejectID)
		if !ok {
			return fmt.Errorf("reject %s: %w", rejectID, ErrNotFound)
		}
		if rej.State != RejectOpen {
			return fmt.Errorf("reject %s: %w: %s %s", rejectID, ErrSettled, rej.State, rej.Note)
		}
		rej.State, rej.Note = RejectClosed, by+": "+note
		if err := tx.SaveRejected(ctx, rej); err != nil {
			return err
		}
		if rej.Key == "" {
			return nil
		}
		return s.dropMarks(ctx, tx, rej)
	})
	s.nudge()
	return err
}

// dropMarks takes the unread marks of a reject off the records they stand on.
func (s *Service) dropMarks(ctx context.Context, tx Tx, rej Rejected) error {
	marks := []string{rej.Key}
	sts, err := tx.ByKey(ctx, marks)
	if err != nil {
		return err
	}
	for _, st := range sts {
		if st.MessageID == rej.MessageID {
			for _, other := range st.Mentions {
				marks = append(marks, markKey(rej.Key, other))
			}
		}
	}
	touched, err := tx.Concerned(ctx, marks)
	if err != nil {
		return err
	}
	for _, key := range marks {
		if err := tx.DropStatements(ctx, rej.MessageID, key); err != nil {
			return err
		}
	}
	return s.refold(ctx, tx, touched)
}

// markKey is the key of the mark on a further patient that a refused resource names.
func markKey(key, patient string) string { return key + "#of:" + hashOf([]byte(patient))[:16] }

// findReject accepts the whole ID or a beginning of at least 8 characters that only one reject has.
func findReject(rejects []Rejected, id string) (found Rejected, ok bool) {
	n := 0
	for _, r := range rejects {
		if r.ID == id {
			return r, true
		}
		if len(id) >= 8 && len(r.ID) >= len(id) && r.ID[:len(id)] == id {
			found = r
			n++
		}
	}
	return found, n == 1
}
