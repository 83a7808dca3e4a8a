package cds

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	jsonv1 "github.com/go-json-experiment/json/v1"
	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// Limits of a call.
const (
	maxBody     = 2 << 20         // bytes of a request: session drafts of one patient
	maxDrafts   = 50              // draft orders looked at; more are counted on a card
	defaultWait = 2 * time.Second // for the record; CDS names 500 ms as what a user bears, and a client may go on then
)

// Records answers from what is kept.
type Records interface {
	// Record finds the record of a patient key. pipeline.ErrNotFound, wrapped, when none is kept.
	Record(ctx context.Context, patient string) (implant.Record, error)
	// Verdict decides an order for what is known now, on the scanners of the site the order goes to.
	Verdict(rec implant.Record, r implant.Referral) mri.Verdict
}

// Feedback is what a user did with a card. It names no patient.
type Feedback struct {
	Service  string    `json:"service"`            // id of the service
	Client   string    `json:"client"`             // sender name of the client
	Card     string    `json:"card"`               // its uuid
	Outcome  string    `json:"outcome"`            // accepted, overridden
	Accepted []string  `json:"accepted,omitempty"` // uuids of suggestions
	Reason   string    `json:"reason,omitempty"`   // code of one of OverrideReasons
	Comment  string    `json:"comment,omitempty"`  // the user's own words: may hold patient data, never logged
	At       time.Time `json:"at"`                 // as the client states
	Received time.Time `json:"received"`
}

// FeedbackKeeper keeps feedback.
type FeedbackKeeper interface {
	// KeepFeedback returns nil only when all of it is kept. The same feedback may come more than once.
	KeepFeedback(ctx context.Context, all []Feedback) error
}

// Service answers hooks. All fields but Log, Observe, RecordURL, Audit and Wait are needed.
type Service struct {
	Records  Records
	Feedback FeedbackKeeper
	Clients  Authenticator
	// BaseURL is the public URL without a trailing slash: the audience of a client's token is BaseURL and the path.
	BaseURL string
	// RecordURL gives the page of a record for people; nil: cards have no link.
	RecordURL func(patient string) string
	// Audit notes that a client is about to be answered from the record of a patient key; what cannot be noted is not
	// shown. nil: nothing is noted.
	Audit   func(r *http.Request, client, patient string) error
	Now     func() time.Time
	Wait    time.Duration // for the record; 0 is defaultWait
	Log     *zap.Logger
	Observe func(route string, status int, took time.Duration)
}

// Handler serves /cds-services and what is below it.
func (s *Service) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /cds-services", s.route("discovery", s.discover))
	mux.Handle("POST /cds-services/{id}", s.route("hook", s.call))
	mux.Handle("POST /cds-services/{id}/feedback", s.route("feedback", s.feedback))
	return mux
}

// failure is an answer that is no cards. Its text goes to the caller and holds nothing that was sent.
type failure struct {
	status int
	text   string
}

func (f failure) Error() string { return f.text }

// route authenticates every call, discovery included (CDS, security), and turns an error into an answer.
func (s *Service) route(name string, h func(http.ResponseWriter, *http.Request, Client) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start, status := s.Now(), http.StatusOK
		client, err := s.Clients.Authenticate(r, s.BaseURL+r.URL.Path)
		if err != nil {
			// No details to the caller, and the token to nobody (CDS, security).
			err = failure{http.StatusUnauthorized, "not authorised"}
		} else {
			r.Body = http.MaxBytesReader(w, r.Body, maxBody)
			err = h(w, r, client)
		}
		if err != nil {
			status = s.fail(w, err)
		}
		if s.Observe != nil {
			s.Observe("cds "+name, status, s.Now().Sub(start))
		}
	})
}

func (s *Service) fail(w http.ResponseWriter, err error) int {
	f := failure{http.StatusInternalServerError, "the service failed"}
	if !errors.As(err, &f) && s.Log != nil {
		s.Log.Error("cds call", zap.Error(err))
	}
	codes := map[int]string{http.StatusUnauthorized: "login", http.StatusNotFound: "not-found", http.StatusRequestEntityTooLarge: "too-long",
		http.StatusInternalServerError: "exception", http.StatusServiceUnavailable: "transient", http.StatusUnsupportedMediaType: "not-supported"}
	code := codes[f.status]
	if code == "" {
		code = "invalid"
	}
	if f.status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", "Bearer")
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(f.status)
	_, _ = w.Write(fhirjson.Outcome([]implant.Finding{{Severity: "error", Code: code, Text: f.text}}))
	return f.status
}

// readJSON reads a body into v. Unknown members are left alone: later versions of the specification add some.
func readJSON(r *http.Request, v any) error {
	if ct, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); ct != "" && strings.TrimSpace(strings.ToLower(ct)) != "application/json" {
		return failure{http.StatusUnsupportedMediaType, "the body must be application/json"}
	}
	b, err := io.ReadAll(r.Body)
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return failure{http.StatusRequestEntityTooLarge, "the body is too large"}
	case err != nil:
		return failure{http.StatusBadRequest, "the body could not be read"}
	case json.Unmarshal(b, v) != nil:
		return failure{http.StatusBadRequest, "the body is no JSON of this call"}
	}
	return nil
}

func writeJSON(w http.ResponseWriter, v any) error {
	b, err := jsonv1.Marshal(v) // byte for byte what encoding/json writes, in two thirds of the time
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Length", strconv.Itoa(len(b))) // else it goes in chunks
	_, err = w.Write(b)
	if err != nil {
		return nil // the caller has gone
	}
	return nil
}
