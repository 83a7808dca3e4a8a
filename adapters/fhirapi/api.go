// Package fhirapi is HTTP for machines: the FHIR inbox, the capability statement, health and metrics, and the
// registry pull. It answers in FHIR where FHIR has an answer. It holds no clinical rule and reads no record.
//
// A message is accepted (202) when its shape can be read and it is synced to disk; what it means is read later.
// What cannot be read then is rejected: see the rejected stream and the rejects of the operator's tools.
package fhirapi

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// Receiver takes messages; pipeline.Receiver does.
type Receiver interface {
	// Receive returns the message id after it is synced to disk. *fhirjson.Refusal: the shape cannot be read.
	// pipeline.ErrTooLarge, pipeline.ErrUnavailable are returned wrapped.
	Receive(ctx context.Context, sender, contentType string, body []byte) (id string, findings []implant.Finding, err error)
}

// Outcomes says what became of accepted messages; pipeline.Service does.
type Outcomes interface {
	// Told gives the OperationOutcome of a sender's message; ready is false while it may still wait to be read.
	// pipeline.ErrNotFound: this sender has no such message.
	Told(ctx context.Context, sender, id string) (outcome []byte, ready bool, err error)
}

// Health answers whether the service can do its job.
type Health interface {
	// Ready returns nil when messages can be kept and committed now; the error says what is wrong, without
	// patient data.
	Ready(ctx context.Context) error
}

// API is the machine interface.
type API struct {
	Receiver  Receiver
	Outcomes  Outcomes // nil: not told over HTTP
	Health    Health
	Guard     *access.Guard
	Issuer    *access.Issuer // gives tokens for signed assertions; nil: none
	Registry  http.Handler   // serves /registry/, behind the registry role; nil: none
	Radiology http.Handler   // serves /radiology/, behind the radiology role; nil: none
	Hooks     http.Handler   // serves /cds-services and below, and knows its own callers; nil: none
	Metrics   http.Handler
	Observe   func(route string, status int, took time.Duration)
	Log       *zap.Logger
	Limits    fhirjson.Limits
	Version   string
	BaseURL   string // public base URL, for the capability statement; "" none
	Now       func() time.Time
}

// Handler builds the routes.
func (a *API) Handler() http.Handler {
	mux := http.NewServeMux()
	route := func(pattern string, role access.Role, h http.HandlerFunc) {
		mux.Handle(pattern, a.observed(pattern, a.guarded(role, h)))
	}
	open := func(pattern string, h http.HandlerFunc) { mux.Handle(pattern, a.observed(pattern, h)) }
	route("POST /fhir", access.Sender, a.postAny)
	route("POST /fhir/{$}", access.Sender, a.postAny)
	route("POST /fhir/$process-message", access.Sender, a.postAny)
	route("POST /fhir/{type}", access.Sender, a.postType)
	route("PUT /fhir/{type}/{id}", access.Sender, a.put)
	if a.Outcomes != nil {
		route("GET /fhir/outcome/{id}", access.Sender, a.told)
	}
	open("GET /fhir/metadata", a.metadata)
	open("GET /metadata", a.metadata)
	open("GET /healthz", a.alive)
	open("GET /readyz", a.ready)
	if a.Metrics != nil {
		route("GET /metrics", access.Operator, a.Metrics.ServeHTTP)
	}
	if a.Registry != nil {
		route("GET /registry/", access.Registry, a.Registry.ServeHTTP)
		route("DELETE /registry/", access.Registry, a.Registry.ServeHTTP) // of an export that is no longer wanted
	}
	if a.Issuer != nil { // SMART App Launch 2.2: found below the FHIR base
		open("POST /token", a.Issuer.ServeHTTP)
		open("GET /fhir/.well-known/smart-configuration", a.Issuer.Discover)
		open("GET /.well-known/smart-configuration", a.Issuer.Discover)
	}
	if a.Radiology != nil {
		route("/radiology/", access.Radiology, a.Radiology.ServeHTTP)
	}
	if a.Hooks != nil {
		mux.Handle("/cds-services", a.contained("/cds-services", a.Hooks))
		mux.Handle("/cds-services/", a.contained("/cds-services", a.Hooks))
	}
	mux.Handle("/", a.observed("other", http.HandlerFunc(a.unknown)))
	return headers(mux)
}

