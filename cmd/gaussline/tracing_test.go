package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	otlp "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	spans "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/proto"

	"gaussline/adapters/pipeline"
	"gaussline/testdata/cases"
)

// collector takes spans by OTLP over HTTP and keeps them.
type collector struct {
	*httptest.Server
	mu  sync.Mutex
	got []*otlp.ExportTraceServiceRequest
}

func startCollector(t *testing.T) *collector {
	t.Helper()
	c := &collector{}
	c.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		m := &otlp.ExportTraceServiceRequest{}
		if err == nil {
			err = proto.Unmarshal(body, m)
		}
		if err != nil || r.URL.Path != "/v1/traces" {
			t.Errorf("%s %v", r.URL.Path, err)
		}
		c.mu.Lock()
		c.got = append(c.got, m)
		c.mu.Unlock()
	}))
	t.Cleanup(c.Close)
	return c
}

// spans gives what came, by span ID in hex.
func (c *collector) spans() map[string]*spans.Span {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := map[string]*spans.Span{}
	for _, m := range c.got {
		for _, r := range m.ResourceSpans {
			for _, s := range r.ScopeSpans {
				for _, span := range s.Spans {
					out[hex.EncodeToString(span.SpanId)] = span
				}
			}
		}
	}
	return out
}

// mayBeNoted are the attributes of spans; those that end in a star are hashes, in which any short number may stand.
var mayBeNoted = []string{"gaussline.sender", "gaussline.message*", "gaussline.attempt", "gaussline.rejects", "gaussline.messages",
	"gaussline.sink", "gaussline.delivery*"}

var hash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// withoutHashes gives all that came as it came, but for the hashes, which must be nothing else.
func (c *collector) withoutHashes(t *testing.T) string {
	t.Helper()
	var all bytes.Buffer
	for _, span := range c.spans() {
		if len(span.Events)+len(span.Links) > 0 || span.TraceState != "" || span.Status.GetMessage() != "" {
			t.Errorf("span %s holds more than steps and notes", span.Name)
		}
		for _, a := range span.Attributes {
			switch {
			case slices.Contains(mayBeNoted, a.Key):
			case slices.Contains(mayBeNoted, a.Key+"*") && hash.MatchString(a.Value.GetStringValue()):
				a.Value = nil
			default:
				t.Errorf("span %s has %s = %q", span.Name, a.Key, a.Value)
			}
		}
	}
	for _, m := range c.got {
		b, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(b)
	}
	return all.String()
}

// untilSent waits until nothing waits in the outbox.
func (a *app) untilSent(t *testing.T) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for range tick.C {
		var n map[string]int64
		err := a.store.View(t.Context(), func(r pipeline.Reader) (err error) { n, err = r.Count(t.Context()); return err })
		if err != nil {
			t.Fatal(err)
		}
		if n["outbox-waiting"] == 0 {
			return
		}
	}
}

// Parent of the example in W3C Trace Context, section 3.2.2.
const (
	theirTrace = "4bf92f3577b34da6a3ce929d0e0e4736"
	theirSpan  = "00f067aa0ba902b7"
)

// What an EHR sends with a traceparent is followed through inbox, reading, commit and outbox to the delivery at NATS and
// at the site's FHIR endpoint, which are told the same trace.
func TestTraceFromMessageToBanner(t *testing.T) {
	c := startCollector(t)
	var mu sync.Mutex
	var told []string
	ris := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		told = append(told, r.Header.Get("traceparent"))
		mu.Unlock()
	}))
	defer ris.Close()
	r := runScenario(t, "", func(_, text string) string {
		text = strings.Replace(text, "name: north,", "name: north, fhir_endpoint: \""+ris.URL+"\",", 1)
		return text + "tracing: {collector: \"" + c.URL + "\"}\n"
	})
	if r.cfg.Sites[0].FHIREndpoint == "" {
		t.Fatal("the site has no endpoint: the test says nothing of it")
	}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, r.url+"/fhir", bytes.NewReader(anotherOrder(t)))
	r.ok(err)
	req.Header.Set("Authorization", "Bearer "+r.tokens["hillside"])
	req.Header.Set("Traceparent", "00-"+theirTrace+"-"+theirSpan+"-01")
	req.Header.Set("Tracestate", "vendor=must-not-go-on")
	req.Header.Set("Baggage", "name=must-not-go-on")
	res, err := http.DefaultClient.Do(req)
	r.ok(err)
	res.Body.Close()
	if res.StatusCode != http.StatusAccepted {
		t.Fatalf("answered %d", res.StatusCode)
	}
	r.ok(r.untilEmpty(t.Context()))
	r.untilSent(t)
	r.ok(r.traces.Close(context.WithoutCancel(t.Context()))) // sends what it holds
	all := c.spans()
	sinks := map[string]bool{}
	for _, s := range all {
		if s.Name != pipeline.SpanDeliver || hex.EncodeToString(s.TraceId) != theirTrace {
			continue
		}
		for _, a := range s.Attributes {
			if a.Key == "gaussline.sink" {
				sinks[a.Value.GetStringValue()] = true
			}
		}
		var path []string
		id := ""
		for at := s; at != nil; at = all[id] {
			path = append(path, at.Name)
			id = hex.EncodeToString(at.ParentSpanId)
		}
		if want := []string{pipeline.SpanDeliver, pipeline.SpanCommit, pipeline.SpanRead, pipeline.SpanReceive}; !slices.Equal(path, want) || id != theirSpan {
			t.Errorf("a delivery follows %v of %s, want %v of %s", path, id, want, theirSpan)
		}
	}
	if !sinks[pipeline.SinkNATS] || !sinks[pipeline.SinkFHIR] {
		t.Errorf("deliveries of the trace: %v", sinks)
	}
	mu.Lock()
	defer mu.Unlock()
	// The stories, which came without a traceparent, may still be under way beside it.
	if !slices.ContainsFunc(told, func(s string) bool { return strings.HasPrefix(s, "00-"+theirTrace+"-") }) {
		t.Errorf("the endpoint was told %q", told)
	}
	for _, m := range c.got {
		if strings.Contains(m.String(), "must-not-go-on") {
			t.Error("what a sender says beside the traceparent went on")
		}
	}
}

// anotherOrder is the order of the first story once more, under another ID.
func anotherOrder(t *testing.T) []byte {
	t.Helper()
	stories, err := cases.All()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range stories[0].Messages {
		if other := bytes.Replace(m.Body, []byte(`"id": "a-mr"`), []byte(`"id": "a-mr-traced"`), 1); !bytes.Equal(other, m.Body) {
			return other
		}
	}
	t.Fatal("the first story has no such order")
	return nil
}
