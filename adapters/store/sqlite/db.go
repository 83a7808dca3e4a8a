package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

// db is the store: one pool that writes with a single connection, one that only reads.
type db struct {
	write, read *pool
	log         *zap.Logger
}

var _ pipeline.Store = (*db)(nil)

// Update runs f in the one writing transaction. Others wait for it, so no two updates ever interleave. When a
// write failed, nothing is committed even if f returns nil.
func (s *db) Update(ctx context.Context, f func(pipeline.Tx) error) error {
	return s.run(ctx, s.write, false, func(t *tx) error {
		if err := f(t); err != nil {
			return err
		}
		return t.failed
	})
}

// View runs f on a snapshot: what others commit meanwhile is not seen.
func (s *db) View(ctx context.Context, f func(pipeline.Reader) error) error {
	return s.run(ctx, s.read, true, func(t *tx) error { return f(t.reader) })
}

// run begins a transaction, calls f, and commits what f wrote when it returns nil. A panic in f rolls back.
func (s *db) run(ctx context.Context, p *pool, readOnly bool, f func(*tx) error) (err error) {
	sqlTx, err := p.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: readOnly})
	if err != nil {
		return fmt.Errorf("store: begin: %w", mapped(err))
	}
	done := false
	defer func() {
		if !done {
			_ = sqlTx.Rollback() // the error of f, or the panic, says more
		}
	}()
	ses := &session{tx: sqlTx, pool: p, stmts: make(map[string]*sql.Stmt), kept: store.Kept{}}
	if err := f(&tx{reader: reader{ses}, messages: map[string]int64{}}); err != nil {
		return err
	}
	if readOnly {
		return nil // nothing to commit; on a damaged file a commit would fail, too
	}
	done = true
	if err := sqlTx.Commit(); err != nil {
		_ = sqlTx.Rollback()
		if errors.Is(err, sql.ErrTxDone) && ctx.Err() != nil { // database/sql rolled back before the commit could begin
			err = errors.Join(ctx.Err(), err)
		}
		return fmt.Errorf("store: commit: %w", mapped(err))
	}
	return nil
}

// Close waits for running transactions and closes the file; the last close folds the WAL into it.
func (s *db) Close() error {
	return errors.Join(s.read.close(), s.write.close())
}

// Check asks SQLite for damaged pages and broken references, then reads every message, statement, record,
// outgoing message and verdict back, on one snapshot.
func (s *db) Check(ctx context.Context) ([]string, error) {
	var found store.Problems
	err := s.run(ctx, s.read, true, func(t *tx) error { return check(ctx, t.tx, &found) })
	return found.List, err
}

func check(ctx context.Context, q *sql.Tx, found *store.Problems) error {
	err := each(ctx, q, "pragma integrity_check", func(r *sql.Rows) error {
		var line string
		err := r.Scan(&line)
		if line != "ok" {
			found.Add("integrity: %s", line)
		}
		return err
	})
	if err != nil {
		// A page that cannot be read at all is a finding, not a failure of the check.
		found.Add("integrity: %v", err)
	}
	err = each(ctx, q, `select "table", count(*) from pragma_foreign_key_check group by 1`, func(r *sql.Rows) error {
		var table string
		var n int64
		err := r.Scan(&table, &n)
		found.Add("foreign keys: %d rows of %s point nowhere", n, table)
		return err
	})
	if err != nil {
		found.Add("foreign keys: %v", err)
	}
	for _, inv := range store.Invariants() {
		var n int64
		if err := q.QueryRowContext(ctx, inv.SQL).Scan(&n); err != nil {
			found.Add("%s: %v", inv.Name, err)
		} else if n > 0 {
			found.Add("not so: %s (%d rows)", inv.Name, n)
		}
	}
	if err := checkBodies(ctx, q, found); err != nil {
		found.Add("bodies: %v", err)
	}
	return ctx.Err()
}

// checkBodies reads every body back, one row at a time.
func checkBodies(ctx context.Context, q *sql.Tx, found *store.Problems) error {
	err := each(ctx, q, "select id, sender, body from messages order by rowid", func(r *sql.Rows) error {
		var m pipeline.Message
		if err := r.Scan(&m.ID, &m.Sender, (*sql.RawBytes)(&m.Body)); err != nil {
			return err
		}
		found.CheckMessage(m)
		return nil
	})
	if err != nil {
		return err
	}
	err = each(ctx, q, store.StatementSealSQL, func(r *sql.Rows) error {
		var id int64
		var s store.StatementRow
		if err := r.Scan(&id, &s.Key, &s.Version, &s.LastUpdated, &s.MessageTime, &s.Hash, &s.Type, &s.Patient, &s.Person,
			(*sql.RawBytes)(&s.Body), &s.MessageID, &s.Start, &s.Len, &s.ReceivedAt, &s.Seal); err != nil {
			return err
		}
		found.CheckStatement(id, s)
		return nil
	})
	if err != nil {
		return err
	}
	n := 0
	err = each(ctx, q, store.RecordSealSQL(keysOf("r.devices")), func(r *sql.Rows) error {
		var rec store.RecordRow
		var parts, devices int
		var of string
		if err := r.Scan(&rec.Patient, (*sql.RawBytes)(&rec.Body), &rec.Seal, &parts, &devices, &rec.Devices, &of); err != nil {
			return err
		}
		n++
		found.CheckRecord(n, rec, parts, devices, of)
		return nil
	})
	if err != nil {
		return err
	}
	err = each(ctx, q, store.TimesSQL, func(r *sql.Rows) error {
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
func checkSeals(ctx context.Context, q *sql.Tx, found *store.Problems) error {
	err := each(ctx, q, store.OutgoingSealSQL, func(r *sql.Rows) error {
		var o pipeline.Outgoing
		var seal string
		if err := r.Scan(&o.Seq, &o.ID, &o.Order, &o.Sink, &o.To, (*sql.RawBytes)(&o.Body), &seal); err != nil {
			return err
		}
		found.CheckOutgoing(o, seal)
		return nil
	})
	if err != nil {
		return err
	}
	n := 0
	return each(ctx, q, store.VerdictSealSQL, func(r *sql.Rows) error {
		var v pipeline.StoredVerdict
		var decided, seal string
		if err := r.Scan(&v.Referral, &v.Patient, &v.Site, &v.Revision, &v.Digest, &v.State, &v.Kind, &decided, (*sql.RawBytes)(&v.Body),
			&seal); err != nil {
			return err
		}
		n++
		found.CheckVerdict(n, v, decided, seal)
		return nil
	})
}

// each runs a query and calls f for each row.
func each(ctx context.Context, q *sql.Tx, query string, f func(*sql.Rows) error) error {
	rows, err := q.QueryContext(ctx, query)
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
