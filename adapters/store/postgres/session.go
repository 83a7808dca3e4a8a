package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

// Limits of what is held back before it is sent.
const (
	maxQueued      = 2000    // statements
	maxQueuedBytes = 8 << 20 // of bodies
	maxTogether    = 100     // rows in one statement: each is matched with each
)

// session is one transaction. Writes are held back and sent together with the next read, or at the end: a round
// trip for many statements instead of one each.
type session struct {
	tx      pgx.Tx
	pending statements // saved and not yet in the batch; they go before whatever is queued next
	batch   *pgx.Batch
	what    []string // of each SQL statement in the batch
	size    int      // bytes of bodies in the batch
	eager   bool     // send each on its own, see db
	kept    store.Kept
	failed  error // first error: the server has given the transaction up
}

// queue adds a statement to the batch. It takes effect, and fails, at the next flush.
func (s *session) queue(what, sql string, args ...any) *pgx.QueuedQuery {
	s.settle()
	return s.add(what, sql, args)
}

// settle moves the pending statements into the batch, to keep the order of writes.
func (s *session) settle() {
	if s.pending.empty() {
		return
	}
	args := s.pending.args()
	s.size += s.pending.size
	s.pending = statements{}
	s.add("save statements", saveStatementsSQL, args)
}

func (s *session) add(what, sql string, args []any) *pgx.QueuedQuery {
	if s.batch == nil {
		s.batch = &pgx.Batch{}
	}
	s.what = append(s.what, what)
	for _, a := range args {
		if b, ok := a.([]byte); ok {
			s.size += len(b)
		}
	}
	return s.batch.Queue(sql, args...)
}

// write queues a statement and sends the batch when it has become large.
func (s *session) write(ctx context.Context, what, sql string, args ...any) error {
	if s.failed != nil {
		return s.failed
	}
	s.queue(what, sql, args...)
	return s.sendLarge(ctx)
}

// sendLarge sends what is held back when it has become large.
func (s *session) sendLarge(ctx context.Context) error {
	queued := len(s.pending.key)
	if queued >= maxTogether {
		s.settle()
		queued = 0
	}
	if s.batch != nil {
		queued += s.batch.Len()
	}
	if s.eager || queued >= maxQueued || s.size+s.pending.size >= maxQueuedBytes {
		return s.flush(ctx)
	}
	return nil
}

// fail remembers the first error.
func (s *session) fail(err error) error {
	if err != nil && s.failed == nil {
		s.failed = err
	}
	return err
}

// flush sends what is queued and waits for the answers. The error names the statement that failed.
func (s *session) flush(ctx context.Context) error {
	if s.failed != nil {
		return s.failed
	}
	s.settle()
	if s.batch == nil {
		return nil
	}
	batch, what := s.batch, s.what
	s.batch, s.what, s.size = nil, nil, 0
	done := 0
	for _, q := range batch.QueuedQueries {
		inner := q.Fn
		q.Fn = func(br pgx.BatchResults) error {
			var err error
			if inner != nil {
				err = inner(br)
			} else {
				_, err = br.Exec()
			}
			if err == nil {
				done++
			}
			return err
		}
	}
	err := s.tx.SendBatch(ctx, batch).Close()
	if err == nil {
		return nil
	}
	return s.fail(fmt.Errorf("store: %s: %w", what[min(done, len(what)-1)], mapped(err)))
}

// query sends what is queued and a read after it, and calls f for each row.
func (s *session) query(ctx context.Context, what, sql string, f func(pgx.Rows) error, args ...any) error {
	if s.failed != nil {
		return s.failed
	}
	s.queue(what, sql, args...).Query(func(rows pgx.Rows) error {
		n := 0
		for rows.Next() {
			if n++; n > store.MaxRows {
				return store.ErrTooMany
			}
			if err := f(rows); err != nil {
				return err
			}
		}
		return rows.Err()
	})
	return s.flush(ctx)
}

// one scans the only row of a query; pipeline.ErrNotFound when there is none.
func (s *session) one(ctx context.Context, what, sql string, args []any, dest ...any) error {
	found := false
	err := s.query(ctx, what, sql, func(rows pgx.Rows) error {
		found = true
		return rows.Scan(dest...)
	}, args...)
	if err == nil && !found {
		err = fmt.Errorf("store: %s: %w", what, pipeline.ErrNotFound)
	}
	return err
}

// mapped gives a driver error the meaning that the pipeline tests for. It goes by SQLSTATE, never by text.
// https://www.postgresql.org/docs/15/errcodes-appendix.html
func mapped(err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		var netErr net.Error
		var connErr *pgconn.ConnectError
		if errors.As(err, &netErr) || errors.As(err, &connErr) || errors.Is(err, io.EOF) ||
			errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed) || pgconn.SafeToRetry(err) {
			return fmt.Errorf("%w: %w", pipeline.ErrUnavailable, err)
		}
		return err
	}
	switch pg.Code {
	case "40001", "40P01", "55P03": // serialization failure, deadlock, lock not available
		return fmt.Errorf("%w: %w", pipeline.ErrBusy, safe(pg))
	case "23505": // unique violation
		return fmt.Errorf("%w: %w", pipeline.ErrExists, safe(pg))
	case "57014", "25P03", "25006": // statement timeout, idle in transaction, read-only
		return fmt.Errorf("%w: %w", pipeline.ErrUnavailable, safe(pg))
	}
	switch pg.Code[:min(2, len(pg.Code))] {
	case "08", "53", "57", "58", "28": // connection, resources, operator, system, authorisation
		return fmt.Errorf("%w: %w", pipeline.ErrUnavailable, safe(pg))
	case "54": // program limit
		return fmt.Errorf("%w: %w", pipeline.ErrTooLarge, safe(pg))
	}
	return safe(pg)
}

// safe leaves the detail out of a server's error: it may quote a row.
func safe(pg *pgconn.PgError) error {
	return &pgconn.PgError{Severity: pg.Severity, Code: pg.Code, Message: pg.Message, ConstraintName: pg.ConstraintName,
		TableName: pg.TableName, ColumnName: pg.ColumnName}
}
