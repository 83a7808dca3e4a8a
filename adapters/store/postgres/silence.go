package postgres

import (
	"context"
	"net"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// wary is a connection that ends a read or write during which nothing moved for limit. The server's own time limits
// tell us nothing when the network between swallows what is sent: without this a commit would wait for hours.
type wary struct {
	net.Conn
	limit time.Duration

	mu    sync.Mutex
	asked bool // the driver has set a deadline of its own, which holds
}

// waryDial makes what dial connects to wary.
func waryDial(dial pgconn.DialFunc, limit time.Duration) pgconn.DialFunc {
	return func(ctx context.Context, network, addr string) (net.Conn, error) {
		c, err := dial(ctx, network, addr)
		if err != nil {
			return nil, err
		}
		return &wary{Conn: c, limit: limit}, nil
	}
}

// SetDeadline implements net.Conn. The driver's way to end what a cancelled context waits for.
func (c *wary) SetDeadline(t time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked = !t.IsZero()
	return c.Conn.SetDeadline(t)
}

func (c *wary) Read(b []byte) (int, error) {
	if err := c.start(c.SetReadDeadline); err != nil {
		return 0, err
	}
	return c.Conn.Read(b)
}

func (c *wary) Write(b []byte) (int, error) {
	if err := c.start(c.SetWriteDeadline); err != nil {
		return 0, err
	}
	return c.Conn.Write(b)
}

func (c *wary) start(set func(time.Time) error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.asked {
		return nil
	}
	return set(time.Now().Add(c.limit))
}

// silence is how long the server may say nothing in the middle of a transaction: twice what it gives one statement.
func (o Options) silence() time.Duration { return 2 * (o.StatementTimeout + o.BusyTimeout) }

// runPatiently is run on a connection of its own, on which a statement may take as long as it takes.
func (s *db) runPatiently(ctx context.Context, opt pgx.TxOptions, f func(*session) error) error {
	pool, err := pgxpool.NewWithConfig(ctx, s.patient.Copy())
	if err != nil {
		return mapped(err)
	}
	defer pool.Close()
	return (&db{pool: pool, eager: s.eager}).run(ctx, opt, f)
}
