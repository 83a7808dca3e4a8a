package store

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/history"
)

// Invariant is a sentence that must hold of the database, with the query that counts what breaks it. The SQL
// is the same in both dialects.
type Invariant struct{ Name, SQL string }

// Invariants gives the sentences that must hold across tables.
func Invariants() []Invariant {
	return []Invariant{
		{"every statement's message is kept",
			`select count(*) from statements s where not exists (select 1 from messages m where m.row_id = s.message_row)`},
		{"every statement lies inside its message",
			`select count(*) from statements s join messages m on m.row_id = s.message_row
			 where s.start_at < 0 or s.len < 0 or s.start_at + s.len > length(m.body)`},
		{"every alias points to a record",
			`select count(*) from record_aliases a where not exists (select 1 from records r where r.patient = a.patient)`},
		{"every record is found under its own key",
			`select count(*) from records r where not exists
			 (select 1 from record_aliases a where a.alias = r.patient and a.patient = r.patient)`},
		{"every part belongs to a record",
			`select count(*) from parts p where not exists (select 1 from records r where r.patient = p.patient)`},
		{"every edge of the patient graph goes both ways",
			`select count(*) from patient_edges e where not exists
			 (select 1 from patient_edges f where f.a = e.b and f.b = e.a and f.statement_row = e.statement_row)`},
		{"outgoing message IDs are unique",
			`select count(*) from (select id from outbox group by id having count(*) > 1) d`},
		{"outgoing messages are waiting, sent or dead",
			`select count(*) from outbox where state not in ('waiting', 'sent', 'dead')`},
		{"every statement came when its message did",
			`select count(*) from statements s join messages m on m.row_id = s.message_row where s.received_at <> m.received_at`},
		{"every mention is of a kept statement",
			`select count(*) from mentions m where not exists (select 1 from statements s where s.row_id = m.statement_row)`},
		{"every edge is of a kept Patient statement",
			`select count(*) from patient_edges e where not exists
			 (select 1 from statements s where s.row_id = e.statement_row and s.person = 1)`},
	}
}

// Problems collects what a check finds, up to MaxProblems.
type Problems struct{ List []string }

// Add notes a problem. The text must hold no patient data: keys are not shown, only what kind of row it is.
func (p *Problems) Add(format string, args ...any) {
	switch {
	case len(p.List) < MaxProblems:
		p.List = append(p.List, fmt.Sprintf(format, args...))
	case len(p.List) == MaxProblems:
		p.List = append(p.List, "more problems, not listed")
	}
}

// CheckMessage compares an ID that is a SHA-256 in hex with the message it names.
func (p *Problems) CheckMessage(m pipeline.Message) {
	if want, err := hex.DecodeString(m.ID); err != nil || len(want) != sha256.Size {
		return // an ID of another make says nothing about the body
	}
	h := sha256.New()
	h.Write([]byte(m.Sender))
	h.Write([]byte{0})
	h.Write(m.Body)
	if hex.EncodeToString(h.Sum(nil)) != m.ID {
		p.Add("message %s: its bytes are not those that were received", m.ID)
	}
}

// TimesSQL reads, in both dialects, the moments that no seal covers.
const TimesSQL = `select 'message', received_at from messages union all select 'outgoing message', queued from outbox
	union all select 'outgoing message', next_try from outbox union all select 'reject', rejected_at from rejected
	union all select 'journal entry', at from journal union all select 'session', ends from sessions`

// CheckTime finds a moment that cannot be read: every list that its row belongs to would fail.
func (p *Problems) CheckTime(what, text string) {
	if _, err := ParseTime(text); err != nil {
		p.Add("%s: a time cannot be read", what)
	}
}

// CheckStatement compares the columns of a statement's row with its body and its seal.
func (p *Problems) CheckStatement(row int64, r StatementRow) {
	s, err := DecodeStatement(r.Body, "", 0, 0, "")
	switch {
	case err != nil:
		p.Add("statement in row %d: the body cannot be read", row)
	case s.Key != r.Key || s.Version.Hash != r.Hash || s.Patient != r.Patient:
		p.Add("statement in row %d: columns and body disagree", row)
	case r.Seal != "" && r.Seal != r.sealRow():
		p.Add("statement in row %d: it is not what was read", row)
	}
}

// CheckRecord compares the columns of a record's row with its body and its seal; n counts the records checked so far.
// parts and devices count its rows in the tables for tracing and for comparing, and of is the seal of the latter.
func (p *Problems) CheckRecord(n int, r RecordRow, parts, devices int, of string) {
	rec, err := DecodeRecord(r.Body)
	r.Keys = history.DeviceKeys(rec)
	switch {
	case err != nil:
		p.Add("record number %d: the body cannot be read", n)
	case rec.Patient != r.Patient:
		p.Add("record number %d: key and body disagree", n)
	case len(rec.Parts) != parts:
		p.Add("record number %d: it has %d parts and %d are listed for tracing", n, len(rec.Parts), parts)
	case r.Seal != "" && r.Seal != r.sealRow():
		p.Add("record number %d: it is not what was folded", n)
	case r.Seal == of && (len(r.Keys) != devices || r.Devices != strings.Join(r.Keys, " ")): // of another they await pipeline.Relist
		p.Add("record number %d: it has %d device keys and %d are listed", n, len(r.Keys), devices)
	}
}
