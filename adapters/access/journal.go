package access

import (
	"context"
	"errors"
	"time"
)

// Line is a line of an append-only journal.
type Line struct {
	Seq  int64 // set by the journal, ascending
	Kind string
	Key  string
	Body []byte // JSON
	At   time.Time
}

// Journal is where accounts and audit are kept. The newest line of a kind and key is the one in force.
type Journal interface {
	// Add appends lines in order, all or none; it returns nil only when they are kept.
	Add(ctx context.Context, lines ...Line) error
	// AddAfter is Add if no line of that kind and key came after the number seq, and ErrMoved when one did, whichever
	// process wrote it. All lines have one kind and key. It gives the number of the last.
	AddAfter(ctx context.Context, seq int64, lines ...Line) (last int64, err error)
	// Newest gives the newest line of each key of a kind, by key.
	Newest(ctx context.Context, kind string) ([]Line, error)
	// After gives up to limit lines of a kind after a sequence number, in order.
	After(ctx context.Context, kind string, after int64, limit int) ([]Line, error)
}

// ErrMoved: somebody else added to the journal meanwhile.
var ErrMoved = errors.New("the journal has moved on")

// Kinds of line.
const (
	kindAccount = "account"
	kindInvite  = "invite"
	kindAudit   = "audit"
	kindSeal    = "seal-key"
)
