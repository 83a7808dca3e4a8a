package sqlite

import (
	"context"
	"database/sql"
	"fmt"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
	"gaussline/mapping/implant"
	"gaussline/mapping/trace"
)

const (
	saveMessageSQL = `insert into messages (id, sender, content_type, received_at, body) values (?1, ?2, ?3, ?4, ?5)
		on conflict do nothing`
	saveStatementSQL = `insert into statements (key, version, last_updated, message_time, hash, type, patient, person,
		body, message_row, start_at, len, received_at, seal) values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9,
		coalesce(?14, (select row_id from messages where id = ?10)), ?11, ?12, ?13, ?15)
		on conflict (key, hash, version, last_updated, message_time) do nothing`
	saveMentionSQL    = `insert into mentions (key, statement_row) values (?1, ?2)`
	saveEdgeSQL       = `insert into patient_edges (a, b, statement_row) values (?1, ?2, ?3), (?2, ?1, ?3)`
	dropStatementsSQL = `delete from statements where message_row = (select row_id from messages where id = ?1)
		and (?2 = '' or key = ?2)`

	dropAliasedSQL  = `delete from records where patient <> ?1 and patient in (select value from json_each(?2))`
	newRecordSQL    = `insert into records (patient, body, seal, devices, devices_of) values (?1, ?2, ?3, ?4, ?3) on conflict do nothing`
	changeRecordSQL = `update records set body = ?2, seal = ?3, devices = ?4, devices_of = ?3 where patient = ?1`
	// What has not changed is not written again.
	dropAliasesSQL = `delete from record_aliases where patient = ?1 and alias not in (select value from json_each(?2))`
	saveAliasSQL   = `insert into record_aliases (alias, patient) values (?1, ?2)
		on conflict (alias) do update set patient = excluded.patient where patient <> excluded.patient`
	dropPartsSQL = `delete from parts where patient = ?1 and id not in (select value from json_each(?2))`
	savePartSQL  = `insert into parts (patient, id, kind, maker, model, lot, serial, di, state, implanted, removed, expiry,
		doubtful, life, model_folded, lot_folded, serial_folded, di_folded)
		values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)
		on conflict (patient, id) do update set (kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful,
		life, model_folded, lot_folded, serial_folded, di_folded) =
		(excluded.kind, excluded.maker, excluded.model, excluded.lot, excluded.serial, excluded.di, excluded.state,
		excluded.implanted, excluded.removed, excluded.expiry, excluded.doubtful,
		excluded.life, excluded.model_folded, excluded.lot_folded, excluded.serial_folded, excluded.di_folded)
		where (kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful, life) <>
		(excluded.kind, excluded.maker, excluded.model, excluded.lot, excluded.serial, excluded.di, excluded.state,
		excluded.implanted, excluded.removed, excluded.expiry, excluded.doubtful, excluded.life)`
	dropRecordSQL = `delete from records where patient = ?1`

	saveVerdictSQL = `insert into verdicts (referral, patient, site, revision, digest, state, kind, body, decided, seal)
		values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) on conflict (referral) do update set patient = excluded.patient,
		site = excluded.site, revision = excluded.revision, digest = excluded.digest, state = excluded.state,
		kind = excluded.kind, body = excluded.body, decided = excluded.decided, seal = excluded.seal`
	saveRejectedSQL = `insert into rejected (id, message_id, sender, path, key, step, outcome, attempts, rejected_at, state, note)
		values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11) on conflict (id) do update set message_id = excluded.message_id,
		sender = excluded.sender, path = excluded.path, key = excluded.key, step = excluded.step, outcome = excluded.outcome,
		attempts = excluded.attempts, rejected_at = excluded.rejected_at, state = excluded.state, note = excluded.note`
	queueSQL = `insert into outbox (id, ord, sink, dest, body, state, attempts, next_try, last_err, queued, traceparent, seal)
		values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12) on conflict (id) do nothing`
	settleSQL = `update outbox set state = ?2, attempts = ?3, next_try = ?4, last_err = ?5 where id = ?1`
)

