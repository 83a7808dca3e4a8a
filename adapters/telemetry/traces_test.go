package telemetry

import (
	"context"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"go.uber.org/zap"
)

// Kept in memory; Shutdown of the library's own forgets what came.
type kept struct{ *tracetest.InMemoryExporter }

func (kept) Shutdown(context.Context) error { return nil }

func inMemory(t *testing.T, share float64) (*Traces, func() tracetest.SpanStubs) {
	t.Helper()
	mem := tracetest.NewInMemoryExporter()
	traces := NewTraces(kept{mem}, share, "test", zap.NewNop())
	return traces, func() tracetest.SpanStubs {
		if err := traces.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		return mem.GetSpans()
	}
}

// The example of a traceparent in W3C Trace Context, section 3.2.2.
const w3cExample = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"

// The form is that of W3C Trace Context, section 3.2: version, trace, parent, flags.
var w3cForm = regexp.MustCompile(`^00-[0-9a-f]{32}-[0-9a-f]{16}-0[01]$`)

func TestSpansFollowEachOther(t *testing.T) {
	traces, spans := inMemory(t, 1)
	first, endFirst := traces.Begin(w3cExample, "receive")
	second, endSecond := traces.Begin(first, "read")
	endFirst(false, "sender", "hillside")
	endSecond(true)
	for _, tp := range []string{first, second} {
		if !w3cForm.MatchString(tp) || !strings.HasPrefix(tp, w3cExample[:35]) {
			t.Errorf("traceparent %q is not of the trace of %q", tp, w3cExample)
		}
	}
	got := spans()
	if len(got) != 2 {
		t.Fatalf("%d spans", len(got))
	}
	a, b := got[0], got[1]
	if a.Name != "receive" || a.Parent.SpanID().String() != "00f067aa0ba902b7" || len(a.Attributes) != 1 ||
		a.Attributes[0].Key != "gaussline.sender" || a.Attributes[0].Value.AsString() != "hillside" {
		t.Errorf("first: %+v", a)
	}
	if b.Name != "read" || b.Parent.SpanID() != a.SpanContext.SpanID() || b.Status.Code.String() != "Error" || len(b.Events) > 0 {
		t.Errorf("second: %+v", b)
	}
}

// What is no traceparent begins a trace of its own: W3C Trace Context, section 3.2.2, says to ignore it. A sender
// decides neither whether it is traced nor what goes on beside the traceparent.
func TestForeignContext(t *testing.T) {
	for _, bad := range []string{"", "x", "00-" + strings.Repeat("0", 32) + "-00f067aa0ba902b7-01", strings.ToUpper(w3cExample),
		"ff" + w3cExample[2:], w3cExample + "-more", strings.Repeat("a", 5000)} {
		traces, spans := inMemory(t, 1)
		tp, end := traces.Begin(bad, "receive")
		end(false)
		got := spans()
		if len(got) != 1 || got[0].Parent.IsValid() || !w3cForm.MatchString(tp) {
			t.Errorf("%.60q: %q, %+v", bad, tp, got)
		}
	}
	traces, spans := inMemory(t, 0)
	tp, end := traces.Begin(w3cExample, "receive") // its flag asks for a trace
	end(false)
	if len(spans()) != 0 || !strings.HasSuffix(tp, "-00") {
		t.Errorf("traced though no share is: %q", tp)
	}
	unsampled, spans := inMemory(t, 1)
	_, end = unsampled.Begin(strings.TrimSuffix(w3cExample, "01")+"00", "receive")
	end(false)
	if got := spans(); len(got) != 1 || got[0].SpanContext.TraceState().Len() != 0 {
		t.Errorf("a sender's flag hid it: %+v", got)
	}
}

func TestCollectorAddress(t *testing.T) {
	for in, want := range map[string]string{
		"http://127.0.0.1:4318":             "http://127.0.0.1:4318/v1/traces",
		"https://otel.example.invalid/":     "https://otel.example.invalid/v1/traces",
		"https://otel.example.invalid/in/x": "https://otel.example.invalid/in/x",
	} {
		if got, err := ParseCollector(in); got != want || err != nil {
			t.Errorf("%s: %q %v", in, got, err)
		}
	}
	for _, bad := range []string{"", "localhost:4318", "grpc://x:4317", "http://u:p@x", "http://x/?key=1", "http://x/#a"} {
		if got, err := ParseCollector(bad); err == nil {
			t.Errorf("%q was taken as %q", bad, got)
		}
	}
}

// A collector that refuses is said so in the log once it is tried, and holds up nobody.
func TestCollectorRefuses(t *testing.T) {
	asked := make(chan string, 10)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked <- r.Method + " " + r.URL.Path + " " + r.Header.Get("Content-Type")
		w.WriteHeader(http.StatusBadRequest)
	}))
	defer srv.Close()
	exporter, err := Collector(t.Context(), srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	traces := NewTraces(exporter, 1, "test", zap.NewNop())
	_, end := traces.Begin("", "receive")
	end(false)
	_ = traces.Close(t.Context()) // the export's own error goes to the log
	if got := <-asked; got != "POST /v1/traces application/x-protobuf" {
		t.Errorf("asked %q", got)
	}
}
