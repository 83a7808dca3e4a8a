package radiology

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"gaussline/adapters/pipeline"
)

func TestEndpointAnswers(t *testing.T) {
	tests := []struct {
		name   string
		status int
		want   error // nil: a receipt
	}{
		{"ok", 200, nil}, {"accepted", 202, nil}, {"no content", 204, nil},
		{"redirect carries data nowhere", 302, pipeline.ErrUnavailable},
		{"bad request", 400, pipeline.ErrRefused}, {"not allowed", 403, pipeline.ErrRefused}, {"unprocessable", 422, pipeline.ErrRefused},
		{"request timeout", 408, pipeline.ErrUnavailable}, {"too many", 429, pipeline.ErrUnavailable},
		{"server error", 500, pipeline.ErrUnavailable}, {"down", 503, pipeline.ErrUnavailable},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				body, _ := io.ReadAll(r.Body)
				if r.URL.Path != "/fhir/$process-message" || r.Header.Get("X-Request-Id") != "id-1" || string(body) != "{}" ||
					r.Header.Get("Authorization") != "Bearer secret" {
					t.Errorf("request %s %v %s", r.URL.Path, r.Header, body)
				}
				w.Header().Set("Location", "http://elsewhere.invalid/")
				w.WriteHeader(tt.status)
			}))
			defer s.Close()
			e := &Endpoints{BySite: map[string]Endpoint{"north": {URL: s.URL + "/fhir", Token: "secret"}}}
			err := e.Deliver(context.Background(), pipeline.Outgoing{ID: "id-1", To: "north", Body: []byte("{}")})
			if !errors.Is(err, tt.want) || tt.want == nil && err != nil {
				t.Errorf("got %v, want %v", err, tt.want)
			}
			if err != nil && (strings.Contains(err.Error(), s.URL) || strings.Contains(err.Error(), "secret")) {
				t.Errorf("error gives away the address or token: %v", err)
			}
		})
	}
}

func TestEndpointNotThere(t *testing.T) {
	s := httptest.NewServer(nil)
	s.Close()
	e := &Endpoints{BySite: map[string]Endpoint{"north": {URL: s.URL}}}
	for _, to := range []string{"north", "unknown"} {
		err := e.Deliver(context.Background(), pipeline.Outgoing{To: to})
		if !errors.Is(err, pipeline.ErrUnavailable) || strings.Contains(err.Error(), "$process-message") {
			t.Errorf("to %s: %v", to, err)
		}
	}
}
