package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
	"gaussline/mapping/identity"
	"gaussline/mapping/implant"
)

// Lists of keys go in as one JSON array, so that a statement is compiled once whatever their number.
const (
	// The recursion stops at one more than the limit; reader.Cluster then refuses. It does not go on from an
	// identifier that more than ?3 keys hang on.
	clusterSQL = `with recursive c(n) as (
		select value from json_each(?1) union select e.b from c join patient_edges e on e.a = c.n
		where not ` + crowdedSQL + ` limit ?2)
		select n, ` + crowdedSQL + ` from c order by n`
	crowdedSQL    = `(c.n like 'id:%' and (select x.b from patient_edges x where x.a = c.n group by x.b limit 1 offset ?3) is not null)`
	statementCols = `s.body, m.id, s.start_at, s.len, s.received_at
		from statements s join messages m on m.row_id = s.message_row`
	statementOrder = `order by s.key, s.hash, s.version, s.last_updated, s.message_time limit ?2`
	ofPatientsSQL  = `select ` + statementCols + ` where s.key in (
		select key from statements where patient <> '' and patient in (select value from json_each(?1))
		union select key from statements where person = 1 and key in (select value from json_each(?1)))
		` + statementOrder
	byKeySQL = `select ` + statementCols + ` where s.key in (select value from json_each(?1)) ` + statementOrder
	// A source that names no patient (a Device that is part of a Device) hands the question on to those that
	// mention it.
	concernedSQL = `with recursive w(key, patient) as (
		select value, '' from json_each(?1) union
		select s.key, s.patient from w join mentions m on m.key = w.key join statements s on s.row_id = m.statement_row
		where w.patient = '')
		select patient from w where patient <> '' union
		select patient from statements where patient <> '' and key in (select value from json_each(?1))
		order by patient limit ?2`
	messageSQL  = `select sender, content_type, received_at, body from messages where id = ?1`
	recordSQL   = `select r.body from record_aliases a join records r on r.patient = a.patient where a.alias = ?1`
	recordsSQL  = `select patient, body from records where patient > ?1 order by patient limit ?2`
	verdictCols = `referral, patient, site, revision, digest, state, kind, body, decided`
	verdictSQL  = `select ` + verdictCols + ` from verdicts where referral = ?1`
	verdictsSQL = `select ` + verdictCols + ` from verdicts where (?1 = '' or site = ?1) and (?2 = '' or state = ?2)
		order by referral limit ?3`
	rejectsSQL = `select id, message_id, sender, path, key, step, outcome, attempts, rejected_at, state, note
		from rejected where (?1 = '' or state = ?1) order by rejected_at, id limit ?2`
	outboxCols = `o.seq, o.id, o.ord, o.sink, o.dest, o.body, o.queued, o.attempts, o.next_try, o.last_err, o.state, o.traceparent`
	outboxSQL  = `select ` + outboxCols + ` from outbox o where (?1 = '' or o.state = ?1) order by o.seq limit ?2`
	// Only the first waiting message of an order may go; a dead one does not hold up those behind it.
	waitingSQL = `select ` + outboxCols + ` from outbox o where o.state = 'waiting' and o.next_try <= ?1
		and not exists (select 1 from outbox p where p.state = 'waiting' and p.ord = o.ord and p.seq < o.seq)
		order by o.seq limit ?2`
	countSQL = `select
		(select count(*) from messages), (select count(*) from statements), (select count(*) from records),
		(select count(*) from parts), (select count(*) from rejected where state = 'open'),
		(select count(*) from outbox where state = 'waiting'), (select count(*) from outbox where state = 'dead'),
		(select count(*) from verdicts where state = 'in-force')`
)

// readSQL lists the statements that a reader uses.
func readSQL() []string {
	shapes := store.PartsShapes(inList)
	return append([]string{clusterSQL, ofPatientsSQL, byKeySQL, concernedSQL, messageSQL, recordSQL, recordsSQL, verdictSQL,
		verdictsSQL, rejectsSQL, outboxSQL, waitingSQL, countSQL, entriesSQL, entriesOfSQL, newestSQL, sessionSQL, livesSQL, sharersSQL,
		unlistedSQL}, shapes...)
}

// session is one transaction with the pool's prepared statements.
type session struct {
	tx    *sql.Tx
	pool  *pool
	stmts map[string]*sql.Stmt
	kept  store.Kept
}

func (s *session) stmt(ctx context.Context, q string) *sql.Stmt {
	st := s.stmts[q]
	if st == nil {
		st = s.tx.StmtContext(ctx, s.pool.stmts[q])
		s.stmts[q] = st
	}
	return st
}

