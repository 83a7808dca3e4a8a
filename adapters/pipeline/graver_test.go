package pipeline_test

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/mri"
	"gaussline/testdata/cases"
)

// What was sent before, and read or not, decides whether a verdict that nobody has read is urgent: somebody may still go
// by the mildest. The order of the kinds is that of design: MR Unsafe first, nothing recorded last.
func TestGraverThanBeforeIsUrgent(t *testing.T) {
	nothing, within, outside := mri.KindNothing, mri.KindWithinIf, mri.KindOutside
	for _, c := range []struct {
		about    string
		now      mri.Kind
		revision int
		said     string
		read     int // revision; 0 nobody
		readKind mri.Kind
		urgent   bool
		was      mri.Kind
	}{
		{"the first", within, 1, `[{"revision":1,"kind":"within-label-if"}]`, 0, "", false, ""},
		{"after nothing recorded, unread", within, 2, `[{"revision":1,"kind":"nothing-recorded"},{"revision":2,"kind":"within-label-if"}]`, 0, "", true, nothing},
		{"after nothing recorded, read", within, 2, `[{"revision":1,"kind":"nothing-recorded"},{"revision":2,"kind":"within-label-if"}]`, 1, nothing, true, nothing},
		{"a detail of one that is graver and unread", within, 3, `[{"revision":1,"kind":"nothing-recorded"},{"revision":2,"kind":"within-label-if"}]`, 1, nothing, true, nothing},
		{"a detail of one that was read", within, 3, `[{"revision":1,"kind":"nothing-recorded"},{"revision":2,"kind":"within-label-if"}]`, 2, within, false, ""},
		{"back from nothing, which nobody read", within, 4, `[{"revision":1,"kind":"within-label-if"},{"revision":3,"kind":"nothing-recorded"},{"revision":4,"kind":"within-label-if"}]`, 1, within, true, nothing},
		{"milder than before", nothing, 2, `[{"revision":1,"kind":"outside-label"},{"revision":2,"kind":"nothing-recorded"}]`, 0, "", false, ""},
		{"urgent by itself, and graver", outside, 2, `[{"revision":1,"kind":"within-label-if"},{"revision":2,"kind":"outside-label"}]`, 0, "", true, within},
		{"kept by an older program", within, 2, `null`, 0, "", true, ""},
		{"kept by an older program, the first", within, 1, `null`, 0, "", false, ""},
		{"kept by an older program, the one before read", within, 3, `null`, 2, within, false, ""},
		{"kept by an older program, nothing recorded before read", within, 3, `null`, 2, nothing, true, nothing},
		{"an older program's followed by a detail", within, 3, `[{"revision":2,"kind":"within-label-if"}]`, 0, "", true, ""},
	} {
		v := pipeline.StoredVerdict{Kind: string(c.now), Revision: c.revision, Body: []byte(`{"kind":"` + string(c.now) + `","said":` + c.said + `}`)}
		var ack *pipeline.Acknowledgement
		if c.read > 0 {
			ack = &pipeline.Acknowledgement{Revision: c.read, Verdict: json.RawMessage(`{"kind":"` + string(c.readKind) + `"}`)}
		}
		u, urgent, err := pipeline.NotRead(v, ack, "routine")
		if err != nil || urgent != c.urgent || u.Was != c.was {
			t.Errorf("%s: urgent %v, was %q, %v; want %v, %q", c.about, urgent, u.Was, err, c.urgent, c.was)
		}
	}
}

// An order that was judged with nothing on record, and whose patient turns out to have an implant, is reminded of though
// it is routine; the list says what was graver.
func TestAnImplantAfterNothingRecordedIsReminded(t *testing.T) {
	w := newWorkbench(t)
	for i := range w.Sites {
		w.Sites[i].RemindAfter = 4 * time.Hour
	}
	w.Sinks = map[string]pipeline.Sink{pipeline.SinkNATS: takesAll{}}
	all, err := cases.All()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range all {
		if s.Name != "01-primary-implant" {
			continue
		}
		for _, i := range []int{0, 2, 1} { // patient, order, implant
			m := s.Messages[i]
			w.tell(t, pipeline.Message{ID: pipeline.MessageID(m.Sender, m.Body), Sender: m.Sender, Body: m.Body, ReceivedAt: w.clock.at})
		}
	}
	w.relayAll(t)
	list := w.unreadList(t)
	if len(list) != 1 || list[0].Kind != string(mri.KindWithinIf) || !list[0].Graver || list[0].Was != mri.KindNothing {
		t.Fatalf("unread: %+v", list)
	}
	if got := w.remind(t, 4*time.Hour); len(got) != 1 || !bytes.Contains(got[0].Body, []byte("Reminder 1")) {
		t.Errorf("%d reminders", len(got))
	}
}
