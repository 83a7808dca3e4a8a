package postgres

import (
	"context"

	"github.com/jackc/pgx/v5/pgconn"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
	"gaussline/mapping/implant"
)

const (
	saveMessageSQL = `insert into messages (id, sender, content_type, received_at, body) values ($1, $2, $3, $4, $5)
		on conflict do nothing`
	// One round for all statements of a message, with their mentions and edges. Nothing is written of those that
	// are kept already. $14 to $18 name the statement they belong to by its place in the other arrays.
	saveStatementsSQL = `with i as (
		select * from unnest($1::text[], $2::text[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[], $8::int[],
			$9::bytea[], $10::text[], $11::int[], $12::int[], $13::text[], $19::text[]) with ordinality
			as i (key, version, last_updated, message_time, hash, type, patient, person, body, message_id, start_at, len,
			received_at, seal, ord)
	), s as (
		insert into statements (key, version, last_updated, message_time, hash, type, patient, person, body, message_row,
			start_at, len, received_at, seal)
		select key, version, last_updated, message_time, hash, type, patient, person, body,
			(select row_id from messages where id = i.message_id), start_at, len, received_at, seal from i order by ord
		on conflict (key, hash, version, last_updated, message_time) do nothing
		returning row_id, key, hash, version, last_updated, message_time
	), n as (
		select i.ord, s.row_id from s join i using (key, hash, version, last_updated, message_time)
	), m as (
		insert into mentions (key, statement_row)
		select e.key, n.row_id from unnest($14::int[], $15::text[]) e (ord, key) join n using (ord)
	)
	insert into patient_edges (a, b, statement_row)
	select e.a, e.b, n.row_id from unnest($16::int[], $17::text[], $18::text[]) e (ord, a, b) join n using (ord)`
	dropStatementsSQL = `delete from statements where message_row = (select row_id from messages where id = $1)
		and ($2 = '' or key = $2)`

	// The parts of this statement touch different rows, so that their order does not matter. What has not changed
	// is not written again.
	saveRecordSQL = `with joined as (
		delete from records where patient <> $1 and patient = any($3)
	), r as (
		insert into records (patient, body, seal, devices, devices_of) values ($1, $2, $17, array_to_string($18::text[], ' '), $17)
		on conflict (patient) do update set body = excluded.body, seal = excluded.seal, devices = excluded.devices,
		devices_of = excluded.devices_of
	), gone as (
		delete from record_aliases where patient = $1 and alias <> all($3)
	), a as (
		insert into record_aliases as a (alias, patient) select unnest($3::text[]), $1
		on conflict (alias) do update set patient = excluded.patient where a.patient <> excluded.patient
	), other as (
		delete from record_devices d using records r where r.patient = any($3) and d.patient = r.patient
		and d.key = any(string_to_array(r.devices, ' ')) and not (d.patient = $1 and d.key = any($18))
	), d as (
		insert into record_devices (key, patient) select unnest($18::text[]), $1 on conflict do nothing
	), removed as (
		delete from parts where patient = $1 and id <> all($4)
	)
	insert into parts as p (patient, id, kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful, life)
	select $1, * from unnest($4::text[], $5::text[], $6::text[], $7::text[], $8::text[], $9::text[], $10::text[],
		$11::text[], $12::text[], $13::text[], $14::text[], $15::int[], $16::text[])
	on conflict (patient, id) do update set (kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful, life) =
		(excluded.kind, excluded.maker, excluded.model, excluded.lot, excluded.serial, excluded.di, excluded.state,
		excluded.implanted, excluded.removed, excluded.expiry, excluded.doubtful, excluded.life)
	where (p.kind, p.maker, p.model, p.lot, p.serial, p.di, p.state, p.implanted, p.removed, p.expiry, p.doubtful, p.life) <>
		(excluded.kind, excluded.maker, excluded.model, excluded.lot, excluded.serial, excluded.di, excluded.state,
		excluded.implanted, excluded.removed, excluded.expiry, excluded.doubtful, excluded.life)`
	dropRecordSQL = `with d as (
		delete from record_devices d using records r where r.patient = $1 and d.patient = $1 and d.key = any(string_to_array(r.devices, ' ')))
		delete from records where patient = $1`

	saveVerdictSQL = `insert into verdicts (referral, patient, site, revision, digest, state, kind, body, decided, seal)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict (referral) do update set patient = excluded.patient,
		site = excluded.site, revision = excluded.revision, digest = excluded.digest, state = excluded.state,
		kind = excluded.kind, body = excluded.body, decided = excluded.decided, seal = excluded.seal`
	saveRejectedSQL = `insert into rejected (id, message_id, sender, path, key, step, outcome, attempts, rejected_at, state, note)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) on conflict (id) do update set message_id = excluded.message_id,
		sender = excluded.sender, path = excluded.path, key = excluded.key, step = excluded.step,
		outcome = excluded.outcome, attempts = excluded.attempts, rejected_at = excluded.rejected_at,
		state = excluded.state, note = excluded.note`
	queueSQL = `insert into outbox (id, ord, sink, dest, body, state, attempts, next_try, last_err, queued, traceparent, seal)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12) on conflict (id) do nothing`
	settleSQL = `update outbox set state = $2, attempts = $3, next_try = $4, last_err = $5 where id = $1`
)

