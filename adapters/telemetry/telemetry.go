// Package telemetry makes the logger, the metrics and the traces of the service, and says what must never be in them: names,
// numbers, dates of birth, free text, quoted words, tokens. Keys of resources and hashes of messages may be
// logged; they lead to the store, where access is controlled.
package telemetry

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// NewLogger makes a JSON logger on the writer. Sampling is off: the production default drops repeated lines.
// Stack traces come only with programming errors (DPanic).
func NewLogger(w zapcore.WriteSyncer, level string) (*zap.Logger, error) {
	lv, err := zapcore.ParseLevel(level)
	if err != nil {
		return nil, fmt.Errorf("log level %q: want debug, info, warn or error", level)
	}
	enc := zap.NewProductionEncoderConfig()
	enc.TimeKey, enc.EncodeTime = "time", zapcore.RFC3339NanoTimeEncoder
	core := zapcore.NewCore(zapcore.NewJSONEncoder(enc), zapcore.Lock(w), lv)
	return zap.New(core, zap.AddStacktrace(zap.DPanicLevel)), nil
}

// Flush writes out what is buffered. Standard error cannot be synced on some systems; that is no failure.
func Flush(log *zap.Logger) error {
	err := log.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTTY) || errors.Is(err, os.ErrClosed) {
		return nil
	}
	return err
}

// Metrics are the service's own Prometheus metrics, in a registry of their own. It satisfies pipeline.Meter.
type Metrics struct {
	reg        *prometheus.Registry
	received   prometheus.Counter
	refused    *prometheus.CounterVec
	decided    *prometheus.CounterVec
	unmatched  *prometheus.CounterVec
	delivered  *prometheus.CounterVec
	failed     *prometheus.CounterVec
	outboxAge  *prometheus.HistogramVec
	commits    prometheus.Histogram
	batch      prometheus.Histogram
	bannerTime prometheus.Histogram
	requests   *prometheus.HistogramVec
}

// NewMetrics registers the metrics. gauges are read at every scrape, by name and help.
func NewMetrics() *Metrics {
	m := &Metrics{reg: prometheus.NewRegistry()}
	seconds := []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 60}
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Namespace: "gaussline", Name: name, Help: help})
	}
	vec := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "gaussline", Name: name, Help: help}, labels)
	}
	hist := func(name, help string, buckets []float64) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{Namespace: "gaussline", Name: name, Help: help, Buckets: buckets})
	}
	m.received = counter("messages_committed_total", "Messages read and committed.")
	m.refused = vec("messages_rejected_total", "Messages or resources kept as rejected, by step.", "step")
	m.decided = vec("verdicts_total", "Verdicts settled that differ from the one before, by kind.", "kind")
	m.unmatched = vec("verdicts_unmatched_total", "Verdicts on orders that name no radiology site we know, by the site that got them.", "site")
	m.delivered = vec("deliveries_total", "Outgoing messages delivered, by sink.", "sink")
	m.failed = vec("delivery_failures_total", "Failed delivery tries, by sink; final: given up.", "sink", "final")
	m.commits = hist("commit_seconds", "Time of one batch transaction.", seconds)
	m.batch = hist("commit_messages", "Messages in one batch transaction.", []float64{1, 2, 5, 10, 25, 50, 100, 250, 500})
	m.bannerTime = hist("receive_to_commit_seconds", "From receipt to the committed record, verdict and outbox.", seconds)
	m.outboxAge = prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: "gaussline", Name: "outbox_age_seconds",
		Help: "From queued to delivered, by sink.", Buckets: seconds}, []string{"sink"})
	m.requests = prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: "gaussline", Name: "http_request_seconds",
		Help: "HTTP requests by route pattern and status class.", Buckets: seconds}, []string{"route", "status"})
	m.reg.MustRegister(m.received, m.refused, m.decided, m.unmatched, m.delivered, m.failed, m.commits, m.batch, m.bannerTime,
		m.outboxAge, m.requests, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Gauge adds a value that is read at every scrape.
func (m *Metrics) Gauge(name, help string, read func() float64) {
	m.reg.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "gaussline", Name: name, Help: help}, read))
}

// Handler serves the metrics in the Prometheus text format.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.reg, promhttp.HandlerOpts{})
}

// Request counts an HTTP request by its route pattern: a pattern has no identifiers in it.
func (m *Metrics) Request(route string, status int, took time.Duration) {
	m.requests.WithLabelValues(route, fmt.Sprintf("%dxx", status/100)).Observe(took.Seconds())
}

// Received counts committed messages.
func (m *Metrics) Received(n int) { m.received.Add(float64(n)) }

// Refused counts one reject.
func (m *Metrics) Refused(step string) { m.refused.WithLabelValues(step).Inc() }

// Decided counts one verdict.
func (m *Metrics) Decided(kind string) { m.decided.WithLabelValues(kind).Inc() }

// Unmatched counts one verdict on an order that names no known site.
func (m *Metrics) Unmatched(site string) { m.unmatched.WithLabelValues(site).Inc() }

// Delivered counts one delivery.
func (m *Metrics) Delivered(sink string, age time.Duration) {
	m.delivered.WithLabelValues(sink).Inc()
	m.outboxAge.WithLabelValues(sink).Observe(age.Seconds())
}

// DeliveryFailed counts one failed try.
func (m *Metrics) DeliveryFailed(sink string, dead bool) {
	m.failed.WithLabelValues(sink, fmt.Sprint(dead)).Inc()
}

// Committed observes one batch.
func (m *Metrics) Committed(batch int, took time.Duration) {
	m.commits.Observe(took.Seconds())
	m.batch.Observe(float64(batch))
}

// BannerLatency observes one message.
func (m *Metrics) BannerLatency(d time.Duration) { m.bannerTime.Observe(d.Seconds()) }
