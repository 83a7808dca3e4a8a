package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/pressly/goose/v3"
	"go.uber.org/zap"
	"modernc.org/sqlite"

	"gaussline/adapters/pipeline"
)

// FileName is the name of the database in its folder. Nothing else may open it: see OFDLocking of the driver.
const FileName = "gaussline.db"

// Defaults and limits.
const (
	defaultReaders     = 4
	maxReaders         = 64
	defaultBusyTimeout = 10 * time.Second
	maxBusyTimeout     = 10 * time.Minute
	checkpointPages    = 8000     // 32 MB of WAL between checkpoints: +10-20% at 500 a commit (measured)
	walKeptBytes       = 64 << 20 // the WAL file is cut to this after a checkpoint
	writeCacheKiB      = 64 << 10 // page cache: a transaction of 500 messages fits in it
	readCacheKiB       = 8 << 10
	dirMode            = 0o700 // the folder holds patient data
)

//go:embed migrations/*.sql
var migrations embed.FS

// Options of the store. The zero value gives the defaults.
type Options struct {
	Readers     int           // connections that only read; 0: 4, at most 64
	BusyTimeout time.Duration // how long a writer waits for another process; 0: 10 s
}

// Open opens the database in the folder dir, makes both when they are missing, brings the tables up to date and
// reads every setting back on every connection: it refuses to serve when one is not as asked. The caller
// makes sure that one process at a time uses the folder; a second one does no harm but waits its turn.
func Open(ctx context.Context, dir string, opt Options, log *zap.Logger) (pipeline.Store, error) {
	if log == nil {
		log = zap.NewNop()
	}
	if err := opt.complete(); err != nil {
		return nil, fmt.Errorf("sqlite store: %w", err)
	}
	if err := useOFDLocks(log); err != nil {
		return nil, fmt.Errorf("sqlite store: %w", err)
	}
	if err := os.MkdirAll(dir, dirMode); err != nil {
		return nil, fmt.Errorf("sqlite store: folder: %w", err)
	}
	path, err := filepath.Abs(filepath.Join(dir, FileName))
	if err != nil {
		return nil, fmt.Errorf("sqlite store: folder: %w", err)
	}
	s := &db{log: log}
	if err := s.open(ctx, path, opt); err != nil {
		return nil, errors.Join(fmt.Errorf("sqlite store: %w", mapped(err)), s.Close())
	}
	return s, nil
}

func (o *Options) complete() error {
	if o.Readers == 0 {
		o.Readers = defaultReaders
	}
	if o.BusyTimeout == 0 {
		o.BusyTimeout = defaultBusyTimeout
	}
	if o.Readers < 1 || o.Readers > maxReaders {
		return fmt.Errorf("readers: %d is not between 1 and %d", o.Readers, maxReaders)
	}
	if o.BusyTimeout < time.Millisecond || o.BusyTimeout > maxBusyTimeout {
		return fmt.Errorf("busy timeout: %s is not between 1 ms and %s", o.BusyTimeout, maxBusyTimeout)
	}
	return nil
}

// useOFDLocks makes SQLite's locks survive a close of the same file elsewhere in the process. Where the
// system has no such locks (not Linux), ordinary ones must do.
func useOFDLocks(log *zap.Logger) error {
	_, err := sqlite.OFDLocking(true)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, sqlite.ErrOFDLockingUnavailable):
		log.Warn("open file description locks are not available; nothing else may open the database file")
		return nil
	}
	return fmt.Errorf("locks: %w", err)
}

// pragma is a setting and what reading it back must give.
type pragma struct{ name, set, want string }

func pragmas(opt Options, readOnly bool) []pragma {
	busy := strconv.FormatInt(opt.BusyTimeout.Milliseconds(), 10)
	queryOnly, cacheKiB := "0", writeCacheKiB
	if readOnly {
		queryOnly, cacheKiB = "1", readCacheKiB
	}
	itself := func(name string, n int) pragma { return pragma{name, strconv.Itoa(n), strconv.Itoa(n)} }
	return []pragma{
		{"busy_timeout", busy, busy}, // first: the others may have to wait
		{"journal_mode", "wal", "wal"},
		{"synchronous", "full", "2"},
		itself("foreign_keys", 1),
		itself("wal_autocheckpoint", checkpointPages),
		itself("journal_size_limit", walKeptBytes),
		itself("cell_size_check", 1), // notice a damaged page when it is read
		itself("trusted_schema", 0),
		itself("cache_size", -cacheKiB),
		{"query_only", queryOnly, queryOnly}, // last: nothing can be set after it
	}
}

// connector opens connections with a driver of our own, whose hook reads the settings back.
type connector struct {
	driver *sqlite.Driver
	dsn    string
}

func (c connector) Connect(context.Context) (driver.Conn, error) { return c.driver.Open(c.dsn) }
func (c connector) Driver() driver.Driver                        { return c.driver }

// openPool makes a pool of exactly n connections that live as long as the pool.
func openPool(path string, opt Options, readOnly bool, n int) *sql.DB {
	q := url.Values{}
	list := pragmas(opt, readOnly)
	for _, p := range list {
		q.Add("_pragma", p.name+"("+p.set+")")
	}
	if !readOnly {
		// A transaction that reads first and writes later fails at once, whatever the timeout, when another
		// wrote in between (BUSY_SNAPSHOT): take the write lock at the start.
		q.Set("_txlock", "immediate")
	}
	d := &sqlite.Driver{}
	d.RegisterConnectionHook(func(c sqlite.ExecQuerierContext, _ string) error { return verify(c, list) })
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	pool := sql.OpenDB(connector{driver: d, dsn: u.String()})
	pool.SetMaxOpenConns(n)
	pool.SetMaxIdleConns(n)
	return pool
}

// verify reads the settings back on one connection.
func verify(c sqlite.ExecQuerierContext, list []pragma) error {
	for _, p := range list {
		rows, err := c.QueryContext(context.Background(), "pragma "+p.name, nil)
		if err != nil {
			return fmt.Errorf("pragma %s: %w", p.name, err)
		}
		dest := make([]driver.Value, 1)
		err = rows.Next(dest)
		if cerr := rows.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			return fmt.Errorf("pragma %s: %w", p.name, err)
		}
		if got := fmt.Sprint(dest[0]); got != p.want {
			return fmt.Errorf("pragma %s reads back %s, wanted %s", p.name, got, p.want)
		}
	}
	return nil
}

func (s *db) open(ctx context.Context, path string, opt Options) error {
	write := openPool(path, opt, false, 1)
	s.write = &pool{db: write}
	if err := write.PingContext(ctx); err != nil {
		return fmt.Errorf("open: %w", err)
	}
	if err := migrate(ctx, write, s.log); err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	s.read = &pool{db: openPool(path, opt, true, opt.Readers)}
	if err := s.write.prepare(ctx, append(readSQL(), writeSQL()...)); err != nil {
		return err
	}
	if err := s.read.prepare(ctx, readSQL()); err != nil {
		return err
	}
	return s.read.openAll(ctx, opt.Readers)
}

func migrate(ctx context.Context, write *sql.DB, log *zap.Logger) error {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, write, dir, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return err
	}
	done, err := p.Up(ctx)
	for _, r := range done {
		log.Info("store: migration applied", zap.String("file", filepath.Base(r.Source.Path)), zap.Duration("took", r.Duration))
	}
	return err
}
