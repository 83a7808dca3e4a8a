package postgres

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
)

// Defaults and limits.
const (
	defaultConns            = 8
	minConns                = 3 // a writer, a reader, and the migrations' lock
	maxConns                = 200
	defaultBusyTimeout      = 10 * time.Second
	defaultStatementTimeout = 30 * time.Second
	defaultIdleTimeout      = 30 * time.Second
	maxTimeout              = 10 * time.Minute
	migrationLockSeconds    = 120 // how long a node waits while another brings the tables up to date
)

//go:embed migrations/*.sql
var migrations embed.FS

// Options of the store. The zero value gives the defaults.
type Options struct {
	Conns            int           // connections of this node; 0: 8, from 3 to 200
	BusyTimeout      time.Duration // how long an Update waits for another's; 0: 10 s
	StatementTimeout time.Duration // after which the server ends one statement; 0: 30 s
	IdleTimeout      time.Duration // after which the server ends a transaction that asks nothing; 0: 30 s
}

// Open connects to the database of the URL (or key=value string), brings its tables up to date while other nodes
// wait, and refuses to serve a server whose commits do not reach the disk. Behind a pooler in transaction mode,
// add default_query_exec_mode=exec to the URL.
func Open(ctx context.Context, url string, opt Options, log *zap.Logger) (pipeline.Store, error) {
	if log == nil {
		log = zap.NewNop()
	}
	if err := opt.complete(); err != nil {
		return nil, fmt.Errorf("postgres store: %w", err)
	}
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		// The error of pgx repeats the URL, password cut; even so it stays out of what we say.
		return nil, errors.New("postgres store: the URL cannot be read")
	}
	opt.apply(cfg)
	patient := cfg.Copy()
	cfg.PingTimeout = defaultBusyTimeout
	cfg.ConnConfig.DialFunc = waryDial(cfg.ConnConfig.DialFunc, opt.silence())
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("postgres store: %w", mapped(err))
	}
	s := &db{pool: pool, patient: patient}
	if err = verify(ctx, pool); err == nil {
		err = migrate(ctx, patient.Copy().ConnConfig, log)
	}
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("postgres store: %w", mapped(err))
	}
	return s, nil
}

func (o *Options) complete() error {
	if o.Conns == 0 {
		o.Conns = defaultConns
	}
	if o.Conns < minConns || o.Conns > maxConns {
		return fmt.Errorf("connections: %d is not between %d and %d", o.Conns, minConns, maxConns)
	}
	for _, d := range []struct {
		name string
		v    *time.Duration
		def  time.Duration
	}{
		{"busy timeout", &o.BusyTimeout, defaultBusyTimeout},
		{"statement timeout", &o.StatementTimeout, defaultStatementTimeout},
		{"idle timeout", &o.IdleTimeout, defaultIdleTimeout},
	} {
		if *d.v == 0 {
			*d.v = d.def
		}
		if *d.v < time.Millisecond || *d.v > maxTimeout {
			return fmt.Errorf("%s: %s is not between 1 ms and %s", d.name, *d.v, maxTimeout)
		}
	}
	return nil
}

// apply puts every setting into the start of each connection, so that it holds on all of them. The server's own
// timeouts keep a cancelled context from being the only way out of a statement, which closes the connection.
func (o Options) apply(cfg *pgxpool.Config) {
	ms := func(d time.Duration) string { return strconv.FormatInt(d.Milliseconds(), 10) }
	cfg.MaxConns = int32(o.Conns)
	p := cfg.ConnConfig.RuntimeParams
	p["application_name"] = "gaussline"
	p["synchronous_commit"] = "on"
	p["lock_timeout"] = ms(o.BusyTimeout)
	// A statement that waits for the lock must be ended by lock_timeout, which says why.
	p["statement_timeout"] = ms(o.StatementTimeout + o.BusyTimeout)
	p["idle_in_transaction_session_timeout"] = ms(o.IdleTimeout)
	p["client_encoding"] = "UTF8"
	// Every question of ours has an index. A plan made while the tables were small, and kept, must use it when
	// they have grown; the server would notice only at its next analyze.
	for _, name := range planners() {
		p[name] = "off"
	}
	p["jit"] = "off"
}

// planners names the ways of answering that read whole tables.
func planners() []string { return []string{"enable_seqscan", "enable_hashjoin", "enable_mergejoin"} }

