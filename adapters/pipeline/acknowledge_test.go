package pipeline_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/mri"
)

// takesAll is a department that takes every message.
type takesAll struct{}

func (takesAll) Deliver(context.Context, pipeline.Outgoing) error { return nil }

// remindedStory is a story told to a service whose sites are reminded every four hours, with everything delivered.
func remindedStory(t *testing.T, name string) workbench {
	t.Helper()
	w := toldStory(t, name)
	for i := range w.Sites {
		w.Sites[i].RemindAfter = 4 * time.Hour
	}
	w.Sinks = map[string]pipeline.Sink{pipeline.SinkNATS: takesAll{}}
	w.relayAll(t)
	return w
}

func (w workbench) relayAll(t *testing.T) {
	t.Helper()
	for {
		n, err := w.RelayOnce(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			return
		}
	}
}

// remind lets time pass and gives what was queued by it.
func (w workbench) remind(t *testing.T, pass time.Duration) []pipeline.Outgoing {
	t.Helper()
	before := w.outbox(t)
	w.clock.at = w.clock.at.Add(pass)
	for range 2 { // a second look, or a second node, queues nothing more
		if _, err := w.Remind(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	return w.outbox(t)[len(before):]
}

// resources gives the entries of a message by resource type, as they are.
func resources(t *testing.T, body []byte) map[string]json.RawMessage {
	t.Helper()
	var b struct {
		ID, Timestamp string
		Entry         []struct{ Resource json.RawMessage }
	}
	if err := json.Unmarshal(body, &b); err != nil {
		t.Fatal(err)
	}
	out := map[string]json.RawMessage{"": json.RawMessage(b.ID + " " + b.Timestamp)}
	for _, e := range b.Entry {
		var head struct{ ResourceType string }
		if err := json.Unmarshal(e.Resource, &head); err != nil {
			t.Fatal(err)
		}
		out[head.ResourceType] = append(out[head.ResourceType], e.Resource...)
	}
	return out
}

// An urgent banner that nobody acknowledges is sent again after the site's interval and after each further one: under
// a message id of its own that stays the same, with a header that says so, and otherwise as it was sent.
func TestAnUnreadUrgentBannerIsSentAgain(t *testing.T) {
	w := remindedStory(t, "03-leads-capped")
	first := w.outbox(t)[len(w.outbox(t))-1]
	if got := w.remind(t, 4*time.Hour-time.Second); len(got) != 0 {
		t.Fatalf("%d reminders before the interval is over", len(got))
	}
	one := w.remind(t, time.Second)
	if len(one) != 1 {
		t.Fatalf("%d reminders after the interval, want 1", len(one))
	}
	was, is := resources(t, first.Body), resources(t, one[0].Body)
	for typ, raw := range is {
		if same := bytes.Equal(was[typ], raw); same != (typ != "" && typ != "MessageHeader") {
			t.Errorf("%q is the same as first sent: %v", typ, same)
		}
	}
	var header struct {
		ID     string
		Reason struct {
			Coding []struct{ System, Code string }
			Text   string
		}
	}
	if err := json.Unmarshal(is["MessageHeader"], &header); err != nil {
		t.Fatal(err)
	}
	if c := header.Reason.Coding; len(c) != 1 || c[0].Code != "reminder" || !strings.Contains(header.Reason.Text, "Reminder 1") || !strings.Contains(header.Reason.Text, "revision 1") {
		t.Errorf("the header does not say that it is a reminder: %s", is["MessageHeader"])
	}
	if one[0].ID == first.ID || one[0].To != first.To || one[0].Order != first.Order {
		t.Errorf("%+v after %+v", one[0].ID, first.ID)
	}
	if got := w.remind(t, 8*time.Hour); len(got) != 0 {
		t.Errorf("reminded while the last reminder still waits to be sent: %d", len(got))
	}
	w.relayAll(t)
	if three := w.remind(t, 0); len(three) != 1 || !bytes.Contains(three[0].Body, []byte("Reminder 3:")) {
		t.Errorf("after three intervals: %d queued", len(three))
	}
	w.relayAll(t)
	last := w.remind(t, 1000*time.Hour)
	w.relayAll(t)
	if len(last) != 1 || !bytes.Contains(last[0].Body, []byte("Reminder 24:")) || len(w.remind(t, 1000*time.Hour)) != 0 {
		t.Error("reminders do not end with the 24th")
	}
	if list := w.unreadList(t); len(list) != 1 || list[0].Reminder != 24 || !list[0].Next.IsZero() {
		t.Errorf("what stands unread is not listed: %+v", list)
	}
}

func (w workbench) unreadList(t *testing.T) []pipeline.Unread {
	t.Helper()
	list, err := w.Unread(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// What somebody has read is not sent again; what then changes is, counted from its own moment, and says what changed.
func TestAnAcknowledgementHoldsForWhatWasRead(t *testing.T) {
	ctx := context.Background()
	w := remindedStory(t, "03-leads-capped")
	order := "hillside|ServiceRequest/c-mr"
	at := func(n int) func(pipeline.StoredVerdict) bool {
		return func(v pipeline.StoredVerdict) bool { return v.Revision == n }
	}
	a := pipeline.Acknowledgement{By: "E. Marsh", At: w.clock.at, System: "ris-harbour"}
	if err := w.Acknowledge(ctx, order, at(2), a); !errors.Is(err, pipeline.ErrSuperseded) {
		t.Errorf("a revision that was never sent is acknowledged: %v", err)
	}
	if err := w.Acknowledge(ctx, "hillside|ServiceRequest/none", at(1), a); !errors.Is(err, pipeline.ErrNotFound) {
		t.Errorf("an order without a verdict is acknowledged: %v", err)
	}
	if list := w.unreadList(t); len(list) != 1 {
		t.Fatalf("%d unread, want 1", len(list))
	}
	if err := w.Acknowledge(ctx, order, at(1), a); err != nil {
		t.Fatal(err)
	}
	if got := w.remind(t, 40*time.Hour); len(got) != 0 || len(w.unreadList(t)) != 0 {
		t.Errorf("%d reminders of what was read", len(got))
	}
	w.answerAll(t)
	w.relayAll(t)
	if got := w.remind(t, 4*time.Hour-time.Second); len(got) != 0 {
		t.Errorf("reminded of the new revision too soon")
	}
	got := w.remind(t, time.Second)
	if len(got) != 1 || !bytes.Contains(got[0].Body, []byte("Reminder 1: nobody has acknowledged revision 2")) || !strings.Contains(whatIsSent(t, got[0].Body), "Changed:\n- ") {
		t.Errorf("%d reminders of the superseding banner, or without what changed", len(got))
	}
	err := w.Store.View(ctx, func(r pipeline.Reader) error {
		acks, err := pipeline.Acknowledgements(ctx, r)
		if k := acks[order]; k.By != "E. Marsh" || k.Revision != 1 || !k.At.Equal(a.At) || k.System != "ris-harbour" || len(k.Verdict) == 0 {
			t.Errorf("kept: %+v", k)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// answerAll accepts every open question that may be accepted.
func (w workbench) answerAll(t *testing.T) {
	t.Helper()
	for _, q := range questions(t, w) {
		rev := pipeline.Review{Patient: q.Record.Patient, Question: q.Question.ID, By: "E. Marsh", Reason: "operation sheet read", Kind: pipeline.ReviewAccept}
		if err := w.AnswerQuestion(context.Background(), rev); err != nil && !errors.Is(err, pipeline.ErrReview) {
			t.Fatal(err)
		}
	}
}

// changeEdition puts a new edition of every document in force and settles the verdicts.
func (w workbench) changeEdition(t *testing.T) {
	t.Helper()
	k := w.Knowledge()
	raw := labelFile(t)
	raw = bytes.ReplaceAll(raw, []byte(`"edition": "`), []byte(`"edition": "new `))
	label, err := mri.ParseLabelling(raw)
	if err != nil {
		t.Fatal(err)
	}
	k.Labels = []mri.Labelling{label}
	w.Service.Knowledge = func() pipeline.Knowledge { return k }
	if err := w.Redecide(context.Background()); err != nil {
		t.Fatal(err)
	}
}

// Each change of what a verdict rests on sends a superseding banner that names the change.
func TestWhatChangesAVerdictIsNamed(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		about, story string
		change       func(t *testing.T, w workbench)
		want         string
	}{
		{"a new edition", "01-primary-implant", func(t *testing.T, w workbench) { w.changeEdition(t) }, "is edition new "},
		{"no scanner left that fits", "01-primary-implant", func(t *testing.T, w workbench) {
			k := w.Knowledge()
			k.Scanners = slices.Clone(k.Scanners[:0])
			w.Service.Knowledge = func() pipeline.Knowledge { return k }
			if err := w.Redecide(ctx); err != nil {
				t.Fatal(err)
			}
		}, "no longer there, was"},
		{"a label too old", "01-primary-implant", func(t *testing.T, w workbench) {
			w.clock.at = w.clock.at.AddDate(2, 0, 0)
			if err := w.Redecide(ctx); err != nil {
				t.Fatal(err)
			}
		}, "(too old)"},
		{"a review answer", "12-note-only", func(t *testing.T, w workbench) {
			w.answerAll(t)
		}, "settled by a person: E. Marsh, "},
	} {
		w := toldStory(t, c.story)
		before := w.outbox(t)
		c.change(t, w)
		after := w.outbox(t)[len(before):]
		if len(after) == 0 {
			t.Errorf("%s: nothing is sent", c.about)
			continue
		}
		said := whatIsSent(t, after[len(after)-1].Body)
		if !strings.Contains(said, "amended") || !strings.Contains(said, "replaces all earlier notes") || !strings.Contains(said, "Changed:\n") || !strings.Contains(said, c.want) {
			t.Errorf("%s: want %q in\n%s", c.about, c.want, said)
		}
	}
}
