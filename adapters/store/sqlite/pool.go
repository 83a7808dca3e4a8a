package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"gaussline/adapters/pipeline"
)

// pool is a set of connections with every statement prepared once on each.
type pool struct {
	db    *sql.DB
	stmts map[string]*sql.Stmt // written by prepare only
}

// prepare compiles the statements; database/sql compiles them again on each further connection at first use.
func (p *pool) prepare(ctx context.Context, queries []string) error {
	p.stmts = make(map[string]*sql.Stmt, len(queries))
	for _, q := range queries {
		st, err := p.db.PrepareContext(ctx, q)
		if err != nil {
			return fmt.Errorf("prepare %q: %w", q, err)
		}
		p.stmts[q] = st
	}
	return nil
}

// openAll opens all n connections at once, so that a setting that does not hold on one is found at start.
func (p *pool) openAll(ctx context.Context, n int) error {
	conns := make([]*sql.Conn, 0, n)
	defer func() {
		for _, c := range conns {
			_ = c.Close() // back to the pool
		}
	}()
	for range n {
		c, err := p.db.Conn(ctx)
		if err != nil {
			return fmt.Errorf("open a reader: %w", err)
		}
		conns = append(conns, c)
	}
	return nil
}

func (p *pool) close() error {
	if p == nil {
		return nil
	}
	var errs []error
	for _, st := range p.stmts {
		errs = append(errs, st.Close())
	}
	return errors.Join(append(errs, p.db.Close())...)
}

// mapped gives a driver error the meaning that the pipeline tests for. It goes by SQLite's result code, never
// by text.
func mapped(err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return err
	}
	if e.Code() == sqlite3.SQLITE_CONSTRAINT_UNIQUE {
		return fmt.Errorf("%w: %w", pipeline.ErrExists, err)
	}
	switch e.Code() & 0xff { // the primary code
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return fmt.Errorf("%w: %w", pipeline.ErrBusy, err)
	case sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_NOMEM:
		return fmt.Errorf("%w: %w", pipeline.ErrUnavailable, err)
	case sqlite3.SQLITE_TOOBIG:
		return fmt.Errorf("%w: %w", pipeline.ErrTooLarge, err)
	}
	return err
}
