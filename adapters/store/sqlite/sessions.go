package sqlite

import (
	"context"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

var _ pipeline.Sessions = (*db)(nil)

const (
	sessionSQL     = `select body, ends from sessions where id = ?1 and ends > ?2`
	saveSessionSQL = `insert into sessions (id, body, ends) values (?1, ?2, ?3)
		on conflict (id) do update set body = excluded.body, ends = excluded.ends`
	renewSessionSQL = `update sessions set body = ?2, ends = ?3 where id = ?1 and ends > ?4`
	dropSessionSQL  = `delete from sessions where id = ?1`
	endSessionsSQL  = `delete from sessions where ends <= ?1`
)

func (s *db) Session(ctx context.Context, id string, now time.Time) (pipeline.Session, error) {
	at, err := store.FormatTime(now)
	if err != nil {
		return pipeline.Session{}, err
	}
	var body []byte
	var ends string
	err = s.run(ctx, s.read, true, func(t *tx) error {
		return t.one(ctx, "session", sessionSQL, []any{id, at}, &body, &ends)
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
	return s.run(ctx, s.write, false, func(t *tx) error {
		if _, err := t.exec(ctx, "end sessions", endSessionsSQL, at); err != nil {
			return err
		}
		_, err := t.exec(ctx, "save session", saveSessionSQL, x.ID, store.NoNil(x.Data), ends)
		return err
	})
}

func (s *db) RenewSession(ctx context.Context, x pipeline.Session, now time.Time) error {
	ends, at, err := store.SessionTimes(x, now)
	if err != nil {
		return err
	}
	return s.run(ctx, s.write, false, func(t *tx) error {
		_, err := t.exec(ctx, "renew session", renewSessionSQL, x.ID, store.NoNil(x.Data), ends, at)
		return err
	})
}

func (s *db) DropSession(ctx context.Context, id string) error {
	return s.run(ctx, s.write, false, func(t *tx) error {
		_, err := t.exec(ctx, "end session", dropSessionSQL, id)
		return err
	})
}
