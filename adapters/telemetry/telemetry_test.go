package telemetry

import (
	"bytes"
	"errors"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// zap's production default keeps 100 of a burst of equal lines and one in a hundred after; ours keeps all.
func TestNoSampling(t *testing.T) {
	var b bytes.Buffer
	log, err := NewLogger(zapcore.AddSync(&b), "info")
	if err != nil {
		t.Fatal(err)
	}
	for range 1000 {
		log.Info("same line")
	}
	if n := strings.Count(b.String(), "\n"); n != 1000 {
		t.Errorf("%d of 1000 lines", n)
	}
}

// Joined errors hold line ends; a log line must stay one line, and an error line carries no stack.
func TestOneLineAnError(t *testing.T) {
	var b bytes.Buffer
	log, err := NewLogger(zapcore.AddSync(&b), "info")
	if err != nil {
		t.Fatal(err)
	}
	log.Error("failed", zap.Error(errors.Join(errors.New("a"), errors.New("b"))))
	if n := strings.Count(strings.TrimRight(b.String(), "\n"), "\n"); n != 0 || strings.Contains(b.String(), "stacktrace") {
		t.Errorf("not one plain line: %s", b.String())
	}
}

func TestLevelIsNamed(t *testing.T) {
	if _, err := NewLogger(zapcore.AddSync(&bytes.Buffer{}), "loud"); err == nil || !strings.Contains(err.Error(), "loud") {
		t.Errorf("got %v", err)
	}
}

// Syncing a terminal or pipe fails on some systems (EINVAL, ENOTTY); that is no failure of ours.
func TestFlushOfStandardError(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	log, err := NewLogger(w, "info")
	if err != nil {
		t.Fatal(err)
	}
	if err := Flush(log); err != nil {
		t.Errorf("flush: %v", err)
	}
}

func TestMetrics(t *testing.T) {
	m := NewMetrics()
	m.Received(3)
	m.Refused("decode")
	m.Decided("mr-unsafe")
	m.Delivered("nats", time.Second)
	m.DeliveryFailed("fhir", true)
	m.Committed(3, time.Millisecond)
	m.BannerLatency(time.Millisecond)
	m.Request("POST /fhir/{type}", 202, time.Millisecond)
	m.Gauge("test_gauge", "a gauge", func() float64 { return 7 })
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	for _, line := range []string{"gaussline_messages_committed_total 3", `gaussline_messages_rejected_total{step="decode"} 1`,
		`gaussline_verdicts_total{kind="mr-unsafe"} 1`, `gaussline_deliveries_total{sink="nats"} 1`, `gaussline_delivery_failures_total{final="true",sink="fhir"} 1`,
		"gaussline_test_gauge 7", `gaussline_http_request_seconds_count{route="POST /fhir/{type}",status="2xx"} 1`} {
		if !strings.Contains(w.Body.String(), line) {
			t.Errorf("no line %q", line)
		}
	}
}
