package cds

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/access"
)

// kindFeedback is the kind of the journal's lines.
const kindFeedback = "cds-feedback"

// InJournal keeps feedback in the append-only journal: a line for each, by the card's uuid.
type InJournal struct{ Journal access.Journal }

// KeepFeedback implements FeedbackKeeper.
func (j InJournal) KeepFeedback(ctx context.Context, all []Feedback) error {
	var lines []access.Line
	for _, f := range all {
		b, err := json.Marshal(f)
		if err != nil {
			return err
		}
		lines = append(lines, access.Line{Kind: kindFeedback, Key: f.Card, Body: b, At: f.Received})
	}
	return j.Journal.Add(ctx, lines...)
}

// Limits of feedback.
const (
	maxFeedback = 100  // items of one call
	maxComment  = 2000 // characters kept of a user's comment
	maxAccepted = 20   // suggestions of one card
)

// feedbackBody is what a client reports (CDS, feedback).
type feedbackBody struct {
	Feedback []struct {
		Card                string `json:"card"`
		Outcome             string `json:"outcome"`
		AcceptedSuggestions []struct {
			ID string `json:"id"`
		} `json:"acceptedSuggestions"`
		OverrideReason struct {
			Reason struct {
				System string `json:"system"`
				Code   string `json:"code"`
			} `json:"reason"`
			UserComment string `json:"userComment"`
		} `json:"overrideReason"`
		OutcomeTimestamp string `json:"outcomeTimestamp"`
	} `json:"feedback"`
}

// feedback keeps what users did with cards; all of a call or nothing.
func (s *Service) feedback(w http.ResponseWriter, r *http.Request, client Client) error {
	d, ok := definitionOf(r.PathValue("id"))
	if !ok {
		return failure{http.StatusNotFound, "no such service"}
	}
	var body feedbackBody
	if err := readJSON(r, &body); err != nil {
		return err
	}
	all, err := body.items(d.ID, client.Sender, s.Now().UTC())
	if err != nil {
		return err
	}
	if err := s.Feedback.KeepFeedback(r.Context(), all); err != nil {
		if s.Log != nil {
			s.Log.Error("cds: feedback not kept", zap.Error(err))
		}
		return failure{http.StatusServiceUnavailable, "the feedback could not be kept; send it again"}
	}
	w.WriteHeader(http.StatusOK)
	return nil
}

func (b feedbackBody) items(service, client string, now time.Time) (out []Feedback, err error) {
	bad := func(text string) ([]Feedback, error) { return nil, failure{http.StatusBadRequest, text} }
	if len(b.Feedback) == 0 || len(b.Feedback) > maxFeedback {
		return bad("feedback is required: between one and 100 items")
	}
	for _, f := range b.Feedback {
		at, err := time.Parse(time.RFC3339, f.OutcomeTimestamp)
		switch {
		case !uuidRE.MatchString(f.Card):
			return bad("card is required and is the uuid of a card")
		case err != nil:
			return bad("outcomeTimestamp is required and is an instant of RFC 3339")
		case f.Outcome == "accepted" && len(f.AcceptedSuggestions) == 0:
			return bad("acceptedSuggestions is required when a card was accepted")
		case len(f.AcceptedSuggestions) > maxAccepted:
			return bad("too many accepted suggestions")
		case f.Outcome != "accepted" && f.Outcome != "overridden":
			return bad("outcome is accepted or overridden")
		}
		item := Feedback{Service: service, Client: client, Card: f.Card, Outcome: f.Outcome, At: at.UTC(), Received: now}
		for _, a := range f.AcceptedSuggestions {
			if !uuidRE.MatchString(a.ID) {
				return bad("an accepted suggestion is named by its uuid")
			}
			item.Accepted = append(item.Accepted, a.ID)
		}
		if code := f.OverrideReason.Reason.Code; code != "" {
			if f.OverrideReason.Reason.System != overrideSystem || !slices.Contains(OverrideReasons(), code) {
				return bad("the override reason is none of the card's")
			}
			item.Reason = code
		}
		if c := []rune(f.OverrideReason.UserComment); len(c) > maxComment {
			item.Comment = string(c[:maxComment]) + "…"
		} else {
			item.Comment = string(c)
		}
		out = append(out, item)
	}
	return out, nil
}
