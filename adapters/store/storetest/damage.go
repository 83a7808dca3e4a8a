package storetest

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// Damage wants the check to see one changed byte in what nothing else in the database can be compared with. exec runs
// SQL beside the store; flip is the dialect's expression for column body with one byte, counted from 0, changed to another
// printable one. Where several nodes share the store, one without seals may replace a record, whose seal is then taken
// away; unguard stops that. The store must be empty.
func Damage(t *testing.T, s pipeline.Store, exec func(sql string) error, flip func(i int) string, unguard string) {
	t.Helper()
	ctx := t.Context()
	flipped := flip(2)
	rec := implant.Record{Patient: "p", Parts: []implant.Part{{ID: "1", Component: implant.Component{Model: "TB-G210"}}}}
	replaced := "record number 1: it is not what was folded"
	if unguard != "" {
		replaced = ""
	}
	st := stmt("Device/1", "p", "Device/2")
	st.Mentions = []string{"Device/2"}
	inside := func(v any, word string) string { // a byte in the middle of a word, so that the JSON still reads
		b, err := json.Marshal(v)
		i := strings.Index(string(b), word)
		if err != nil || i < 0 {
			t.Fatalf("%s is not in %s: %v", word, b, err)
		}
		return flip(i + 1)
	}
	verdict := func(referral string) pipeline.StoredVerdict {
		return pipeline.StoredVerdict{Referral: referral, Patient: "p", Site: "north", Revision: 1, Digest: "d", State: "in-force",
			Kind: "mr-unsafe", Body: []byte(`{"kind":"mr-unsafe"}`), Decided: start}
	}
	err := s.Update(ctx, func(tx pipeline.Tx) error {
		return errors.Join(tx.Queue(ctx, out("1", "r", start)), tx.Queue(ctx, out("22222", "r", start)),
			tx.SaveVerdict(ctx, verdict("a")), tx.SaveVerdict(ctx, verdict("b")), tx.SaveRecord(ctx, rec),
			tx.Settle(ctx, pipeline.Outgoing{ID: "1", State: "sent", Attempts: 3, NextTry: at(9), LastErr: "refused"}))
	})
	if err == nil {
		err = s.Update(ctx, func(tx pipeline.Tx) error {
			_, err := tx.SaveMessages(ctx, []pipeline.Message{msg("m")})
			return errors.Join(err, tx.SaveStatement(ctx, st))
		})
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ sql, want string }{
		{`select 1`, ""},
		{`update messages set received_at = '2026-06-01T09:00:01.000000Z'`, "not so: every statement came when its message did (1 rows)"},
		{`update messages set received_at = (select received_at from statements)`, ""},
		{`update outbox set next_try = '2026-06-01T09:00:0 .000000Z' where id = '1'`, "outgoing message: a time cannot be read"},
		{`update outbox set next_try = queued`, ""},
		{`update verdicts set revision = 2, body = ` + flipped + ` where referral = 'b'`, ""}, // a node without seals replaced it
		{`update outbox set body = ` + flipped + ` where id = '22222'`, "outgoing message in row 2: it is not what was queued"},
		{`update outbox set dest = 'radiology.south' where id = '1'`, "outgoing message in row 1: it is not what was queued"},
		{`update verdicts set body = ` + flipped + ` where referral = 'a'`, "verdict number 1: it is not what was decided"},
		{`update outbox set seal = ''`, "verdict number 1: it is not what was decided"}, // written before there were seals
		{`update verdicts set seal = ''`, ""},
		{`update statements set body = ` + inside(st.Statement, "Device/2"), "statement in row 1: it is not what was read"},
		{`update statements set seal = ''`, ""},
		{`update records set body = ` + inside(rec, "TB-G210"), replaced},
	} {
		if err := exec(c.sql); err != nil {
			t.Fatalf("%s: %v", c.sql, err)
		}
		found, err := s.Check(ctx)
		if err != nil || c.want == "" && len(found) > 0 || !strings.Contains(strings.Join(found, "\n"), c.want) {
			t.Errorf("%s: found %q, %v, want %q", c.sql, found, err, c.want)
		}
	}
	rec.Parts[0].Component.Model = "TB-G220" // written again, and sealed again
	if err := s.Update(ctx, func(tx pipeline.Tx) error { return tx.SaveRecord(ctx, rec) }); err != nil {
		t.Fatal(err)
	}
	if unguard == "" {
		unguard = "select 1"
	}
	if err := errors.Join(exec(unguard), exec(`update records set body = `+inside(rec, "TB-G220"))); err != nil {
		t.Fatal(err)
	}
	found, err := s.Check(ctx)
	if err != nil || len(found) != 1 || found[0] != "record number 1: it is not what was folded" {
		t.Errorf("a changed record: found %q, %v", found, err)
	}
}