// query calls f for each row; no cursor stays open.
func (s *session) query(ctx context.Context, what, q string, f func(*sql.Rows) error, args ...any) error {
	rows, err := s.stmt(ctx, q).QueryContext(ctx, args...)
	if err != nil {
		return fmt.Errorf("store: %s: %w", what, mapped(err))
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		if n++; n > store.MaxRows {
			return fmt.Errorf("store: %s: %w", what, store.ErrTooMany)
		}
		if err := f(rows); err != nil {
			return fmt.Errorf("store: %s: %w", what, err)
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("store: %s: %w", what, mapped(err))
	}
	return nil
}

// one scans the only row of a query; pipeline.ErrNotFound when there is none.
func (s *session) one(ctx context.Context, what, q string, args []any, dest ...any) error {
	err := s.stmt(ctx, q).QueryRowContext(ctx, args...).Scan(dest...)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("store: %s: %w", what, pipeline.ErrNotFound)
	}
	if err != nil {
		return fmt.Errorf("store: %s: %w", what, mapped(err))
	}
	return nil
}

// reader answers inside one transaction.
type reader struct{ *session }

var _ pipeline.Reader = reader{}

// keyList writes keys as the JSON array that the statements take.
func keyList(keys []string) (string, error) {
	if keys == nil {
		keys = []string{}
	}
	b, err := json.Marshal(keys)
	return string(b), err
}

func (r reader) Cluster(ctx context.Context, patients []string) (keys, crowded []string, err error) {
	limit := store.ClusterLimit(len(patients))
	list, err := keyList(patients)
	if err != nil {
		return nil, nil, err
	}
	met := 0
	err = r.query(ctx, "cluster", clusterSQL, func(rows *sql.Rows) error {
		var n string
		var many bool
		if err := rows.Scan(&n, &many); err != nil {
			return err
		}
		met++
		if many {
			crowded = append(crowded, n)
		}
		if !many || slices.Contains(patients, n) {
			keys = append(keys, n)
		}
		return nil
	}, list, limit+1, identity.MaxSharers)
	if err == nil && met > limit {
		err = fmt.Errorf("store: cluster: %w", store.ErrCluster)
	}
	if err != nil {
		return nil, nil, err
	}
	return keys, crowded, nil
}

func (r reader) OfPatients(ctx context.Context, patients []string) ([]pipeline.StoredStatement, error) {
	return r.statements(ctx, "statements of patients", ofPatientsSQL, patients)
}

func (r reader) ByKey(ctx context.Context, keys []string) ([]pipeline.StoredStatement, error) {
	return r.statements(ctx, "statements by key", byKeySQL, keys)
}

func (r reader) statements(ctx context.Context, what, q string, list []string) ([]pipeline.StoredStatement, error) {
	keys, err := keyList(list)
	if err != nil {
		return nil, err
	}
	var out []pipeline.StoredStatement
	err = r.query(ctx, what, q, func(rows *sql.Rows) error {
		var body sql.RawBytes
		var messageID, receivedAt string
		var start, length int
		if err := rows.Scan(&body, &messageID, &start, &length, &receivedAt); err != nil {
			return err
		}
		s, err := r.kept.Decode(body, messageID, start, length, receivedAt)
		out = append(out, s)
		return err
	}, keys, store.MaxRows+1)
	return out, err
}

func (r reader) Concerned(ctx context.Context, keys []string) ([]string, error) {
	return r.names(ctx, "patients concerned", concernedSQL, keys, store.MaxRows+1)
}

// names runs a query that gives at most limit keys.
func (r reader) names(ctx context.Context, what, q string, keys []string, limit int) ([]string, error) {
	list, err := keyList(keys)
	if err != nil {
		return nil, err
	}
	var out []string
	err = r.query(ctx, what, q, func(rows *sql.Rows) error {
		var n string
		err := rows.Scan(&n)
		out = append(out, n)
		return err
	}, list, limit)
	if err != nil {
		return nil, err
	}
	return out, nil
}

func (r reader) Message(ctx context.Context, id string) (pipeline.Message, error) {
	m := pipeline.Message{ID: id}
	var at string
	err := r.one(ctx, "message", messageSQL, []any{id}, &m.Sender, &m.ContentType, &at, &m.Body)
	if err == nil {
		m.ReceivedAt, err = store.ParseTime(at)
	}
	if err != nil {
		return pipeline.Message{}, err
	}
	m.Body = store.NilIfEmpty(m.Body)
	return m, nil
}

