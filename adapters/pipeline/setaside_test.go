package pipeline_test

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
)

// openReject gives the one reject that is open.
func (w workbench) openReject(t *testing.T) (rej pipeline.Rejected, concerned []implant.Record) {
	t.Helper()
	err := w.Store.View(context.Background(), func(r pipeline.Reader) error {
		all, err := r.Rejects(context.Background(), pipeline.RejectOpen)
		if err != nil || len(all) != 1 {
			t.Fatalf("%d rejects, %v", len(all), err)
		}
		rej = all[0]
		concerned, err = pipeline.Concerned(context.Background(), r, rej)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return rej, concerned
}

// authorsIn lists the authors that the Provenance of a message names with its sources.
func authorsIn(t *testing.T, body []byte) (out []string) {
	t.Helper()
	var p struct {
		Entity []struct {
			Agent []struct{ Who struct{ Display string } }
		}
	}
	if err := json.Unmarshal(resources(t, body)["Provenance"], &p); err != nil {
		t.Fatal(err)
	}
	for _, e := range p.Entity {
		for _, a := range e.Agent {
			out = append(out, a.Who.Display)
		}
	}
	return out
}

// Who sets an unread message aside stands on the record, in the banner that supersedes and among its sources; where a
// patient is concerned only those close it who may.
func TestWhoSetsAMessageAsideIsKept(t *testing.T) {
	ctx := context.Background()
	w := toldStory(t, "14-refused-message")
	rej, concerned := w.openReject(t)
	if len(concerned) != 1 || concerned[0].Patient != "hillside|Patient/p14" {
		t.Fatalf("concerned: %+v", concerned)
	}
	if err := w.CloseReject(ctx, rej.ID, "an operator", "tidied up", func([]implant.Record) bool { return false }); !errors.Is(err, pipeline.ErrNotYours) {
		t.Fatalf("closed by somebody who may not: %v", err)
	}
	if still, _ := w.openReject(t); still.ID != rej.ID {
		t.Fatal("what was refused was closed")
	}
	before := len(w.outbox(t))
	if err := w.CloseReject(ctx, rej.ID, "E. Marsh", "original read by telephone", nil); err != nil {
		t.Fatal(err)
	}
	rec, err := w.RecordAsOf(ctx, "hillside|Patient/p14", time.Time{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(banner.Answers(rec), "\n")
	for _, want := range []string{"E. Marsh, 20", "set aside, UNREAD: a message from hillside (Device: ", "that could not be read.", "\"original read by telephone\""} {
		if !strings.Contains(said, want) {
			t.Errorf("the record does not say %q: %s", want, said)
		}
	}
	sent := w.outbox(t)[before:]
	if len(sent) != 1 {
		t.Fatalf("%d banners", len(sent))
	}
	if text := whatIsSent(t, sent[0].Body); !strings.Contains(text, "Changed:\n") || !strings.Contains(text, "- settled by a person: E. Marsh, ") {
		t.Errorf("the banner does not say what changed:\n%s", text)
	}
	if got := authorsIn(t, sent[0].Body); len(got) != 1 || got[0] != "E. Marsh" {
		t.Errorf("authors in the Provenance: %v", got)
	}
}

// A review answer that counts is named wherever the verdict is: who, when, what was accepted and why.
func TestWhoAnsweredIsNamed(t *testing.T) {
	w := toldStory(t, "12-note-only")
	before := len(w.outbox(t))
	w.answerAll(t)
	rec, err := w.RecordAsOf(context.Background(), "hillside|Patient/p12", time.Time{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if len(rec.Answered) == 0 || rec.Answered[0].How != implant.Accepted || rec.Answered[0].Said.By != "E. Marsh" || rec.Answered[0].At == "" {
		t.Fatalf("answered: %+v", rec.Answered)
	}
	sent := w.outbox(t)[before:]
	if len(sent) == 0 {
		t.Fatal("no banner supersedes")
	}
	body := sent[len(sent)-1].Body
	text := whatIsSent(t, body)
	for _, want := range []string{"- settled by a person: E. Marsh, ", "Settled by a person, and relied on here:\n- E. Marsh, ", "accepted the reading of: A note was read by rule only", "Reason given: \"operation sheet read\""} {
		if !strings.Contains(text, want) {
			t.Errorf("the banner does not say %q:\n%s", want, text)
		}
	}
	if got := authorsIn(t, body); len(got) == 0 || got[0] != "E. Marsh" {
		t.Errorf("authors in the Provenance: %v", got)
	}
	if who := strings.Join(banner.Evidence(banner.Note{Record: rec}), "\n"); !strings.Contains(who, "Settled by a person, ") || !strings.Contains(who, "\"E. Marsh: operation sheet read\"") {
		t.Errorf("who says so: %s", who)
	}
}

// A refused entry of a Bundle counts for the patient whom it names by the place in the Bundle, and where it names nobody
// for the Bundle's one Patient.
func TestARefusedEntryIsOfTheBundlesPatient(t *testing.T) {
	for about, patient := range map[string]string{"by the place in the Bundle": `,"patient":{"reference":"urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"}`, "nobody": ""} {
		w := toldStory(t, "01-primary-implant")
		body := []byte(`{"resourceType":"Bundle","type":"collection","entry":[
{"fullUrl":"urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0","resource":{"resourceType":"Patient","id":"p01"}},
{"fullUrl":"http://ehr.hillside.invalid/fhir/Device/zz","resource":{"resourceType":"Device","id":"zz","status":"bogus"` + patient + `}}]}`)
		w.tell(t, pipeline.Message{ID: pipeline.MessageID("hillside", body), Sender: "hillside", Body: body, ReceivedAt: w.clock.at})
		if _, concerned := w.openReject(t); len(concerned) != 1 || concerned[0].Patient != "hillside|Patient/p01" {
			t.Errorf("%s: concerned %+v", about, concerned)
		}
	}
}
