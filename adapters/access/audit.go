package access

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"
)

// Action is what was done, in the letters of the AuditEvent.action code system.
type Action string

// Actions.
const (
	Created  Action = "C"
	Seen     Action = "R"
	Changed  Action = "U"
	Executed Action = "E" // searched, traced, exported, logged in
)

// Event is one thing somebody did. It never holds a name, number or word of a patient.
type Event struct {
	At      time.Time `json:"at"`
	Who     string    `json:"who"`            // login name or sender name; "" nobody, a refused try
	Role    string    `json:"role,omitempty"` //
	Action  Action    `json:"action"`
	What    string    `json:"what"`             // "record", "order", "month", "trace", "login", "account", ...
	Object  string    `json:"object,omitempty"` // opaque id, month or login name
	Refused bool      `json:"refused,omitempty"`
	// Reason is what a person gave for opening something outside their scope. The page tells them to write no
	// patient data in it.
	Reason string `json:"reason,omitempty"`
	From   string `json:"from,omitempty"` // network address
}

// link is an event in its chain: Hash is the SHA-256 of the line with an empty Hash, Prev the hash of the line before.
type link struct {
	N    int64  `json:"n"` // 1 for the first
	Prev string `json:"prev"`
	Event
	Hash string `json:"hash"`
}

func (l link) sum() (string, error) {
	l.Hash = ""
	b, err := json.Marshal(l)
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:]), err
}

// Audit keeps events in a hash chain. Events that come at the same time are kept in one write. Several processes may
// write one chain; those that write much each take a Chain name of their own.
type Audit struct {
	Journal Journal
	Now     func() time.Time
	Chain   string // key of the chain; "" is "main"

	mu      sync.Mutex
	pending []*noted
	writing sync.Mutex
	head    *link
	headSeq int64 // of the head in the journal
}

type noted struct {
	Event
	done bool
	err  error
}

// Note keeps an event; it returns nil only when it is kept. What cannot be noted must not be shown.
func (a *Audit) Note(ctx context.Context, e Event) error {
	n := &noted{Event: e}
	a.mu.Lock()
	a.pending = append(a.pending, n)
	a.mu.Unlock()
	a.writing.Lock()
	defer a.writing.Unlock()
	if !n.done { // nobody wrote it for us while we waited
		runtime.Gosched() // on a busy machine others are about to note: one write for all of them
		a.mu.Lock()
		batch := a.pending
		a.pending = nil
		a.mu.Unlock()
		err := a.write(context.WithoutCancel(ctx), batch)
		for _, x := range batch {
			x.done, x.err = true, err
		}
	}
	return n.err
}

// writeTime bounds a write whose asker may be gone.
const writeTime = 10 * time.Second

// maxMoves is how often a write starts again when another process was first.
const maxMoves = 50

func (a *Audit) write(ctx context.Context, batch []*noted) (err error) {
	ctx, cancel := context.WithTimeout(ctx, writeTime)
	defer cancel()
	for range maxMoves {
		if err = a.append(ctx, batch); !errors.Is(err, ErrMoved) {
			return err
		}
	}
	return err
}

func (a *Audit) append(ctx context.Context, batch []*noted) error {
	head, err := a.last(ctx)
	if err != nil {
		return err
	}
	var lines []Line
	for _, n := range batch {
		n.At = a.Now().UTC().Truncate(time.Microsecond)
		l := link{N: head.N + 1, Prev: head.Hash, Event: n.Event}
		if l.Hash, err = l.sum(); err != nil {
			return err
		}
		body, err := json.Marshal(l)
		if err != nil {
			return err
		}
		lines = append(lines, Line{Kind: kindAudit, Key: a.chain(), Body: body, At: n.At})
		head = l
	}
	seq, err := a.Journal.AddAfter(ctx, a.headSeq, lines...)
	if err != nil {
		a.head, a.headSeq = nil, 0 // read anew: it may or may not have been kept
		return err
	}
	a.head, a.headSeq = &head, seq
	return nil
}

func (a *Audit) chain() string {
	if a.Chain == "" {
		return "main"
	}
	return a.Chain
}

func (a *Audit) last(ctx context.Context) (link, error) {
	if a.head != nil {
		return *a.head, nil
	}
	lines, err := a.Journal.Newest(ctx, kindAudit)
	if err != nil {
		return link{}, err
	}
	for _, l := range lines {
		if l.Key == a.chain() {
			var head link
			a.headSeq = l.Seq
			return head, json.Unmarshal(l.Body, &head)
		}
	}
	return link{}, nil
}

// Lines gives up to limit audit lines after a sequence number, as kept.
func (a *Audit) Lines(ctx context.Context, after int64, limit int) ([]Line, error) {
	return a.Journal.After(ctx, kindAudit, after, limit)
}

// Each gives every line to f, in order.
func (a *Audit) Each(ctx context.Context, f func(Line) error) error {
	const page = 1000
	for after := int64(0); ; {
		lines, err := a.Lines(ctx, after, page)
		if err != nil {
			return err
		}
		for _, l := range lines {
			if err := f(l); err != nil {
				return err
			}
			after = l.Seq
		}
		if len(lines) < page {
			return nil
		}
	}
}

// KeptLine gives a line as it is kept, with its chain, as one line of JSON: what VerifyAudit needs offline.
func KeptLine(l Line) ([]byte, error) {
	return json.Marshal(map[string]any{"key": l.Key, "body": json.RawMessage(l.Body)})
}

// ErrAudit: the chain does not hold.
var ErrAudit = errors.New("audit chain broken")

// VerifyAudit checks whole chains from their first line: numbers without a gap, every line's own hash, every link to
// the line before. Lines of several chains may be mixed. What it cannot see is lines cut off at the end: compare the
// head (AuditHead) with one written down elsewhere.
func VerifyAudit(entries []Line) error {
	heads := map[string]link{}
	for i, e := range entries {
		var l link
		if err := json.Unmarshal(e.Body, &l); err != nil {
			return fmt.Errorf("%w: line %d is not readable", ErrAudit, i+1)
		}
		before := heads[e.Key]
		sum, err := l.sum()
		switch {
		case err != nil:
			return err
		case !sameJSON(l, e.Body): // a member that is not ours would not be in the hash
			return fmt.Errorf("%w: line %d holds something else beside the event", ErrAudit, i+1)
		case l.N != before.N+1:
			return fmt.Errorf("%w: line %d has number %d, want %d", ErrAudit, i+1, l.N, before.N+1)
		case l.Prev != before.Hash:
			return fmt.Errorf("%w: number %d does not continue number %d", ErrAudit, l.N, before.N)
		case l.Hash != sum:
			return fmt.Errorf("%w: number %d was changed", ErrAudit, l.N)
		}
		heads[e.Key] = l
	}
	return nil
}

// sameJSON says whether the line is exactly what the link is written as, blanks and escapes apart.
func sameJSON(l link, body []byte) bool {
	a, err1 := json.Marshal(l)
	b, err2 := json.Marshal(json.RawMessage(body))
	return err1 == nil && err2 == nil && bytes.Equal(a, b)
}

// AuditHead gives number and hash of a line, to be written down outside the service.
func AuditHead(e Line) (n int64, hash string, err error) {
	var l link
	err = json.Unmarshal(e.Body, &l)
	return l.N, l.Hash, err
}

// AuditEventOf gives the event of a line.
func AuditEventOf(e Line) (Event, error) {
	var l link
	err := json.Unmarshal(e.Body, &l)
	return l.Event, err
}
