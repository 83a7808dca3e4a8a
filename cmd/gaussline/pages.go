package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"os"
	"slices"
	"strings"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirapi"
	"gaussline/adapters/pages"
	"gaussline/adapters/pipeline"
)

// office is accounts, audit and seal of the app's store.
type office struct {
	accounts *access.Accounts
	audit    *access.Audit
	seal     *access.Seal
}

func (a *app) journal() pages.Journal { return pages.Journal{Store: a.store} }

func (a *app) office(ctx context.Context) (office, error) {
	j := a.journal()
	var seal *access.Seal
	err := a.insist(ctx, "open the seal", func() (err error) { seal, err = access.OpenSeal(ctx, j, a.now()); return err })
	return office{accounts: &access.Accounts{Journal: j, Now: a.now}, audit: &access.Audit{Journal: j, Now: a.now, Chain: a.chain()}, seal: seal}, err
}

// chain names the audit chain of this process: one process writes a chain, and several nodes share a PostgreSQL.
func (a *app) chain() string {
	if a.cfg.Store.URLFile == "" {
		return "" // the embedded store has one
	}
	host, _ := os.Hostname() // "" still leaves the folder
	h := sha256.Sum256([]byte(host + "\x00" + a.cfg.DataDir))
	return "node-" + hex.EncodeToString(h[:6])
}

// pagesHandler serves the pages for people. When nobody can log in as administrator yet, firstLink is told the path
// of a one-time link; there is never a default password. outside is nil without OpenID Connect.
func (a *app) pagesHandler(ctx context.Context, o office, outside *access.OIDC, firstLink func(path string)) (h http.Handler, err error) {
	sessions, ok := a.store.(pipeline.Sessions)
	if !ok {
		return nil, fmt.Errorf("%T keeps no sessions", a.store)
	}
	c := pages.Config{Service: a.service, Sessions: sessions, Accounts: o.accounts, Audit: o.audit, Seal: o.seal, Outside: outside, Log: a.log, Now: a.now,
		Observe: a.metrics.Request, From: a.from}
	c.Tracer, c.Notices = wordTracer{a.service}, wordTracer{a.service}
	if c.Months, err = a.months(); err != nil {
		return nil, err
	}
	h, err = pages.New(c)
	if err != nil {
		return nil, err
	}
	var token string
	var needed bool
	err = a.insist(ctx, "look for an administrator", func() (err error) { token, needed, err = o.accounts.FirstRun(ctx); return err })
	if err == nil && needed {
		firstLink("/welcome/" + token)
	}
	return h, err
}

// machinesHandler serves machines.
func (a *app) machinesHandler(o office) (http.Handler, error) {
	guard, issuer, err := a.guard(o)
	if err != nil {
		return nil, err
	}
	hooks, err := a.cdsHandler(o)
	if err != nil {
		return nil, err
	}
	api := &fhirapi.API{Receiver: a.receiver(), Outcomes: a.service, Health: a, Guard: guard, Issuer: issuer, Hooks: hooks, Radiology: a.radiologyDesk(guard, o), Registry: audited(a.registryHandler(), guard, o.audit, a.from),
		Metrics: a.metrics.Handler(), Observe: a.metrics.Request, Log: a.log, Limits: a.cfg.limits(), Version: version, BaseURL: a.cfg.HTTP.BaseURL, Now: a.now}
	return api.Handler(), nil
}

// machinePaths are served by the machine interface; every other path is a page.
var machinePaths = []string{"/fhir", "/metadata", "/healthz", "/readyz", "/metrics", "/registry", "/radiology", "/cds-services", "/token", "/.well-known"}

// front deals requests out between machines and people.
func front(machines, people http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		own := func(p string) bool { return r.URL.Path == p || strings.HasPrefix(r.URL.Path, p+"/") }
		if slices.ContainsFunc(machinePaths, own) {
			machines.ServeHTTP(w, r)
			return
		}
		people.ServeHTTP(w, r)
	})
}
