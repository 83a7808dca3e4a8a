package pipeline

import (
	"context"
	"fmt"
	"slices"
	"time"

	"gaussline/mapping/history"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// RecordAsOf gives a patient's record: as it is kept, or its state on a day and as known on a day. on and known
// are the first moments no longer counted; zero leaves that side open. What the records of others have of its devices is
// asked about as it stands now.
func (s *Service) RecordAsOf(ctx context.Context, patient string, on, known time.Time) (rec implant.Record, err error) {
	err = s.Store.View(ctx, func(r Reader) error {
		if rec, err = r.Record(ctx, patient); err != nil {
			return fmt.Errorf("record of that patient: %w", err)
		}
		if on.IsZero() && known.IsZero() {
			return nil
		}
		all, err := s.gather(ctx, r, rec.Aliases)
		if err != nil {
			return err
		}
		if !known.IsZero() {
			all.stored = slices.DeleteFunc(all.stored, func(st StoredStatement) bool { return !st.ReceivedAt.Before(known) })
		}
		people := clusters(all)
		i := slices.IndexFunc(people, func(c cluster) bool {
			return slices.Contains(c.patients, patient) || slices.Contains(c.patients, rec.Patient)
		})
		if i < 0 {
			return fmt.Errorf("record as known then: %w", ErrNotFound)
		}
		c := &people[i]
		c.on = on
		c.fold()
		shared, err := r.Sharers(ctx, c.patients, c.devices, history.MaxHolders+1)
		if err != nil {
			return err
		}
		if err := askAcross(ctx, r, people[i:i+1], shared); err != nil {
			return err
		}
		rec = c.record
		return nil
	})
	return rec.AsOf(s.Now()), err
}

// Explain decides an order anew with every condition traced.
func (s *Service) Explain(ctx context.Context, patient, order string) (rec implant.Record, ref implant.Referral, v mri.Verdict, err error) {
	err = s.Store.View(ctx, func(r Reader) error {
		if rec, err = r.Record(ctx, patient); err != nil {
			return fmt.Errorf("record of that patient: %w", err)
		}
		stored, err := r.ByKey(ctx, []string{order})
		if err != nil {
			return err
		}
		var sts []implant.Statement
		for _, st := range stored {
			if slices.Contains(rec.Aliases, st.Patient) {
				sts = append(sts, st.Statement)
			}
		}
		current, _ := history.Current(sts)
		if len(current) == 0 || current[len(current)-1].Referral == nil {
			return fmt.Errorf("order of that patient: %w", ErrNotFound)
		}
		ref = *current[len(current)-1].Referral
		return nil
	})
	if err != nil {
		return rec, ref, v, err
	}
	rec = rec.AsOf(s.Now())
	return rec, ref, s.Verdict(rec, ref, s.SiteOf(ref).Name, true), nil
}

// Reject gives a reject and the message it came in, by the whole ID or a beginning only one has.
func (s *Service) Reject(ctx context.Context, id string) (rej Rejected, m Message, err error) {
	err = s.Store.View(ctx, func(r Reader) error {
		all, err := r.Rejects(ctx, "")
		if err != nil {
			return err
		}
		var ok bool
		if rej, ok = findReject(all, id); !ok {
			return fmt.Errorf("reject %s: %w", id, ErrNotFound)
		}
		m, err = r.Message(ctx, rej.MessageID)
		return err
	})
	return rej, m, err
}
