package cds_test

import (
	"context"
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/cds"
)

const goodFeedback = `{"feedback":[
 {"card":"4e0a3a1e-3283-4575-ab82-028d55fe2719","outcome":"accepted","acceptedSuggestions":[{"id":"e56e1945-20b3-4393-8503-a1a20fd73152"}],"outcomeTimestamp":"2026-06-01T09:05:00Z"},
 {"card":"9368d37b-283f-44a0-93ea-547cebab93ed","outcome":"overridden","overrideReason":{"reason":{"code":"emergency","system":"http://gaussline.invalid/CodeSystem/override-reason","display":"x"},"userComment":"theatre 2"},"outcomeTimestamp":"2026-06-01T11:05:00+02:00"}]}`

// Feedback (CDS Hooks 2.0, "Feedback"): kept whole or refused whole.
func TestFeedback(t *testing.T) {
	s := newServer(t)
	path := "/cds-services/" + cds.SignService + "/feedback"
	if w := s.do("POST", path, goodFeedback); w.Code != 200 || w.Body.Len() != 0 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	stated := time.Date(2026, 6, 1, 9, 5, 0, 0, time.UTC)
	want := []cds.Feedback{
		{Service: cds.SignService, Client: "hillside", Card: "4e0a3a1e-3283-4575-ab82-028d55fe2719", Outcome: "accepted", Accepted: []string{"e56e1945-20b3-4393-8503-a1a20fd73152"}, At: stated, Received: at},
		{Service: cds.SignService, Client: "hillside", Card: "9368d37b-283f-44a0-93ea-547cebab93ed", Outcome: "overridden", Reason: "emergency", Comment: "theatre 2", At: stated, Received: at}}
	if !reflect.DeepEqual(s.box.all, want) {
		t.Errorf("kept %+v\nwant %+v", s.box.all, want)
	}
	for name, c := range map[string]struct {
		path, body string
		status     int
	}{
		"unknown service": {"/cds-services/x/feedback", goodFeedback, 404},
		"none":            {path, `{"feedback":[]}`, 400},
		"no card":         {path, strings.Replace(goodFeedback, `"card":"9368d37b-283f-44a0-93ea-547cebab93ed",`, ``, 1), 400},
		"outcome":         {path, strings.Replace(goodFeedback, `"overridden"`, `"ignored"`, 1), 400},
		"no suggestion":   {path, strings.Replace(goodFeedback, `"acceptedSuggestions":[{"id":"e56e1945-20b3-4393-8503-a1a20fd73152"}],`, ``, 1), 400},
		"no uuid":         {path, strings.Replace(goodFeedback, `e56e1945-20b3-4393-8503-a1a20fd73152`, `x`, 1), 400},
		"no time":         {path, strings.Replace(goodFeedback, `2026-06-01T09:05:00Z`, `2026-06-01`, 1), 400},
		"strange reason":  {path, strings.Replace(goodFeedback, `"emergency"`, `"because"`, 1), 400},
		"strange system":  {path, strings.Replace(goodFeedback, `CodeSystem/override-reason`, `x`, 1), 400},
		"not JSON":        {path, `x`, 400},
		"too many":        {path, `{"feedback":[` + strings.Repeat(`{},`, 100) + `{}]}`, 400},
	} {
		if w := s.do("POST", c.path, c.body); w.Code != c.status {
			t.Errorf("%s: %d, want %d: %s", name, w.Code, c.status, w.Body)
		}
	}
	if len(s.box.all) != 2 {
		t.Errorf("refused feedback was kept: %+v", s.box.all[2:])
	}
	s.box.fail = errors.New("full")
	if w := s.do("POST", path, goodFeedback); w.Code != 503 {
		t.Errorf("feedback that was not kept: %d", w.Code)
	}
}

// The reasons of the cards are the reasons that feedback takes, each once.
func TestOverrideReasons(t *testing.T) {
	codes := cds.OverrideReasons()
	if len(codes) < 5 || len(slices.Compact(slices.Sorted(slices.Values(codes)))) != len(codes) {
		t.Errorf("%v", codes)
	}
}

// lines is a journal in memory.
type lines []access.Line

func (l *lines) Add(_ context.Context, more ...access.Line) error {
	*l = append(*l, more...)
	return nil
}

func (l *lines) AddAfter(ctx context.Context, _ int64, more ...access.Line) (int64, error) {
	return int64(len(*l) + len(more)), l.Add(ctx, more...)
}

func (l *lines) Newest(context.Context, string) ([]access.Line, error) { return *l, nil }

func (l *lines) After(context.Context, string, int64, int) ([]access.Line, error) { return *l, nil }

func TestFeedbackInTheJournal(t *testing.T) {
	s, j := newServer(t), &lines{}
	s.svc.Feedback = cds.InJournal{Journal: j}
	if w := s.do("POST", "/cds-services/"+cds.SelectService+"/feedback", goodFeedback); w.Code != 200 || len(*j) != 2 {
		t.Fatalf("%d, %d lines", w.Code, len(*j))
	}
	var f cds.Feedback
	if err := json.Unmarshal((*j)[1].Body, &f); err != nil || f.Reason != "emergency" || (*j)[1].Key != f.Card || (*j)[1].Kind != "cds-feedback" {
		t.Errorf("%+v %v", (*j)[1], err)
	}
}
