package telemetry

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdk "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	"go.uber.org/zap"
)

// Traces sends spans to an OpenTelemetry collector. It satisfies pipeline.Tracer. A collector that is away or slow holds
// up nobody: spans wait in a bounded queue, and what does not fit is dropped. Of a sender's context only the
// traceparent is taken: tracestate and baggage may hold anything, and go no further.
type Traces struct {
	provider *sdk.TracerProvider
	tracer   trace.Tracer
}

const (
	tracesPath   = "/v1/traces"    // of OTLP over HTTP (OpenTelemetry Protocol 1.x, OTLP/HTTP Request)
	lastSpans    = 2 * time.Second // to send what waits when stopping
	traceparent  = "traceparent"   // W3C Trace Context
	service      = "gaussline"
	maxSpanNotes = 8 // more attributes of a span are dropped
)

// ParseCollector checks the address of a collector and completes it: an http or https URL without a user in it, whose
// path is OTLP's own where none is given.
func ParseCollector(s string) (string, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		return "", errors.New("want an http or https URL")
	case u.User != nil:
		return "", errors.New("no user or password in it: OTEL_EXPORTER_OTLP_HEADERS in the environment may hold a token")
	case u.RawQuery != "" || u.Fragment != "":
		return "", errors.New("want a URL without query and fragment")
	}
	if strings.Trim(u.Path, "/") == "" {
		u.Path = tracesPath
	}
	return u.String(), nil
}

// Collector makes the exporter to a collector, by OTLP over HTTP. It does not connect: one that is away now may come.
func Collector(ctx context.Context, address string) (sdk.SpanExporter, error) {
	full, err := ParseCollector(address)
	if err != nil {
		return nil, err
	}
	return otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(full))
}

// NewTraces makes traces of a share of the messages, 0 to 1. Which ones is decided by the trace's ID, so that all nodes
// decide alike and a sender cannot have more of its own traced.
func NewTraces(exporter sdk.SpanExporter, share float64, version string, log *zap.Logger) *Traces {
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) { log.Warn("traces not exported", zap.Error(err)) }))
	limits := sdk.NewSpanLimits()
	limits.AttributeCountLimit = maxSpanNotes
	p := sdk.NewTracerProvider(sdk.WithBatcher(exporter), sdk.WithSampler(sdk.TraceIDRatioBased(share)),
		sdk.WithRawSpanLimits(limits), sdk.WithResource(resource.NewSchemaless(
			attribute.String("service.name", service), attribute.String("service.version", version))))
	return &Traces{provider: p, tracer: p.Tracer(service)}
}

// Begin opens a span of a step; see pipeline.Tracer.
func (t *Traces) Begin(parent, step string) (string, func(failed bool, notes ...string)) {
	w3c := propagation.TraceContext{}
	ctx := w3c.Extract(context.Background(), propagation.MapCarrier{traceparent: parent})
	ctx, span := t.tracer.Start(ctx, step)
	out := propagation.MapCarrier{}
	w3c.Inject(ctx, out)
	return out[traceparent], func(failed bool, notes ...string) {
		for i := 0; i+1 < len(notes); i += 2 {
			span.SetAttributes(attribute.String(service+"."+notes[i], notes[i+1]))
		}
		if failed { // an error's text may quote a message
			span.SetStatus(codes.Error, "")
		}
		span.End()
	}
}

// Close sends what waits, for a moment, and stops.
func (t *Traces) Close(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, lastSpans)
	defer cancel()
	if err := t.provider.Shutdown(ctx); err != nil {
		return fmt.Errorf("last traces: %w", err)
	}
	return nil
}