// verify reads back what durability rests on.
func verify(ctx context.Context, pool *pgxpool.Pool) error {
	for _, s := range []struct{ name, want string }{
		{"fsync", "on"}, {"full_page_writes", "on"}, {"synchronous_commit", "on"}, {"server_encoding", "UTF8"},
	} {
		var got string
		if err := pool.QueryRow(ctx, "select current_setting($1)", s.name).Scan(&got); err != nil {
			return fmt.Errorf("read %s: %w", s.name, err)
		}
		if got != s.want {
			return fmt.Errorf("%s is %s on the server, wanted %s", s.name, got, s.want)
		}
	}
	return nil
}

// migrate brings the tables up to date. A step fails with ErrBusy when another writer holds a table for longer than
// BusyTimeout: what waits for a table stops everybody who comes after, so it must not wait for long. What it does once it
// has the table, such as building an index over millions of parts, takes as long as it takes.
func migrate(ctx context.Context, conf *pgx.ConnConfig, log *zap.Logger) error {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, migrationLockSeconds))
	if err != nil {
		return err
	}
	conf.RuntimeParams["statement_timeout"] = "0"
	sqlDB := stdlib.OpenDB(*conf)
	defer sqlDB.Close()
	p, err := goose.NewProvider(goose.DialectPostgres, sqlDB, dir, goose.WithDisableGlobalRegistry(true),
		goose.WithSessionLocker(locker))
	if err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	done, err := p.Up(ctx)
	for _, r := range done {
		log.Info("store: migration applied", zap.String("file", filepath.Base(r.Source.Path)), zap.Duration("took", r.Duration))
	}
	if err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	return nil
}

// db is the store: one pool of connections.
type db struct {
	pool    *pgxpool.Pool
	patient *pgxpool.Config // of connections whose silence is not ended
	eager   bool            // every statement is sent on its own: only to measure what sending them together gains
}

var _ pipeline.Store = (*db)(nil)

// Close waits for running transactions and closes the connections.
func (s *db) Close() error {
	s.pool.Close()
	return nil
}

// updateLock is the key of the advisory lock that every Update holds: "gaussl" in ASCII.
const updateLock = 0x67617573736c

// lockSQL takes the lock and has plans made once: the arrays that we pass would have them made anew each time,
// at a third of the cost of a message.
const lockSQL = `select pg_advisory_xact_lock($1), set_config('plan_cache_mode', 'force_generic_plan', true)`

// Update runs f while no other update of any node runs. When a write failed, nothing is committed even if f
// returns nil.
func (s *db) Update(ctx context.Context, f func(pipeline.Tx) error) error {
	// Read committed: each statement after the lock sees all that earlier updates committed.
	return s.run(ctx, pgx.TxOptions{IsoLevel: pgx.ReadCommitted}, func(ses *session) error {
		ses.queue("wait for the other writers", lockSQL, int64(updateLock))
		if err := f(&tx{reader{ses}}); err != nil {
			return err
		}
		return ses.flush(ctx)
	})
}

// View runs f on a snapshot: what others commit meanwhile is not seen.
func (s *db) View(ctx context.Context, f func(pipeline.Reader) error) error {
	opt := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	return s.run(ctx, opt, func(ses *session) error { return f(reader{ses}) })
}

// run begins a transaction, calls f, and commits when f returns nil. A panic in f rolls back.
func (s *db) run(ctx context.Context, opt pgx.TxOptions, f func(*session) error) error {
	pgTx, err := s.pool.BeginTx(ctx, opt)
	if err != nil {
		return fmt.Errorf("store: begin: %w", mapped(err))
	}
	done := false
	defer func() {
		if !done {
			// Not ctx: it may be over, and the lock must be freed all the same.
			end, cancel := context.WithTimeout(context.WithoutCancel(ctx), defaultBusyTimeout)
			defer cancel()
			_ = pgTx.Rollback(end) // the error of f, or the panic, says more
		}
	}()
	if err := f(&session{tx: pgTx, eager: s.eager, kept: store.Kept{}}); err != nil {
		return err
	}
	if err := pgTx.Commit(ctx); err != nil {
		return fmt.Errorf("store: commit: %w", mapped(err))
	}
	done = true
	return nil
}