// writeSQL lists the statements that only a writer uses.
func writeSQL() []string {
	return []string{saveMessageSQL, saveStatementSQL, saveMentionSQL, saveEdgeSQL, dropStatementsSQL, dropAliasedSQL, changeRecordSQL,
		newRecordSQL,
		dropAliasesSQL, saveAliasSQL, dropPartsSQL, savePartSQL, dropDevicesSQL, saveDevicesSQL, dropRecordSQL, saveVerdictSQL, saveRejectedSQL,
		queueSQL, settleSQL, appendSQL, saveSessionSQL, renewSessionSQL, dropSessionSQL, endSessionsSQL}
}

// tx writes inside one transaction.
type tx struct {
	reader
	failed   error            // first write that failed: the transaction must not be committed
	messages map[string]int64 // rows of the messages that this transaction kept
}

var _ pipeline.Tx = (*tx)(nil)

// exec runs a write and gives the number of rows it changed.
func (t *tx) exec(ctx context.Context, what, q string, args ...any) (int64, error) {
	res, err := t.result(ctx, what, q, args...)
	if err != nil {
		return 0, err
	}
	n, err := res.RowsAffected()
	return n, t.fail(err)
}

func (t *tx) result(ctx context.Context, what, q string, args ...any) (sql.Result, error) {
	res, err := t.stmt(ctx, q).ExecContext(ctx, args...)
	if err != nil {
		return nil, t.fail(fmt.Errorf("store: %s: %w", what, mapped(err)))
	}
	return res, nil
}

// fail remembers the first error.
func (t *tx) fail(err error) error {
	if err != nil && t.failed == nil {
		t.failed = err
	}
	return err
}

func (t *tx) SaveMessages(ctx context.Context, list []pipeline.Message) (fresh []bool, err error) {
	fresh = make([]bool, len(list))
	for i, m := range list {
		at, err := store.MessageTime(m)
		if err != nil {
			return nil, t.fail(err)
		}
		res, err := t.result(ctx, "save message", saveMessageSQL, m.ID, m.Sender, m.ContentType, at, store.NoNil(m.Body))
		if err != nil {
			return nil, err
		}
		n, err := res.RowsAffected()
		if err != nil {
			return nil, t.fail(err)
		}
		if fresh[i] = n > 0; fresh[i] {
			if t.messages[m.ID], err = res.LastInsertId(); err != nil {
				return nil, t.fail(err)
			}
		}
	}
	return fresh, nil
}

func (t *tx) SaveStatement(ctx context.Context, s pipeline.StoredStatement) error {
	row, err := t.kept.Encode(s)
	if err != nil {
		return t.fail(err)
	}
	message := sql.NullInt64{}
	message.Int64, message.Valid = t.messages[row.MessageID]
	res, err := t.result(ctx, "save statement", saveStatementSQL, row.Key, row.Version, row.LastUpdated, row.MessageTime,
		row.Hash, row.Type, row.Patient, row.Person, row.Body, row.MessageID, row.Start, row.Len, row.ReceivedAt, message, row.Seal)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return t.fail(err)
	}
	id, err := res.LastInsertId()
	if err != nil {
		return t.fail(err)
	}
	for _, m := range row.Mentions {
		if _, err := t.exec(ctx, "save mention", saveMentionSQL, m, id); err != nil {
			return err
		}
	}
	for _, e := range row.Edges {
		if _, err := t.exec(ctx, "save edge", saveEdgeSQL, e.A, e.B, id); err != nil {
			return err
		}
	}
	return nil
}

func (t *tx) DropStatements(ctx context.Context, messageID, key string) error {
	_, err := t.exec(ctx, "drop statements", dropStatementsSQL, messageID, key)
	return err
}

