package main

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/access"
)

// From the first run to the administrator's page, with a chain that is verified offline; machines and people share
// one address.
func TestFirstRunAndOfflineAudit(t *testing.T) {
	ctx, dir := context.Background(), filepath.Join(t.TempDir(), "demo")
	if _, err := demoFolder(dir); err != nil {
		t.Fatal(err)
	}
	cfg, err := loadConfig(filepath.Join(dir, "gaussline.yaml"), func(string) string { return "" })
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(ctx, cfg, zap.NewNop(), func() time.Time { return demoDay }, false)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = a.close(ctx) }()
	o, err := a.office(ctx)
	if err != nil {
		t.Fatal(err)
	}
	link := ""
	people, err := a.pagesHandler(ctx, o, nil, func(path string) { link = path })
	if err != nil || !strings.HasPrefix(link, "/welcome/") {
		t.Fatalf("no first-run link: %q %v", link, err)
	}
	machines := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "machine") })
	srv := httptest.NewTLSServer(front(machines, people))
	defer srv.Close()
	jar, _ := cookiejar.New(nil)
	c := &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} // the test's own server
	body := func(res *http.Response, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = res.Body.Close() }()
		b, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d %v\n%s", res.Request.URL.Path, res.StatusCode, err, b)
		}
		return string(b)
	}
	for _, p := range []string{"/fhir", "/healthz", "/registry/months", "/.well-known/smart-configuration"} {
		if got := body(c.Get(srv.URL + p)); got != "machine" {
			t.Errorf("%s goes to the pages", p)
		}
	}
	const phrase = "a long invented pass phrase"
	if got := body(c.PostForm(srv.URL+link, url.Values{"password": {phrase}, "again": {phrase}})); !strings.Contains(got, "Add or change an account") {
		t.Errorf("the administrator lands on\n%s", got)
	}
	file := filepath.Join(dir, "audit.ndjson")
	chain := body(c.Get(srv.URL + "/audit/lines"))
	for name, x := range map[string]struct {
		text string
		want error
	}{"as kept": {chain, nil}, "changed": {strings.Replace(chain, access.FirstAdministrator, "somebody", 1), access.ErrAudit}} {
		if err := os.WriteFile(file, []byte(x.text), 0o600); err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		if err := checkAudit(ctx, &program{out: &out}, []string{file}); !errors.Is(err, x.want) {
			t.Errorf("%s: %v %s", name, err, out.String())
		}
	}
	if _, err := a.pagesHandler(ctx, o, nil, func(string) { t.Error("a link is printed though an administrator is there") }); err != nil {
		t.Error(err)
	}
}
