package storetest

import (
	"context"
	"encoding/json"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// Fresh makes a new, empty place for a store and gives the function that opens it. Opening again, after a
// Close, must find what was kept.
type Fresh func(t testing.TB) (open func() (pipeline.Store, error))

// deadline bounds every test of the suite, so that a lock that is never released fails instead of hanging.
const deadline = 2 * time.Minute

// Run runs the suite.
func Run(t *testing.T, fresh Fresh) {
	for _, c := range []struct {
		name string
		run  func(*bench)
	}{
		{"RoundTrip/Message", testMessage},
		{"RoundTrip/Statement", testStatement},
		{"RoundTrip/Record", testRecord},
		{"RoundTrip/Verdict", testVerdict},
		{"RoundTrip/Rejected", testRejected},
		{"RoundTrip/Outgoing", testOutgoing},
		{"NotFound", testNotFound},
		{"Refused", testRefused},
		{"Statement/Duplicates", testDuplicates},
		{"Statement/Drop", testDropStatements},
		{"Statement/Mentioning", testMentioning},
		{"Statement/Sorted", testSorted},
		{"Cluster/Joins", testCluster},
		{"Cluster/Bound", testClusterBound},
		{"Cluster/Crowded", testCrowded},
		{"Record/Aliases", testAliases},
		{"Record/Drop", testDropRecord},
		{"Record/Pages", testRecordPages},
		{"Verdict/Lists", testVerdictLists},
		{"Parts", testParts},
		{"Lives", testLives},
		{"Devices/Sharers", testSharers},
		{"Devices/Property", testSharersProperty},
		{"Figures", testFigures},
		{"Outbox/Idempotent", testQueue},
		{"Outbox/Waiting", testWaiting},
		{"Outbox/Settle", testSettle},
		{"Journal", testJournal},
		{"Sessions", testSessions},
		{"Journal/ClosedOnce", testClosedOnce},
		{"Count", testCount},
		{"Update/Rollback", testRollback},
		{"Update/FailedWrite", testFailedWrite},
		{"Update/Panic", testPanic},
		{"Update/Cancelled", testCancelled},
		{"Update/OwnWrites", testOwnWrites},
		{"Update/OnePatient", testOnePatient},
		{"View/Snapshot", testSnapshot},
		{"Reopen", testReopen},
		{"Property", testProperty},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), deadline)
			defer cancel()
			b := &bench{T: t, ctx: ctx, fresh: fresh}
			b.reopen(fresh(t))
			t.Cleanup(func() { b.close() })
			c.run(b)
			if !t.Failed() && b.store != nil {
				b.clean()
			}
		})
	}
}

// bench is one test's store with helpers that fail the test.
type bench struct {
	*testing.T
	ctx   context.Context
	fresh Fresh
	open  func() (pipeline.Store, error)
	store pipeline.Store
}

func (b *bench) reopen(open func() (pipeline.Store, error)) {
	b.Helper()
	b.close()
	s, err := open()
	if err != nil {
		b.Fatalf("open: %v", err)
	}
	b.open, b.store = open, s
}

func (b *bench) close() {
	if b.store == nil {
		return
	}
	if err := b.store.Close(); err != nil {
		b.Errorf("close: %v", err)
	}
	b.store = nil
}

// clean wants the store's own check to find nothing.
func (b *bench) clean() {
	b.Helper()
	found, err := b.store.Check(b.ctx)
	if err != nil || len(found) > 0 {
		b.Errorf("check: %v, %v", found, err)
	}
}

func (b *bench) update(f func(pipeline.Tx) error) {
	b.Helper()
	if err := b.store.Update(b.ctx, f); err != nil {
		b.Fatalf("update: %v", err)
	}
}

func (b *bench) view(f func(pipeline.Reader) error) {
	b.Helper()
	if err := b.store.View(b.ctx, f); err != nil {
		b.Fatalf("view: %v", err)
	}
}

// fails wants an update to fail with an error that is target.
func (b *bench) fails(target error, f func(pipeline.Tx) error) {
	b.Helper()
	err := b.store.Update(b.ctx, f)
	if err == nil || target != nil && !errors.Is(err, target) {
		b.Errorf("update: %v, want %v", err, target)
	}
}

func (b *bench) same(what string, got, want any) {
	b.Helper()
	if d := cmp.Diff(want, got); d != "" {
		b.Errorf("%s (-want +got):\n%s", what, d)
	}
}

// saves runs writes in one transaction, stopping at the first error.
func (b *bench) saves(fs ...func(pipeline.Tx) error) {
	b.Helper()
	b.update(func(tx pipeline.Tx) error { return each(tx, fs) })
}

func each(tx pipeline.Tx, fs []func(pipeline.Tx) error) error {
	for _, f := range fs {
		if err := f(tx); err != nil {
			return err
		}
	}
	return nil
}

func (b *bench) message(m pipeline.Message) func(pipeline.Tx) error {
	return func(tx pipeline.Tx) error { _, err := tx.SaveMessages(b.ctx, []pipeline.Message{m}); return err }
}

func (b *bench) statement(s pipeline.StoredStatement) func(pipeline.Tx) error {
	return func(tx pipeline.Tx) error { return tx.SaveStatement(b.ctx, s) }
}

func (b *bench) record(r implant.Record) func(pipeline.Tx) error {
	return func(tx pipeline.Tx) error { return tx.SaveRecord(b.ctx, r) }
}

func (b *bench) queue(o pipeline.Outgoing) func(pipeline.Tx) error {
	return func(tx pipeline.Tx) error { return tx.Queue(b.ctx, o) }
}

// start is the moment from which the suite counts; it has a fraction that needs all six digits.
var start = time.Date(2026, 3, 4, 5, 6, 7, 8009000, time.UTC)

func at(seconds int) time.Time { return start.Add(time.Duration(seconds) * time.Second) }

func msg(id string) pipeline.Message {
	return pipeline.Message{ID: id, Sender: "sender-a", ContentType: "application/fhir+json",
		Body: []byte(`{"resourceType":"Bundle","id":"` + id + `"}`), ReceivedAt: start}
}

// stmt is a statement of message "m" about a patient.
func stmt(key, patient string, mentions ...string) pipeline.StoredStatement {
	return pipeline.StoredStatement{
		Statement: implant.Statement{Key: key, Type: "Procedure", Patient: patient, Mentions: mentions,
			Version: implant.Version{Hash: "hash of " + key}},
		MessageID: "m", Offset: 1, Length: 5, ReceivedAt: start,
	}
}

// person is a Patient statement of message "m"; ids are "system|value".
func person(key string, ids []implant.Identifier, links ...string) pipeline.StoredStatement {
	s := stmt(key, key)
	s.Type = "Patient"
	s.Person = &implant.Person{Identifiers: ids}
	for _, l := range links {
		s.Person.Links = append(s.Person.Links, implant.PatientLink{Other: l, Type: "seealso"})
	}
	return s
}

func ident(system, value string) implant.Identifier {
	return implant.Identifier{System: system, Value: value}
}

// throughJSON gives v as its JSON encoding gives it back: what a store that keeps JSON must return.
func throughJSON[T any](t *testing.T, v T) T {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var out T
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return out
}
