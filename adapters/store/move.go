package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"iter"

	"gaussline/adapters/pipeline"
)

// Table is a table with its columns, as both databases have it.
type Table struct {
	Name    string
	Columns []string
	Order   string // columns that make the order of rows unique
	Serial  string // column that the database numbers; "" none
}

// Tables lists every table that is moved, so that what a row points to comes before it.
func Tables() []Table {
	return []Table{
		{"messages", []string{"row_id", "id", "sender", "content_type", "received_at", "body"}, "row_id", "row_id"},
		{"statements", []string{"row_id", "key", "version", "last_updated", "message_time", "hash", "type", "patient", "person", "body", "message_row", "start_at",
			"len", "received_at", "seal"}, "row_id", "row_id"},
		{"mentions", []string{"key", "statement_row"}, "key, statement_row", ""},
		{"patient_edges", []string{"a", "b", "statement_row"}, "a, b, statement_row", ""},
		{"records", []string{"patient", "body", "seal", "devices", "devices_of"}, "patient", ""},
		{"record_aliases", []string{"alias", "patient"}, "alias", ""},
		{"parts", []string{"patient", "id", "kind", "maker", "model", "lot", "serial", "di", "state", "implanted", "removed", "expiry", "doubtful", "life"}, "patient, id", ""},
		{"record_devices", []string{"key", "patient"}, "key, patient", ""},
		{"verdicts", []string{"referral", "patient", "site", "revision", "digest", "state", "kind", "body", "decided", "seal"}, "referral", ""},
		{"rejected", []string{"id", "message_id", "sender", "path", "key", "step", "outcome", "attempts", "rejected_at", "state", "note"}, "id", ""},
		{"outbox", []string{"seq", "id", "ord", "sink", "dest", "body", "state", "attempts", "next_try", "last_err", "queued",
			"traceparent", "seal"}, "seq", "seq"},
		{"journal", []string{"seq", "kind", "key", "body", "at"}, "seq", "seq"},
		{"sessions", []string{"id", "body", "ends"}, "id", ""},
	}
}

// RowReader gives the rows of a table in its order, one at a time: int64, string and []byte. A row is valid until the
// next.
type RowReader interface {
	Rows(ctx context.Context, t Table) iter.Seq2[[]any, error]
}

// Source is a store whose tables can be copied.
type Source interface {
	// ReadTables runs f on one consistent state.
	ReadTables(ctx context.Context, f func(RowReader) error) error
}

// Target is a store into which tables can be copied.
type Target interface {
	// FillTables runs f in one transaction; it is refused when any table has a row, and kept only when f returns nil.
	FillTables(ctx context.Context, f func(TableWriter) error) error
}

// TableWriter writes whole tables and reads back what it wrote.
type TableWriter interface {
	RowReader
	Fill(ctx context.Context, t Table, rows iter.Seq2[[]any, error]) error
}

// Moved is what was copied of one table.
type Moved struct {
	Table string
	Rows  int64
	Hash  string // hex SHA-256 over every value of every row, the same on both sides
}

// ErrMove: what was read back is not what was copied, and nothing is kept.
var ErrMove = errors.New("the copy differs")

// Move copies every table of one store into another, empty one, in bounded memory, and compares count and hash of each
// table as read from both sides before anything is kept. done is told of each table.
func Move(ctx context.Context, from, to pipeline.Store, done func(Moved)) error {
	src, ok1 := from.(Source)
	dst, ok2 := to.(Target)
	if !ok1 || !ok2 {
		return errors.New("move: only from the embedded store to PostgreSQL")
	}
	return src.ReadTables(ctx, func(r RowReader) error {
		return dst.FillTables(ctx, func(w TableWriter) error {
			for _, t := range Tables() {
				if err := w.Fill(ctx, t, r.Rows(ctx, t)); err != nil {
					return fmt.Errorf("move %s: %w", t.Name, err)
				}
				a, err := digest(t, r.Rows(ctx, t))
				if err != nil {
					return fmt.Errorf("move %s: read the source: %w", t.Name, err)
				}
				b, err := digest(t, w.Rows(ctx, t))
				if err != nil {
					return fmt.Errorf("move %s: read the copy: %w", t.Name, err)
				}
				if a != b {
					return fmt.Errorf("move %s: %w: %d rows %s, %d rows %s", t.Name, ErrMove, a.Rows, a.Hash, b.Rows, b.Hash)
				}
				done(a)
			}
			return nil
		})
	})
}

// digest counts and hashes the rows of a table.
func digest(t Table, rows iter.Seq2[[]any, error]) (Moved, error) {
	h := sha256.New()
	m := Moved{Table: t.Name}
	for row, err := range rows {
		if err != nil {
			return m, err
		}
		m.Rows++
		for _, v := range row {
			if err := hashValue(h, v); err != nil {
				return m, err
			}
		}
	}
	m.Hash = hex.EncodeToString(h.Sum(nil))
	return m, nil
}

// hashValue writes kind, length and bytes of a value.
func hashValue(h hash.Hash, v any) error {
	var kind byte
	var b []byte
	switch x := v.(type) {
	case int64:
		kind, b = 'i', binary.BigEndian.AppendUint64(nil, uint64(x))
	case int32:
		return hashValue(h, int64(x))
	case string:
		kind, b = 's', []byte(x)
	case []byte:
		kind, b = 'b', x
	default:
		return fmt.Errorf("a value of type %T", v)
	}
	h.Write(binary.BigEndian.AppendUint64([]byte{kind}, uint64(len(b))))
	h.Write(b)
	return nil
}