// tx writes inside one transaction. Writes are held back: an error of the server may come out at a later call,
// at the latest from Update.
type tx struct{ reader }

var _ pipeline.Tx = (*tx)(nil)

func (t *tx) SaveMessages(ctx context.Context, list []pipeline.Message) (fresh []bool, err error) {
	fresh = make([]bool, len(list))
	for i, m := range list {
		at, err := store.MessageTime(m)
		if err != nil {
			return nil, t.fail(err)
		}
		if t.failed != nil {
			return nil, t.failed
		}
		t.queue("save message", saveMessageSQL, m.ID, m.Sender, m.ContentType, at, store.NoNil(m.Body)).
			Exec(func(ct pgconn.CommandTag) error { fresh[i] = ct.RowsAffected() > 0; return nil })
		if err := t.sendLarge(ctx); err != nil {
			return nil, err
		}
	}
	if err := t.flush(ctx); err != nil {
		return nil, err
	}
	return fresh, nil
}

func (t *tx) SaveStatement(ctx context.Context, s pipeline.StoredStatement) error {
	row, err := t.kept.Encode(s)
	if err != nil {
		return t.fail(err)
	}
	if t.failed != nil {
		return t.failed
	}
	t.pending.add(row)
	return t.sendLarge(ctx)
}

func (t *tx) DropStatements(ctx context.Context, messageID, key string) error {
	return t.write(ctx, "drop statements", dropStatementsSQL, messageID, key)
}

func (t *tx) SaveRecord(ctx context.Context, rec implant.Record) error {
	row, err := store.EncodeRecord(rec)
	if err != nil {
		return t.fail(err)
	}
	args := []any{row.Patient, row.Body, row.Aliases}
	var cols [11][]string
	for i := range cols {
		cols[i] = make([]string, len(row.Parts)) // never nil: a null array would match no row
	}
	for i, p := range row.Parts {
		for c, v := range []string{p.ID, p.Kind, p.Maker, p.Model, p.Lot, p.Serial, p.DI, p.State, p.Implanted, p.Removed,
			p.Expiry} {
			cols[c][i] = v
		}
	}
	doubtful := make([]int, len(row.Parts))
	for i, p := range row.Parts {
		doubtful[i] = p.Doubtful
	}
	for _, c := range cols {
		args = append(args, c)
	}
	lives := make([]string, len(row.Parts))
	for i, p := range row.Parts {
		lives[i] = p.Life
	}
	args = append(args, doubtful, lives, row.Seal, noNil(row.Keys))
	return t.write(ctx, "save record", saveRecordSQL, args...)
}

func (t *tx) DropRecord(ctx context.Context, patient string) error {
	return t.write(ctx, "drop record", dropRecordSQL, patient)
}

func (t *tx) SaveVerdict(ctx context.Context, v pipeline.StoredVerdict) error {
	decided, err := store.VerdictTime(v)
	if err != nil {
		return t.fail(err)
	}
	return t.write(ctx, "save verdict", saveVerdictSQL, v.Referral, v.Patient, v.Site, v.Revision, v.Digest, v.State,
		v.Kind, store.NoNil(v.Body), decided, store.SealVerdict(v, decided))
}

func (t *tx) SaveRejected(ctx context.Context, r pipeline.Rejected) error {
	at, err := store.RejectedTime(r)
	if err != nil {
		return t.fail(err)
	}
	return t.write(ctx, "save rejected", saveRejectedSQL, r.ID, r.MessageID, r.Sender, r.Path, r.Key, r.Step,
		store.NoNil(r.Outcome), r.Attempts, at, r.State, r.Note)
}

func (t *tx) Queue(ctx context.Context, o pipeline.Outgoing) error {
	queued, next, err := store.OutgoingTimes(&o)
	if err != nil {
		return t.fail(err)
	}
	return t.write(ctx, "queue", queueSQL, o.ID, o.Order, o.Sink, o.To, store.NoNil(o.Body), o.State, o.Attempts, next,
		o.LastErr, queued, o.Traceparent, store.SealOutgoing(o))
}

func (t *tx) Settle(ctx context.Context, o pipeline.Outgoing) error {
	_, next, err := store.OutgoingTimes(&o)
	if err != nil {
		return t.fail(err)
	}
	if t.failed != nil {
		return t.failed
	}
	t.queue("settle", settleSQL, o.ID, o.State, o.Attempts, next, o.LastErr).Exec(func(ct pgconn.CommandTag) error {
		if ct.RowsAffected() == 0 {
			return pipeline.ErrNotFound
		}
		return nil
	})
	return nil
}
