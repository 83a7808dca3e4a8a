package store

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// StatementRow is a statement as the tables have it.
type StatementRow struct {
	Key, Version, LastUpdated, MessageTime, Hash string // unique together
	Type, Patient                                string
	Person                                       bool   // a Patient resource
	Body                                         []byte // JSON of the implant.Statement
	MessageID                                    string
	Start, Len                                   int
	ReceivedAt                                   string
	Mentions                                     []string // each once, sorted
	Edges                                        []Edge
	Seal                                         string
}

// EncodeStatement turns a statement into its row. Times are cut to the microsecond.
func EncodeStatement(s pipeline.StoredStatement) (StatementRow, error) {
	s.Version.LastUpdated, s.Version.MessageTime = Micro(s.Version.LastUpdated), Micro(s.Version.MessageTime)
	row := StatementRow{
		Key: s.Key, Version: s.Version.ID, Hash: s.Version.Hash, Type: s.Type, Patient: s.Patient,
		Person: s.Person != nil, MessageID: s.MessageID, Start: s.Offset, Len: s.Length, Edges: Edges(s.Statement),
	}
	if s.Key == "" {
		return row, fmt.Errorf("statement without a key")
	}
	err := times(
		timeField{"last updated", s.Version.LastUpdated, &row.LastUpdated},
		timeField{"message time", s.Version.MessageTime, &row.MessageTime},
		timeField{"received at", s.ReceivedAt, &row.ReceivedAt})
	if err != nil {
		return row, fmt.Errorf("statement: %w", err)
	}
	for _, m := range s.Mentions {
		if m != "" {
			row.Mentions = append(row.Mentions, m)
		}
	}
	slices.Sort(row.Mentions)
	row.Mentions = slices.Compact(row.Mentions)
	if err := row.checkKeys(); err != nil {
		return row, fmt.Errorf("statement: %w", err)
	}
	if row.Body, err = json.Marshal(s.Statement); err != nil {
		return row, fmt.Errorf("statement: encode: %w", err)
	}
	row.Seal = row.sealRow()
	return row, checkBody("statement", row.Body)
}

func (r StatementRow) checkKeys() error {
	for _, k := range []struct{ name, value string }{
		{"key", r.Key}, {"version id", r.Version}, {"hash", r.Hash}, {"type", r.Type},
		{"patient key", r.Patient}, {"message id", r.MessageID},
	} {
		if err := CheckKey(k.name, k.value); err != nil {
			return err
		}
	}
	for _, m := range r.Mentions {
		if err := CheckKey("mentioned key", m); err != nil {
			return err
		}
	}
	for _, e := range r.Edges {
		if err := CheckKey("identifier or link", e.A); err != nil {
			return err
		}
		if err := CheckKey("identifier or link", e.B); err != nil {
			return err
		}
	}
	return nil
}

// SortStatements sorts by key, hash, version ID, last updated, message time: as the tables compare them.
func SortStatements(list []pipeline.StoredStatement) {
	slices.SortFunc(list, func(a, b pipeline.StoredStatement) int {
		x, y := a.Version, b.Version
		return cmp.Or(cmp.Compare(a.Key, b.Key), cmp.Compare(x.Hash, y.Hash), cmp.Compare(x.ID, y.ID),
			x.LastUpdated.Compare(y.LastUpdated), x.MessageTime.Compare(y.MessageTime))
	})
}

// DecodeStatement turns the columns of a row back into a statement.
func DecodeStatement(body []byte, messageID string, start, length int, receivedAt string) (pipeline.StoredStatement, error) {
	out := pipeline.StoredStatement{MessageID: messageID, Offset: start, Length: length}
	var st implant.Statement
	if err := json.Unmarshal(body, &st); err != nil {
		return out, fmt.Errorf("statement: decode: %w", err)
	}
	out.Statement = st
	var err error
	if out.ReceivedAt, err = ParseTime(receivedAt); err != nil {
		return out, fmt.Errorf("statement: received at: %w", err)
	}
	return out, nil
}

// Kept is what a transaction has written of statements: what it reads back of that need not be decoded again.
type Kept map[keptAt]kept

type keptAt struct {
	messageID string
	start     int
}

type kept struct {
	row       StatementRow
	statement pipeline.StoredStatement
}

// Encode is EncodeStatement, and remembers the row.
func (k Kept) Encode(s pipeline.StoredStatement) (StatementRow, error) {
	row, err := EncodeStatement(s)
	if err == nil {
		s.Version.LastUpdated, s.Version.MessageTime, s.ReceivedAt = Micro(s.Version.LastUpdated), Micro(s.Version.MessageTime), Micro(s.ReceivedAt)
		// as decoding gives it: what is empty is left out
		s.Facts, s.Mentions, s.Findings = orNil(s.Facts), orNil(s.Mentions), orNil(s.Findings)
		k[keptAt{row.MessageID, row.Start}] = kept{row, s}
	}
	return row, err
}

func orNil[T any](list []T) []T {
	if len(list) == 0 {
		return nil
	}
	return list
}

// Decode is DecodeStatement, without the decoding where the row is one that was remembered.
func (k Kept) Decode(body []byte, messageID string, start, length int, receivedAt string) (pipeline.StoredStatement, error) {
	if x, ok := k[keptAt{messageID, start}]; ok && x.row.Len == length && x.row.ReceivedAt == receivedAt && bytes.Equal(x.row.Body, body) {
		return x.statement, nil
	}
	return DecodeStatement(body, messageID, start, length, receivedAt)
}

// timeField pairs a moment with where its text goes.
type timeField struct {
	name string
	t    time.Time
	to   *string
}

// times formats each field, stopping at the first that cannot be kept.
func times(fields ...timeField) error {
	for _, f := range fields {
		s, err := FormatTime(f.t)
		if err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
		*f.to = s
	}
	return nil
}
