package pipeline_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/testdata/cases"
)

// toldStory gives a workbench to which one invented story was told.
func toldStory(t *testing.T, name string) workbench {
	t.Helper()
	w := newWorkbench(t)
	all, err := cases.All()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range all {
		if s.Name != name {
			continue
		}
		for _, m := range s.Messages {
			w.tell(t, pipeline.Message{ID: pipeline.MessageID(m.Sender, m.Body), Sender: m.Sender, Body: m.Body, ReceivedAt: w.clock.at})
		}
		return w
	}
	t.Fatalf("no story %q", name)
	return w
}

func everyone(implant.Record) bool { return true }

func questions(t *testing.T, w workbench) []pipeline.Asked {
	t.Helper()
	qs, _, err := w.OpenQuestions(context.Background(), everyone, 100)
	if err != nil {
		t.Fatal(err)
	}
	return qs
}

func TestTheWordsOfAQuestionAreFoundInTheNoteAsReceived(t *testing.T) {
	w := toldStory(t, "12-note-only")
	n := 0
	for _, q := range questions(t, w) {
		for _, src := range q.Question.Sources {
			got, err := w.Quote(context.Background(), src)
			if err != nil || !got.Whole || got.Words != src.Quote || !strings.Contains(got.Before+got.Words+got.After, "left buttock pocket") {
				t.Errorf("%s %s: %+v %v", src.Key, src.Path, got, err)
			}
			n++
		}
	}
	if n == 0 {
		t.Fatal("no question with words")
	}
}

func TestAnAnswerClosesItsQuestionAndARejectionDoesNot(t *testing.T) {
	ctx := context.Background()
	w := toldStory(t, "12-note-only")
	first := questions(t, w)
	ask := first[0]
	rev := pipeline.Review{Patient: ask.Record.Patient, Question: ask.Question.ID, By: "E. Marsh", Reason: "operation sheet read", Kind: pipeline.ReviewReject}
	if err := w.AnswerQuestion(ctx, rev); err != nil {
		t.Fatal(err)
	}
	after := questions(t, w)
	i := slices.IndexFunc(after, func(a pipeline.Asked) bool { return a.Question.ID == rev.Question })
	if len(after) != len(first) || i < 0 || after[i].Rejected == nil || after[i].Rejected.By != "E. Marsh" {
		t.Fatalf("a rejected reading is no longer open, or not marked: %d before, %d after", len(first), len(after))
	}
	rev.Kind = pipeline.ReviewAccept
	w.clock.at = w.clock.at.Add(1e9)
	if err := w.AnswerQuestion(ctx, rev); err != nil {
		t.Fatal(err)
	}
	after = questions(t, w)
	if len(after) != len(first)-1 || slices.ContainsFunc(after, func(a pipeline.Asked) bool { return a.Question.ID == rev.Question }) {
		t.Errorf("still open after the answer: %d before, %d after", len(first), len(after))
	}
	if err := w.AnswerQuestion(ctx, rev); !errors.Is(err, pipeline.ErrNotFound) {
		t.Errorf("answered twice: %v", err)
	}
	for _, bad := range []pipeline.Review{{}, {Kind: "accept", By: "x"}, {Kind: "accept", Reason: "because"}, {Kind: "perhaps", By: "x", Reason: "because"},
		{Kind: "correct", By: "x", Reason: "because"}, {Kind: "accept", By: "x", Reason: "because", Facts: []implant.Fact{{At: "2026"}}},
		{Kind: "correct", By: "x", Reason: "because", Facts: []implant.Fact{{Kind: implant.Removed}}}} {
		if err := w.AnswerQuestion(ctx, bad); !errors.Is(err, pipeline.ErrReview) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

func TestAMessageThatWasNotReadIsNotAnsweredAway(t *testing.T) {
	w := toldStory(t, "14-refused-message")
	before := questions(t, w)
	i := slices.IndexFunc(before, func(a pipeline.Asked) bool { return a.Question.Code == implant.AskMessageUnread })
	if i < 0 {
		t.Fatal("the story asks about no unread message")
	}
	rev := pipeline.Review{Patient: before[i].Record.Patient, Question: before[i].Question.ID, By: "E. Marsh", Reason: "looks harmless", Kind: pipeline.ReviewAccept}
	if err := w.AnswerQuestion(context.Background(), rev); !errors.Is(err, pipeline.ErrReview) {
		t.Errorf("answered away: %v", err)
	}
	if after := questions(t, w); len(after) != len(before) {
		t.Errorf("%d questions before, %d after", len(before), len(after))
	}
}

func TestACorrectionChangesTheState(t *testing.T) {
	ctx := context.Background()
	w := toldStory(t, "08-unknown-device")
	ask, rec := questions(t, w)[0], recordOf(t, w)
	i := slices.IndexFunc(rec.Parts, func(p implant.Part) bool { return p.State.InBody() && p.Component.Ref != "" })
	if i < 0 {
		t.Fatal("no listed device in the body")
	}
	rev := pipeline.Review{Patient: rec.Patient, Question: ask.Question.ID, By: "E. Marsh", Reason: "seen at re-operation", Kind: pipeline.ReviewCorrect,
		Facts: []implant.Fact{pipeline.Correction(rec.Parts[i], implant.Removed, "", "", "2026-05-20")}}
	if err := w.AnswerQuestion(ctx, rev); err != nil {
		t.Fatal(err)
	}
	got := recordOf(t, w)
	j := slices.IndexFunc(got.Parts, func(p implant.Part) bool { return p.ID == rec.Parts[i].ID })
	if j < 0 || got.Parts[j].State != implant.RemovedWhole || got.Parts[j].Removed != "2026-05-20" {
		t.Fatalf("%+v, want removed whole", got.Parts)
	}
	quoted := slices.ContainsFunc(got.Parts[j].Evidence, func(s implant.Source) bool { return s.Quote == "E. Marsh: seen at re-operation" })
	if !quoted {
		t.Error("the evidence does not name who said so, and why")
	}
}

func recordOf(t *testing.T, w workbench) (rec implant.Record) {
	t.Helper()
	err := w.Store.View(context.Background(), func(r pipeline.Reader) error {
		return r.Records(context.Background(), "", func(x implant.Record) error { rec = x; return nil })
	})
	if err != nil {
		t.Fatal(err)
	}
	return rec
}
