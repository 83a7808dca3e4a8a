package main

import (
	"cmp"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.yaml.in/yaml/v3"
)

const deployDir = "../../deploy"

// scraped gives the names that /metrics shows once everything has happened once.
func scraped(t *testing.T) map[string]bool {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "gaussline.yaml")
	if err := os.WriteFile(path, []byte("data_dir: data\nsites: [{name: north}]\nfallback_site: north\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := loadConfig(path, func(string) string { return "" })
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, zap.NewNop(), time.Now, true)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := a.close(t.Context()); err != nil {
			t.Error(err)
		}
	}()
	a.gauges()
	m := a.metrics
	m.Received(1)
	m.Refused("read")
	m.Decided("unsafe")
	m.Unmatched("north")
	m.Delivered("fhir", time.Second)
	m.DeliveryFailed("fhir", true)
	m.Committed(1, time.Second)
	m.BannerLatency(time.Second)
	m.Request("POST /fhir", http.StatusOK, time.Second)
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	names := map[string]bool{}
	for _, line := range strings.Split(w.Body.String(), "\n") {
		if name := regexp.MustCompile(`^[a-z_]+`).FindString(line); name != "" {
			names[name] = true
		}
	}
	return names
}

type alertRules struct {
	Groups []struct {
		Rules []struct {
			Alert, Expr string
			Labels      struct{ Severity string }
			Annotations struct{ Summary, Runbook string }
		}
	}
}

func readRules(t *testing.T) (r alertRules) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(deployDir, "prometheus/rules.yaml"))
	if err == nil {
		err = yaml.Unmarshal(b, &r)
	}
	if err != nil || len(r.Groups) == 0 {
		t.Fatalf("rules: %v", err)
	}
	return r
}

// expressions gives every PromQL expression of the rules and the dashboard, by where it stands.
func expressions(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, g := range readRules(t).Groups {
		for _, r := range g.Rules {
			out["alert "+r.Alert] = r.Expr
		}
	}
	var d struct {
		Panels []struct {
			Title   string
			Targets []struct{ RefID, Expr string }
		}
	}
	b, err := os.ReadFile(filepath.Join(deployDir, "grafana/gaussline.json"))
	if err == nil {
		err = json.Unmarshal(b, &d)
	}
	if err != nil || len(d.Panels) == 0 {
		t.Fatalf("dashboard: %v", err)
	}
	for _, p := range d.Panels {
		for _, x := range p.Targets {
			out["panel "+p.Title+" "+x.RefID] = x.Expr
		}
	}
	return out
}

// Every metric that an alert or the dashboard names is one that the service shows, and every gauge and counter of ours
// is watched somewhere.
func TestMonitoringNamesWhatIsThere(t *testing.T) {
	shown := scraped(t)
	used := map[string]bool{}
	for where, expr := range expressions(t) {
		for _, name := range regexp.MustCompile(`\b(gaussline|process|go)_[a-z_]+`).FindAllString(expr, -1) {
			used[name] = true
			if !shown[name] {
				t.Errorf("%s names %s, which /metrics does not show", where, name)
			}
		}
	}
	for name := range shown {
		plain := strings.HasPrefix(name, "gaussline_") && !regexp.MustCompile(`_(bucket|sum|count)$`).MatchString(name)
		if plain && !used[name] {
			t.Errorf("nobody watches %s", name)
		}
	}
}

// Every alert has a severity, a summary and an entry in the runbook; every entry has its alert.
func TestRunbookHasEveryAlert(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(deployDir, "runbook/README.md"))
	if err != nil {
		t.Fatal(err)
	}
	entries := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^## (\w+)$`).FindAllStringSubmatch(string(b), -1) {
		entries[m[1]] = true
	}
	for _, g := range readRules(t).Groups {
		for _, r := range g.Rules {
			if s := r.Labels.Severity; s != "page" && s != "warn" || r.Annotations.Summary == "" {
				t.Errorf("%s: severity %q, summary %q", r.Alert, s, r.Annotations.Summary)
			}
			if !entries[r.Alert] || r.Annotations.Runbook != "deploy/runbook/README.md#"+strings.ToLower(r.Alert) {
				t.Errorf("%s: no entry in the runbook, or a wrong link", r.Alert)
			}
			delete(entries, r.Alert)
		}
	}
	for e := range entries {
		t.Errorf("the runbook has an entry for %s, which is no alert", e)
	}
}

// The rules fire on what they are for and on nothing else, by Prometheus's own tool (Debian: prometheus).
func TestAlertRules(t *testing.T) {
	tool, err := exec.LookPath(cmp.Or(os.Getenv("GAUSSLINE_PROMTOOL"), "promtool"))
	if err != nil {
		if os.Getenv("GAUSSLINE_REQUIRE_PROMTOOL") != "" {
			t.Fatal(err)
		}
		t.Skip("promtool is not installed (Debian: apt-get install prometheus)")
	}
	cmd := exec.Command(tool, "test", "rules", "rules_test.yaml")
	cmd.Dir = filepath.Join(deployDir, "prometheus")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// The configurations that are handed out are accepted as they are.
func TestConfigurationsHandedOut(t *testing.T) {
	for _, name := range []string{"gaussline.yaml", "gaussline-cluster.yaml"} {
		if _, err := loadConfig(filepath.Join(deployDir, name), func(key string) string {
			// The cluster's brokers come from the environment.
			return map[string]string{"gaussline-cluster.yamlGAUSSLINE_STREAM_URL": "nats://a.invalid:4222"}[name+key]
		}); err != nil {
			t.Error(err)
		}
	}
}

// Every key of the configuration is in the example, which claims to explain them all.
func TestExampleHasEveryKey(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(deployDir, "gaussline.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var keys func(reflect.Type, string)
	keys = func(ty reflect.Type, path string) {
		for ty.Kind() == reflect.Pointer || ty.Kind() == reflect.Slice {
			ty = ty.Elem()
		}
		if ty.Kind() != reflect.Struct {
			return
		}
		for i := range ty.NumField() {
			f := ty.Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
			if name != "" && !regexp.MustCompile(`\b`+name+`:|\b`+name+` with|also `+name).Match(b) {
				t.Errorf("the key %s.%s (%s) is not explained", path, name, f.Name)
			}
			keys(f.Type, path+"."+name)
		}
	}
	keys(reflect.TypeFor[config](), "")
}