func (t *tx) SaveRecord(ctx context.Context, rec implant.Record) error {
	row, err := store.EncodeRecord(rec)
	if err != nil {
		return t.fail(err)
	}
	aliases, err := keyList(row.Aliases)
	if err != nil {
		return t.fail(err)
	}
	devices, err := keyList(row.Keys)
	if err != nil {
		return t.fail(err)
	}
	if len(row.Aliases) > 1 {
		if err := t.dropDevices(ctx, aliases, devices, row.Patient); err != nil {
			return err
		}
		if _, err := t.exec(ctx, "join records", dropAliasedSQL, row.Patient, aliases); err != nil {
			return err
		}
	}
	n, err := t.exec(ctx, "save record", newRecordSQL, row.Patient, row.Body, row.Seal, row.Devices)
	if err == nil && n == 0 { // not a new one, of which nothing older can be in the way
		if err = t.dropStale(ctx, row, aliases, devices); err == nil {
			_, err = t.exec(ctx, "save record", changeRecordSQL, row.Patient, row.Body, row.Seal, row.Devices)
		}
	}
	if err != nil {
		return err
	}
	for _, a := range row.Aliases {
		if _, err := t.exec(ctx, "save alias", saveAliasSQL, a, row.Patient); err != nil {
			return err
		}
	}
	for _, p := range row.Parts {
		if _, err := t.exec(ctx, "save part", savePartSQL, row.Patient, p.ID, p.Kind, p.Maker, p.Model, p.Lot, p.Serial,
			p.DI, p.State, p.Implanted, p.Removed, p.Expiry, p.Doubtful, p.Life, trace.Fold(p.Model), trace.Fold(p.Lot),
			trace.Fold(p.Serial), trace.Fold(p.DI)); err != nil {
			return err
		}
	}
	if len(row.Keys) > 0 {
		_, err = t.exec(ctx, "save device keys", saveDevicesSQL, row.Patient, devices)
	}
	return err
}

// dropStale removes the aliases, parts and device keys that the record no longer has.
func (t *tx) dropStale(ctx context.Context, row store.RecordRow, aliases, devices string) error {
	if _, err := t.exec(ctx, "drop aliases", dropAliasesSQL, row.Patient, aliases); err != nil {
		return err
	}
	if len(row.Aliases) == 1 { // else done with those that are joined
		if err := t.dropDevices(ctx, aliases, devices, row.Patient); err != nil {
			return err
		}
	}
	ids := make([]string, len(row.Parts))
	for i, p := range row.Parts {
		ids[i] = p.ID
	}
	kept, err := keyList(ids)
	if err != nil {
		return t.fail(err)
	}
	_, err = t.exec(ctx, "drop parts", dropPartsSQL, row.Patient, kept)
	return err
}

func (t *tx) DropRecord(ctx context.Context, patient string) error {
	list, err := keyList([]string{patient})
	if err != nil {
		return t.fail(err)
	}
	if err := t.dropDevices(ctx, list, "[]", ""); err != nil {
		return err
	}
	_, err = t.exec(ctx, "drop record", dropRecordSQL, patient)
	return err
}

func (t *tx) SaveVerdict(ctx context.Context, v pipeline.StoredVerdict) error {
	decided, err := store.VerdictTime(v)
	if err != nil {
		return t.fail(err)
	}
	_, err = t.exec(ctx, "save verdict", saveVerdictSQL, v.Referral, v.Patient, v.Site, v.Revision, v.Digest, v.State,
		v.Kind, store.NoNil(v.Body), decided, store.SealVerdict(v, decided))
	return err
}

func (t *tx) SaveRejected(ctx context.Context, r pipeline.Rejected) error {
	at, err := store.RejectedTime(r)
	if err != nil {
		return t.fail(err)
	}
	_, err = t.exec(ctx, "save rejected", saveRejectedSQL, r.ID, r.MessageID, r.Sender, r.Path, r.Key, r.Step,
		store.NoNil(r.Outcome), r.Attempts, at, r.State, r.Note)
	return err
}

func (t *tx) Queue(ctx context.Context, o pipeline.Outgoing) error {
	queued, next, err := store.OutgoingTimes(&o)
	if err != nil {
		return t.fail(err)
	}
	_, err = t.exec(ctx, "queue", queueSQL, o.ID, o.Order, o.Sink, o.To, store.NoNil(o.Body), o.State, o.Attempts, next,
		o.LastErr, queued, o.Traceparent, store.SealOutgoing(o))
	return err
}

func (t *tx) Settle(ctx context.Context, o pipeline.Outgoing) error {
	_, next, err := store.OutgoingTimes(&o)
	if err != nil {
		return t.fail(err)
	}
	n, err := t.exec(ctx, "settle", settleSQL, o.ID, o.State, o.Attempts, next, o.LastErr)
	if err == nil && n == 0 {
		err = t.fail(fmt.Errorf("store: settle: %w", pipeline.ErrNotFound))
	}
	return err
}
