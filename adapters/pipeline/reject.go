package pipeline

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"gaussline/mapping/implant"
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

// ErrNotYours: the reject keeps the verdict of a patient open, and who asks may not lift that.
var ErrNotYours = errors.New("what keeps a patient's verdict open is set aside by a person who may review")

// CloseReject settles a reject that a person has dealt with; the note says how. It no longer keeps the verdicts of its
// patients open; their records keep who set it aside, when and why, and the banners that supersede say so. may decides on
// the records concerned, where there are some; nil lets everybody. ErrSettled: it was settled before, by somebody whose
// name and note stand. ErrNotYours.
func (s *Service) CloseReject(ctx context.Context, rejectID, by, note string, may func([]implant.Record) bool) error {
	if by == "" || note == "" || len(note) > maxReason {
		return fmt.Errorf("closing a reject needs a name and a note that says how it was dealt with, in at most %d bytes", maxReason)
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
		concerned, err := Concerned(ctx, tx, rej)
		if err != nil {
			return err
		}
		if len(concerned) > 0 && may != nil && !may(concerned) {
			return ErrNotYours
		}
		rej.State, rej.Note = RejectClosed, by+": "+note
		if err := tx.SaveRejected(ctx, rej); err != nil {
			return err
		}
		if rej.Key == "" {
			return nil
		}
		for _, rec := range concerned {
			if err := s.setAside(ctx, tx, rec, rej, by, note); err != nil {
				return err
			}
		}
		return s.dropMarks(ctx, tx, rej, concerned)
	})
	s.nudge()
	return err
}

// setAside keeps on a record that a person left a message unread.
func (s *Service) setAside(ctx context.Context, tx Tx, rec implant.Record, rej Rejected, by, note string) error {
	r := Review{Patient: rec.Patient, Question: rej.ID, Kind: setAside, By: by, Reason: note, At: s.Now().UTC().Truncate(time.Microsecond), What: rej.Sender}
	for _, q := range rec.Questions {
		if unreadOf(q, rej) {
			r.What = rej.Sender + " (" + q.Detail + ")"
		}
	}
	var err error
	if r.Patient, err = patientOf(ctx, tx, rec, []implant.Source{{Key: rej.Key}}); err != nil {
		return err
	}
	return saveReview(ctx, tx, r)
}

func unreadOf(q implant.Question, rej Rejected) bool {
	return q.Code == implant.AskMessageUnread && slices.ContainsFunc(q.Sources, func(s implant.Source) bool { return s.Key == rej.Key })
}

// Concerned gives the records whose verdicts a reject keeps open.
func Concerned(ctx context.Context, r Reader, rej Rejected) (out []implant.Record, err error) {
	if rej.Key == "" {
		return nil, nil
	}
	marks, err := marksOn(ctx, r, rej)
	if err != nil {
		return nil, err
	}
	keys, err := r.Concerned(ctx, marks)
	for _, k := range keys {
		if slices.ContainsFunc(out, func(rec implant.Record) bool { return slices.Contains(rec.Aliases, k) }) {
			continue
		}
		rec, err := r.Record(ctx, k)
		if errors.Is(err, ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(rec.Questions, func(q implant.Question) bool { return unreadOf(q, rej) }) {
			out = append(out, rec)
		}
	}
	return out, err
}

// marksOn gives the keys of the unread marks of a reject.
func marksOn(ctx context.Context, r Reader, rej Rejected) ([]string, error) {
	marks := []string{rej.Key}
	sts, err := r.ByKey(ctx, marks)
	for _, st := range sts {
		if st.MessageID == rej.MessageID {
			for _, other := range st.Mentions {
				marks = append(marks, markKey(rej.Key, other))
			}
		}
	}
	return marks, err
}

// dropMarks takes the unread marks of a reject off the records they stand on.
func (s *Service) dropMarks(ctx context.Context, tx Tx, rej Rejected, concerned []implant.Record) error {
	marks, err := marksOn(ctx, tx, rej)
	if err != nil {
		return err
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
	for _, rec := range concerned {
		touched = append(touched, rec.Patient)
	}
	slices.Sort(touched)
	return s.refold(ctx, tx, slices.Compact(touched))
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
