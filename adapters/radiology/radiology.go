// Package radiology is the edge to the departments. It carries outgoing messages to them: to a NATS subject a site, and
// where configured to the site's FHIR endpoint. A receipt is the broker's acknowledgement or a 2xx answer; order,
// retry and giving up are the pipeline's. It answers what their systems ask by HTTP: the notes in their forms, and who
// has read them. The words are of package banner.
package radiology

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"time"

	"gaussline/adapters/pipeline"
)

// Subjects sends to NATS subjects of the outgoing stream.
type Subjects struct{ Sender pipeline.Sender }

var _ pipeline.Sink = Subjects{}

// Deliver puts the message on its subject under its id.
func (s Subjects) Deliver(ctx context.Context, o pipeline.Outgoing) error {
	return s.Sender.Send(ctx, o.To, o.ID, o.Body)
}

// Endpoint is a site's FHIR server.
type Endpoint struct {
	URL   string // base URL; messages go to URL/$process-message
	Token string // bearer token, "" none
}

// Endpoints sends to the FHIR endpoints of sites.
type Endpoints struct {
	BySite map[string]Endpoint
	Client *http.Client // nil: one with a 15 s limit that follows no redirect
}

var _ pipeline.Sink = (*Endpoints)(nil)

// maxAnswer is how much of an answer is read; its content is not used.
const maxAnswer = 64 << 10

var defaultClient = &http.Client{
	Timeout: 15 * time.Second,
	// A redirect could carry patient data somewhere nobody configured.
	CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
}

// Deliver posts the message Bundle. 4xx answers other than 408, 425 and 429 are refusals; everything else that is
// not 2xx may pass.
func (e *Endpoints) Deliver(ctx context.Context, o pipeline.Outgoing) error {
	ep, ok := e.BySite[o.To]
	if !ok {
		return fmt.Errorf("site %q has no FHIR endpoint configured: %w", o.To, pipeline.ErrUnavailable)
	}
	to, err := url.JoinPath(ep.URL, "$process-message")
	if err != nil {
		return fmt.Errorf("endpoint URL of site %q cannot be used: %w", o.To, pipeline.ErrUnavailable)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, to, bytes.NewReader(o.Body))
	if err != nil {
		return fmt.Errorf("endpoint URL of site %q cannot be used: %w", o.To, pipeline.ErrUnavailable)
	}
	req.Header.Set("Content-Type", "application/fhir+json")
	req.Header.Set("Accept", "application/fhir+json")
	req.Header.Set("X-Request-Id", o.ID)
	if tp := pipeline.TraceparentOf(ctx); tp != "" {
		req.Header.Set("traceparent", tp)
	}
	if ep.Token != "" {
		req.Header.Set("Authorization", "Bearer "+ep.Token)
	}
	client := e.Client
	if client == nil {
		client = defaultClient
	}
	res, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("site %q: %s: %w", o.To, netClass(err), pipeline.ErrUnavailable)
	}
	defer res.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, maxAnswer)) // so that the connection can be used again
	return answer(o.To, res.StatusCode)
}

func answer(site string, status int) error {
	switch {
	case status >= 200 && status < 300:
		return nil
	case status == http.StatusRequestTimeout || status == http.StatusTooEarly || status == http.StatusTooManyRequests:
		return fmt.Errorf("site %q answered %d: %w", site, status, pipeline.ErrUnavailable)
	case status >= 400 && status < 500:
		return fmt.Errorf("site %q answered %d: %w", site, status, pipeline.ErrRefused)
	}
	return fmt.Errorf("site %q answered %d: %w", site, status, pipeline.ErrUnavailable)
}

// netClass keeps URLs, which may hold credentials, out of errors.
func netClass(err error) string {
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return "no answer in time"
		}
		return "not reached: " + u.Err.Error()
	}
	return "not reached"
}