// headers are the same on every answer.
func headers(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Cache-Control", "no-store")
		h.ServeHTTP(w, r)
	})
}

type statusWriter struct {
	http.ResponseWriter
	status int
}

func (w *statusWriter) WriteHeader(code int) {
	w.status = code
	w.ResponseWriter.WriteHeader(code)
}

// Unwrap lets http.ResponseController reach the writer below.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// observed counts a request by its pattern.
func (a *API) observed(pattern string, h http.Handler) http.Handler {
	h = a.contained(pattern, h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := a.Now()
		sw := &statusWriter{ResponseWriter: w, status: http.StatusOK}
		h.ServeHTTP(sw, r)
		if a.Observe != nil {
			a.Observe(pattern, sw.status, a.Now().Sub(start))
		}
	})
}

// contained answers 500 with no detail for a handler that fails.
func (a *API) contained(pattern string, h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			p := recover()
			if p == nil {
				return
			}
			if p == http.ErrAbortHandler {
				panic(p)
			}
			a.Log.Error("request handler failed", zap.String("route", pattern), zap.String("kind", fmt.Sprintf("%T", p)))
			a.fail(w, http.StatusInternalServerError, "exception", "the service failed on this request; the operator has a log entry")
		}()
		h.ServeHTTP(w, r)
	})
}

type callerKey struct{}

func (a *API) guarded(role access.Role, h http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		who, ok := a.Guard.Who(r)
		switch {
		case !ok:
			w.Header().Set("WWW-Authenticate", `Bearer realm="gaussline"`)
			a.fail(w, http.StatusUnauthorized, "login", "a valid bearer token is needed")
		case who.Role != role:
			a.fail(w, http.StatusForbidden, "forbidden", fmt.Sprintf("this route is for the role %s", role))
		default:
			h(w, r.WithContext(context.WithValue(r.Context(), callerKey{}, who)))
		}
	})
}

func callerOf(r *http.Request) access.Caller {
	who, _ := r.Context().Value(callerKey{}).(access.Caller)
	return who
}

func (a *API) postAny(w http.ResponseWriter, r *http.Request) { a.receive(w, r, "", "") }

func (a *API) postType(w http.ResponseWriter, r *http.Request) {
	a.receive(w, r, r.PathValue("type"), "")
}

func (a *API) put(w http.ResponseWriter, r *http.Request) {
	a.receive(w, r, r.PathValue("type"), r.PathValue("id"))
}

// receive takes a body in. typ and id, where the route names them, must be those of the resource.
func (a *API) receive(w http.ResponseWriter, r *http.Request, typ, id string) {
	contentType := r.Header.Get("Content-Type")
	if why := unread(contentType); why != "" {
		a.fail(w, http.StatusUnsupportedMediaType, "not-supported", why)
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, int64(a.Limits.Bytes)))
	if err != nil {
		var tooBig *http.MaxBytesError
		if errors.As(err, &tooBig) {
			a.fail(w, http.StatusRequestEntityTooLarge, "too-long", fmt.Sprintf("the body is over the limit of %d bytes", tooBig.Limit))
			return
		}
		a.fail(w, http.StatusBadRequest, "incomplete", "the body did not arrive whole")
		return
	}
	if typ != "" {
		if g := fhirjson.Peek(body); g.Type != typ || id != "" && g.ID != id {
			a.fail(w, http.StatusBadRequest, "invalid", "resourceType or id of the body is not that of the address")
			return
		}
	}
	ctx := pipeline.WithTraceparent(r.Context(), r.Header.Get("traceparent"))
	msg, findings, err := a.Receiver.Receive(ctx, callerOf(r).Name, contentType, body)
	var refusal *fhirjson.Refusal
	switch {
	case errors.As(err, &refusal):
		a.outcome(w, http.StatusUnprocessableEntity, refusal.Findings)
	case errors.Is(err, pipeline.ErrTooLarge):
		a.fail(w, http.StatusRequestEntityTooLarge, "too-long", "the message is over the size limit")
	case err != nil:
		a.Log.Warn("message not kept", zap.String("sender", callerOf(r).Name), zap.Error(err))
		w.Header().Set("Retry-After", "5")
		a.fail(w, http.StatusServiceUnavailable, "transient", "the message could not be kept; send it again")
	default:
		w.Header().Set("X-Message-Id", msg)
		if a.Outcomes != nil {
			w.Header().Set("Location", "/fhir/outcome/"+msg)
		}
		ok := implant.Finding{Severity: "information", Code: "informational", Text: "kept as message " + msg + "; it is read next"}
		a.outcome(w, http.StatusAccepted, append([]implant.Finding{ok}, findings...))
	}
}

