package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

// Check counts what breaks an invariant, then reads every message, statement, record, outgoing message and
// verdict back, on one snapshot.
// Damaged pages are the server's to notice (data checksums, amcheck): a row that it cannot read is reported.
func (s *db) Check(ctx context.Context) ([]string, error) {
	var found store.Problems
	opt := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	err := s.runPatiently(ctx, opt, func(ses *session) error {
		// The whole database is read: longer than any statement of the service may take.
		settings := []string{"set local statement_timeout = 0"}
		for _, name := range planners() {
			settings = append(settings, "set local "+name+" = on")
		}
		for _, q := range settings {
			if _, err := ses.tx.Exec(ctx, q); err != nil {
				return mapped(err)
			}
		}
		for _, inv := range store.Invariants() {
			var n int64
			if err := ses.tx.QueryRow(ctx, inv.SQL).Scan(&n); err != nil {
				return mapped(err)
			}
			if n > 0 {
				found.Add("not so: %s (%d rows)", inv.Name, n)
			}
		}
		return checkBodies(ctx, ses.tx, &found)
	})
	return found.List, err
}

func checkBodies(ctx context.Context, q pgx.Tx, found *store.Problems) error {
	err := each(ctx, q, "select id, sender, body from messages order by row_id", func(r pgx.Rows) error {
		var m pipeline.Message
		if err := r.Scan(&m.ID, &m.Sender, &m.Body); err != nil {
			return err
		}
		found.CheckMessage(m)
		return nil
	})
	if err != nil {
		return err
	}
	err = each(ctx, q, store.StatementSealSQL, func(r pgx.Rows) error {
		var id int64
		var person int
		var s store.StatementRow
		if err := r.Scan(&id, &s.Key, &s.Version, &s.LastUpdated, &s.MessageTime, &s.Hash, &s.Type, &s.Patient, &person, &s.Body,
			&s.MessageID, &s.Start, &s.Len, &s.ReceivedAt, &s.Seal); err != nil {
			return err
		}
		s.Person = person == 1
		found.CheckStatement(id, s)
		return nil
	})
	if err != nil {
		return err
	}
	n := 0
	err = each(ctx, q, store.RecordSealSQL(keysOf("r.devices")), func(r pgx.Rows) error {
		var rec store.RecordRow
		var parts, devices int
		var of string
		if err := r.Scan(&rec.Patient, &rec.Body, &rec.Seal, &parts, &devices, &rec.Devices, &of); err != nil {
			return err
		}
		n++
		found.CheckRecord(n, rec, parts, devices, of)
		return nil
	})
	if err != nil {
		return err
	}
	err = each(ctx, q, store.TimesSQL, func(r pgx.Rows) error {
		var what, text string
		err := r.Scan(&what, &text)
		found.CheckTime(what, text)
		return err
	})
	if err != nil {
		return err
	}
	return checkSeals(ctx, q, found)
}

// checkSeals compares what nothing else can be compared with to its seal.
func checkSeals(ctx context.Context, q pgx.Tx, found *store.Problems) error {
	err := each(ctx, q, store.OutgoingSealSQL, func(r pgx.Rows) error {
		var o pipeline.Outgoing
		var seal string
		if err := r.Scan(&o.Seq, &o.ID, &o.Order, &o.Sink, &o.To, &o.Body, &seal); err != nil {
			return err
		}
		found.CheckOutgoing(o, seal)
		return nil
	})
	if err != nil {
		return err
	}
	n := 0
	return each(ctx, q, store.VerdictSealSQL, func(r pgx.Rows) error {
		var v pipeline.StoredVerdict
		var decided, seal string
		if err := r.Scan(&v.Referral, &v.Patient, &v.Site, &v.Revision, &v.Digest, &v.State, &v.Kind, &decided, &v.Body,
			&seal); err != nil {
			return err
		}
		n++
		found.CheckVerdict(n, v, decided, seal)
		return nil
	})
}

// each runs a query and calls f for each row as it comes.
func each(ctx context.Context, q pgx.Tx, query string, f func(pgx.Rows) error) error {
	rows, err := q.Query(ctx, query)
	if err != nil {
		return mapped(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return mapped(rows.Err())
}