func (r reader) Record(ctx context.Context, patient string) (implant.Record, error) {
	var body []byte
	if err := r.one(ctx, "record", recordSQL, []any{patient}, &body); err != nil {
		return implant.Record{}, err
	}
	return store.DecodeRecord(body)
}

func (r reader) Records(ctx context.Context, after string, f func(implant.Record) error) error {
	for {
		var page []implant.Record
		err := r.query(ctx, "records", recordsSQL, func(rows *sql.Rows) error {
			var body sql.RawBytes
			if err := rows.Scan(&after, &body); err != nil {
				return err
			}
			rec, err := store.DecodeRecord(body)
			page = append(page, rec)
			return err
		}, after, store.PageRows)
		if err != nil {
			return err
		}
		for _, rec := range page {
			if err := f(rec); err != nil {
				return err
			}
		}
		if len(page) < store.PageRows {
			return nil
		}
	}
}

func (r reader) Verdict(ctx context.Context, referral string) (pipeline.StoredVerdict, error) {
	list, err := r.verdicts(ctx, "verdict", verdictSQL, referral)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("store: verdict: %w", pipeline.ErrNotFound)
	}
	if err != nil {
		return pipeline.StoredVerdict{}, err
	}
	return list[0], nil
}

func (r reader) Verdicts(ctx context.Context, site, state string) ([]pipeline.StoredVerdict, error) {
	return r.verdicts(ctx, "verdicts", verdictsSQL, site, state, store.MaxRows+1)
}

func (r reader) verdicts(ctx context.Context, what, q string, args ...any) ([]pipeline.StoredVerdict, error) {
	var out []pipeline.StoredVerdict
	err := r.query(ctx, what, q, func(rows *sql.Rows) error {
		var v pipeline.StoredVerdict
		var decided string
		err := rows.Scan(&v.Referral, &v.Patient, &v.Site, &v.Revision, &v.Digest, &v.State, &v.Kind, &v.Body, &decided)
		if err == nil {
			v.Decided, err = store.ParseTime(decided)
		}
		v.Body = store.NilIfEmpty(v.Body)
		out = append(out, v)
		return err
	}, args...)
	return slices.Clip(out), err
}

func (r reader) Rejects(ctx context.Context, state string) ([]pipeline.Rejected, error) {
	var out []pipeline.Rejected
	err := r.query(ctx, "rejected messages", rejectsSQL, func(rows *sql.Rows) error {
		var x pipeline.Rejected
		var at string
		err := rows.Scan(&x.ID, &x.MessageID, &x.Sender, &x.Path, &x.Key, &x.Step, &x.Outcome, &x.Attempts, &at,
			&x.State, &x.Note)
		if err == nil {
			x.RejectedAt, err = store.ParseTime(at)
		}
		x.Outcome = store.NilIfEmpty(x.Outcome)
		out = append(out, x)
		return err
	}, state, store.MaxRows+1)
	return out, err
}

func (r reader) Waiting(ctx context.Context, now time.Time, limit int) ([]pipeline.Outgoing, error) {
	at, err := store.FormatTime(now)
	if err != nil {
		return nil, fmt.Errorf("store: waiting: %w", err)
	}
	return r.outgoing(ctx, "waiting", waitingSQL, at, max(limit, 0))
}

func (r reader) Outbox(ctx context.Context, state string) ([]pipeline.Outgoing, error) {
	return r.outgoing(ctx, "outbox", outboxSQL, state, store.MaxRows+1)
}

func (r reader) outgoing(ctx context.Context, what, q string, args ...any) ([]pipeline.Outgoing, error) {
	var out []pipeline.Outgoing
	err := r.query(ctx, what, q, func(rows *sql.Rows) error {
		var o pipeline.Outgoing
		var queued, next string
		err := rows.Scan(&o.Seq, &o.ID, &o.Order, &o.Sink, &o.To, &o.Body, &queued, &o.Attempts, &next, &o.LastErr, &o.State,
			&o.Traceparent)
		if err == nil {
			o.Queued, err = store.ParseTime(queued)
		}
		if err == nil {
			o.NextTry, err = store.ParseTime(next)
		}
		o.Body = store.NilIfEmpty(o.Body)
		out = append(out, o)
		return err
	}, args...)
	return out, err
}

func (r reader) Count(ctx context.Context) (map[string]int64, error) {
	names := store.CountNames()
	n := make([]int64, len(names))
	dest := make([]any, len(names))
	for i := range n {
		dest[i] = &n[i]
	}
	if err := r.one(ctx, "count", countSQL, nil, dest...); err != nil {
		return nil, err
	}
	out := make(map[string]int64, len(names))
	for i, name := range names {
		out[name] = n[i]
	}
	return out, nil
}