// told answers what became of a message that was accepted.
func (a *API) told(w http.ResponseWriter, r *http.Request) {
	body, ready, err := a.Outcomes.Told(r.Context(), callerOf(r).Name, r.PathValue("id"))
	switch {
	case errors.Is(err, pipeline.ErrNotFound):
		a.fail(w, http.StatusNotFound, "not-found", "no message of this id came from this sender")
	case err != nil:
		a.Log.Warn("outcome not told", zap.String("sender", callerOf(r).Name), zap.Error(err))
		w.Header().Set("Retry-After", "5")
		a.fail(w, http.StatusServiceUnavailable, "transient", "the outcome cannot be told now; ask again")
	case !ready:
		w.Header().Set("Retry-After", "1")
		a.outcome(w, http.StatusAccepted, []implant.Finding{{Severity: "information", Code: "informational", Text: "not read yet, or no message of this sender: messages are waiting; ask again"}})
	default:
		w.Header().Set("Content-Type", "application/fhir+json; charset=utf-8")
		_, _ = w.Write(body)
	}
}

// unread says why a body of a content type is not read, "" when it is: R4 in JSON, whose charset is UTF-8 (FHIR R4,
// RESTful API: content types and encodings; the version parameter of R4 is 4.0). Anything else would be read as
// what it is not.
func unread(contentType string) string {
	if contentType == "" {
		return ""
	}
	mt, params, err := mime.ParseMediaType(contentType)
	if err != nil || mt != "application/fhir+json" && mt != "application/json" && mt != "text/json" {
		return "only JSON is read: send application/fhir+json"
	}
	if v, ok := params["fhirversion"]; ok && v != "4.0" && v != "4.0.1" {
		return "only FHIR R4 is read: fhirVersion=4.0"
	}
	if c, ok := params["charset"]; ok && !strings.EqualFold(c, "utf-8") && !strings.EqualFold(c, "us-ascii") {
		return "only UTF-8 is read: charset=utf-8"
	}
	return ""
}

func (a *API) alive(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "alive\n") }

func (a *API) ready(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 5*time.Second)
	defer cancel()
	if err := a.Health.Ready(ctx); err != nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		_, _ = fmt.Fprintf(w, "not ready: %s\n", strings.ReplaceAll(err.Error(), "\n", "; "))
		return
	}
	_, _ = io.WriteString(w, "ready\n")
}

func (a *API) unknown(w http.ResponseWriter, r *http.Request) {
	a.fail(w, http.StatusNotFound, "not-found", "no such route; GET /metadata says what is served")
}

func (a *API) fail(w http.ResponseWriter, status int, code, text string) {
	a.outcome(w, status, []implant.Finding{{Severity: "error", Code: code, Text: text}})
}

func (a *API) outcome(w http.ResponseWriter, status int, fs []implant.Finding) {
	w.Header().Set("Content-Type", "application/fhir+json; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(fhirjson.OutcomeForSender(fs))
}

func writeJSON(w http.ResponseWriter, contentType string, v any) {
	w.Header().Set("Content-Type", contentType)
	_ = json.NewEncoder(w).Encode(v)
}
