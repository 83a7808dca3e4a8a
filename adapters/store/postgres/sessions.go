package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

var _ pipeline.Sessions = (*db)(nil)

const (
	sessionSQL     = `select body, ends from sessions where id = $1 and ends > $2`
	saveSessionSQL = `insert into sessions (id, body, ends) values ($1, $2, $3)
		on conflict (id) do update set body = excluded.body, ends = excluded.ends`
	renewSessionSQL = `update sessions set body = $2, ends = $3 where id = $1 and ends > $4`
	dropSessionSQL  = `delete from sessions where id = $1`
	endSessionsSQL  = `delete from sessions where ends <= $1`
)

// oneSession runs f in a transaction that takes no turn among the writers: sessions touch nothing of theirs.
func (s *db) oneSession(ctx context.Context, f func(*session) error) error {
	return s.run(ctx, pgx.TxOptions{IsoLevel: pgx.ReadCommitted}, func(ses *session) error {
		if err := f(ses); err != nil {
			return err
		}
		return ses.flush(ctx)
	})
}

func (s *db) Session(ctx context.Context, id string, now time.Time) (pipeline.Session, error) {
	at, err := store.FormatTime(now)
	if err != nil {
		return pipeline.Session{}, err
	}
	var body []byte
	var ends string
	err = s.oneSession(ctx, func(ses *session) error {
		return ses.one(ctx, "session", sessionSQL, []any{id, at}, &body, &ends)
	})
	if err != nil {
		return pipeline.Session{}, err
	}
	return store.DecodeSession(id, body, ends)
}

func (s *db) SaveSession(ctx context.Context, x pipeline.Session, now time.Time) error {
	ends, at, err := store.SessionTimes(x, now)
	if err != nil {
		return err
	}
	return s.oneSession(ctx, func(ses *session) error {
		ses.queue("end sessions", endSessionsSQL, at)
		ses.queue("save session", saveSessionSQL, x.ID, store.NoNil(x.Data), ends)
		return nil
	})
}

func (s *db) RenewSession(ctx context.Context, x pipeline.Session, now time.Time) error {
	ends, at, err := store.SessionTimes(x, now)
	if err != nil {
		return err
	}
	return s.oneSession(ctx, func(ses *session) error {
		ses.queue("renew session", renewSessionSQL, x.ID, store.NoNil(x.Data), ends, at)
		return nil
	})
}

func (s *db) DropSession(ctx context.Context, id string) error {
	return s.oneSession(ctx, func(ses *session) error { ses.queue("end session", dropSessionSQL, id); return nil })
}
