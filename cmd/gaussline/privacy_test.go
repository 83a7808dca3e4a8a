package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zapcore"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/telemetry"
	"gaussline/testdata/cases"
)

// minSecret is the shortest word searched for: shorter numbers turn up in times and hashes by chance.
const minSecret = 5

// secrets are the names, numbers, dates, words and serials of the stories, which may be in no log line, no metric
// and no error page.
func secrets(t *testing.T) []string {
	t.Helper()
	stories, err := cases.All()
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, s := range stories {
		for _, m := range s.Messages {
			var v any
			if err := json.Unmarshal(m.Body, &v); err == nil {
				collect(v, "", &out)
			}
		}
	}
	if len(out) < 50 {
		t.Fatalf("only %d secrets found in the stories", len(out))
	}
	return out
}

func collect(v any, name string, out *[]string) {
	switch x := v.(type) {
	case map[string]any:
		for k, c := range x {
			collect(c, k, out)
		}
	case []any:
		for _, c := range x {
			collect(c, name, out)
		}
	case string:
		switch name {
		case "family", "given", "birthDate", "serialNumber", "data":
			*out = append(*out, x)
		case "value":
			*out = append(*out, x)
		}
	}
}

// Names and numbers go through the whole service, good and bad messages, and none comes out in logs, metrics or traces.
func TestNoPatientDataInLogsMetricsOrTraces(t *testing.T) {
	var logs bytes.Buffer
	log, err := telemetry.NewLogger(zapcore.AddSync(&logs), "debug")
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "demo")
	tokens, err := demoFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := loadConfig(filepath.Join(dir, "gaussline.yaml"), func(string) string { return "" })
	if err != nil {
		t.Fatal(err)
	}
	cfg.HTTP.Listen = "127.0.0.1:0"
	traced := startCollector(t)
	cfg.Tracing.Collector, cfg.Tracing.Share = traced.URL, 1
	ctx, stop := context.WithCancel(context.Background())
	a, err := openApp(ctx, cfg, log, func() time.Time { return demoDay }, true)
	if err != nil {
		t.Fatal(err)
	}
	addr := make(chan string, 1)
	ran := make(chan error, 1)
	go func() { ran <- a.serve(ctx, func(s string) { addr <- s }) }()
	url := "http://" + <-addr
	words := secrets(t)
	sendAll(t, url, tokens)
	if err := a.untilEmpty(ctx); err != nil {
		t.Fatal(err)
	}
	a.untilSent(t)
	metrics := get(t, url+"/metrics", tokens["operator"])
	stop()
	if err := <-ran; err != nil {
		t.Fatal(err)
	}
	steps := map[string]int{}
	for _, s := range traced.spans() {
		steps[s.Name]++
	}
	for _, s := range []string{pipeline.SpanReceive, pipeline.SpanRead, pipeline.SpanCommit, pipeline.SpanDeliver} {
		if steps[s] == 0 {
			t.Errorf("no span of %s: nothing was tested of it", s)
		}
	}
	for where, text := range map[string]string{"logs": logs.String(), "metrics": metrics, "traces": traced.withoutHashes(t)} {
		if text == "" {
			t.Errorf("%s are empty: nothing was tested", where)
		}
		for _, w := range append(words, tokens["hillside"], tokens["operator"]) {
			if len(w) >= minSecret && strings.Contains(text, w) {
				t.Errorf("%s hold %q", where, w)
			}
		}
	}
}

// sendAll sends the stories, then each body broken in two ways: the errors must not quote it to the log either.
func sendAll(t *testing.T, url string, tokens map[string]string) {
	t.Helper()
	stories, err := cases.All()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range stories {
		for _, m := range s.Messages {
			for _, body := range [][]byte{m.Body, m.Body[:len(m.Body)/2], bytes.Replace(m.Body, []byte(`"status": "`), []byte(`"status": "x`), 1)} {
				req, err := http.NewRequest(http.MethodPost, url+"/fhir", bytes.NewReader(body))
				if err != nil {
					t.Fatal(err)
				}
				req.Header.Set("Authorization", "Bearer "+tokens[m.Sender])
				res, err := http.DefaultClient.Do(req)
				if err != nil {
					t.Fatal(err)
				}
				res.Body.Close()
				if res.StatusCode != http.StatusAccepted && res.StatusCode != http.StatusUnprocessableEntity {
					t.Errorf("%s %s: answered %d", s.Name, m.Name, res.StatusCode)
				}
			}
		}
	}
}

func get(t *testing.T, url, token string) string {
	t.Helper()
	req, err := http.NewRequest(http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%s answered %d: %v", url, res.StatusCode, err)
	}
	return string(b)
}
