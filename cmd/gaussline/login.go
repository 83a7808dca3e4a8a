package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"os"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/access"
)

// loginConfig lets people log in at an OpenID Connect provider. Local accounts stay beside it: the first administrator
// is one, and the house is not locked out while the provider is down.
type loginConfig struct {
	Issuer     string            `yaml:"issuer"` // https address of the provider
	ClientID   string            `yaml:"client_id"`
	SecretFile string            `yaml:"secret_file"` // or the secret itself in GAUSSLINE_LOGIN_SECRET
	Scopes     []string          `yaml:"scopes"`      // asked for beside openid and profile; default the role claim
	RoleClaim  string            `yaml:"role_claim"`  // claim with a list of groups; default groups
	Roles      map[string]string `yaml:"roles"`       // group → role
	Sites      map[string]string `yaml:"sites"`       // group → one of sites, or * for all
	Senders    map[string]string `yaml:"senders"`     // group → one of senders, or * for all

	secret string // from the environment
}

// machineConfig is how a sender or reader shows who it is beside a static token: by an assertion signed with its own
// key (SMART Backend Services), or by a client certificate.
type machineConfig struct {
	ClientID string `yaml:"client_id"` // iss and sub of its assertions
	JWKSFile string `yaml:"jwks_file"` // its public keys as a JWK set, or
	JWKSURL  string `yaml:"jwks_url"`  // the https address where it publishes them
	Subject  string `yaml:"certificate_subject"`
}

// machine is a sender or reader with its key in the configuration.
type machine struct {
	key string
	access.Caller
	*machineConfig
}

func (c *config) machines() (out []machine) {
	for i := range c.Senders {
		s := &c.Senders[i]
		out = append(out, machine{fmt.Sprintf("senders[%d]", i), access.Caller{Name: s.Name, Role: access.Sender}, &s.machineConfig})
	}
	for i := range c.Readers {
		r := &c.Readers[i]
		out = append(out, machine{fmt.Sprintf("readers[%d]", i), access.Caller{Name: r.Name, Role: access.Role(r.Role), Sites: r.Sites}, &r.machineConfig})
	}
	return out
}

// checkAccess reports the faults of how people and machines get in, each with its key.
func (c *config) checkAccess(fault func(string, string, ...any)) {
	for _, p := range c.HTTP.Proxies {
		if _, err := netip.ParsePrefix(p); err != nil {
			fault("http.proxies", "%q: want a network such as 10.1.2.0/24", p)
		}
	}
	if c.HTTP.ClientCA != "" && c.HTTP.TLSCert == "" {
		fault("http.client_ca", "needs http.tls_cert: client certificates come with TLS")
	}
	if c.HTTP.ClientCertRequired && c.HTTP.ClientCA == "" {
		fault("http.client_certificate_required", "needs http.client_ca")
	}
	ids, subjects := map[string]bool{}, map[string]bool{}
	for _, m := range c.machines() {
		c.checkMachine(fault, m, ids, subjects)
	}
	if c.Login != nil {
		c.checkLogin(fault)
	}
}

func (c *config) checkMachine(fault func(string, string, ...any), m machine, ids, subjects map[string]bool) {
	hasKeys := m.JWKSFile != "" || m.JWKSURL != ""
	switch {
	case m.ClientID == "" && hasKeys:
		fault(m.key+".client_id", "is needed with its keys")
	case m.ClientID != "" && ids[m.ClientID]:
		fault(m.key+".client_id", "%q is there twice", m.ClientID)
	case m.ClientID != "" && (m.JWKSFile == "") == (m.JWKSURL == ""):
		fault(m.key+".jwks_file", "give the public keys by jwks_file or by jwks_url, and not by both")
	case m.ClientID != "" && c.HTTP.BaseURL == "":
		fault("http.base_url", "is needed with client_id: assertions name this service by it")
	}
	ids[m.ClientID] = true
	if m.JWKSURL != "" && !strings.HasPrefix(m.JWKSURL, "https://") {
		fault(m.key+".jwks_url", "must begin with https://: who can change the keys is the machine")
	}
	checkURL(fault, m.key+".jwks_url", m.JWKSURL)
	if m.Subject == "" {
		return
	}
	if c.HTTP.ClientCA == "" {
		fault(m.key+".certificate_subject", "needs http.client_ca")
	}
	if subjects[m.Subject] {
		fault(m.key+".certificate_subject", "%q is there twice", m.Subject)
	}
	subjects[m.Subject] = true
}

func (c *config) checkLogin(fault func(string, string, ...any)) {
	l := c.Login
	if !strings.HasPrefix(l.Issuer, "https://") && !isLoopback(l.Issuer) {
		fault("login.issuer", "must begin with https://: it says who a person is")
	}
	checkURL(fault, "login.issuer", l.Issuer)
	if l.ClientID == "" {
		fault("login.client_id", "is needed")
	}
	if (l.SecretFile == "") == (l.secret == "") {
		fault("login.secret_file", "give the secret by this file or by GAUSSLINE_LOGIN_SECRET, and not by both")
	}
	if c.HTTP.BaseURL == "" {
		fault("http.base_url", "is needed with login: the provider sends people back to it")
	}
	if len(l.Roles) == 0 {
		fault("login.roles", "is needed: without it nobody who logs in may do anything")
	}
	for g, r := range l.Roles {
		if !slices.Contains(access.PeopleRoles(), access.Role(r)) {
			fault("login.roles", "%s: %q is no role of people: %v", g, r, access.PeopleRoles())
		}
	}
	site := func(n string) bool {
		return slices.ContainsFunc(c.Sites, func(s siteConfig) bool { return s.Name == n })
	}
	sender := func(n string) bool {
		return slices.ContainsFunc(c.Senders, func(s senderConfig) bool { return s.Name == n })
	}
	for _, x := range []struct {
		key    string
		groups map[string]string
		known  func(string) bool
	}{{"login.sites", l.Sites, site}, {"login.senders", l.Senders, sender}} {
		for g, n := range x.groups {
			if n != access.Everything && !x.known(n) {
				fault(x.key, "%s: %q is not configured", g, n)
			}
		}
	}
}

// isLoopback: a provider on this machine may speak plain HTTP.
func isLoopback(url string) bool {
	return strings.HasPrefix(url, "http://127.0.0.1:") || strings.HasPrefix(url, "http://localhost:")
}

// elsewhere gives the log-in at a provider; nil when none is configured.
func (a *app) elsewhere() (*access.OIDC, error) {
	l := a.cfg.Login
	if l == nil {
		return nil, nil
	}
	word := l.secret
	if l.SecretFile != "" {
		var err error
		if word, err = secret(l.SecretFile); err != nil {
			return nil, fmt.Errorf("login.secret_file: %w", err)
		}
	}
	roles := map[string]access.Role{}
	for g, r := range l.Roles {
		roles[g] = access.Role(r)
	}
	o, err := access.NewOIDC(access.OIDCConfig{Issuer: l.Issuer, ClientID: l.ClientID, Secret: word, ReturnTo: a.cfg.publicURL() + "/login/return",
		RoleClaim: l.RoleClaim, Scopes: l.Scopes, Roles: roles, Sites: l.Sites, Senders: l.Senders, Now: a.now})
	if err != nil {
		return nil, fmt.Errorf("login: %w", err)
	}
	return o, nil
}

// Guessing at the token endpoint: failures of one address before it waits.
const (
	tokenTries  = 60
	tokenWindow = 15 * time.Minute
)

// guard knows the machines: by token, by signed assertion (issuer, nil when none signs), by certificate.
func (a *app) guard(o office) (*access.Guard, *access.Issuer, error) {
	tokens, err := a.cfg.tokens()
	if err != nil {
		return nil, nil, err
	}
	g, err := access.NewGuard(tokens)
	if err != nil {
		return nil, nil, err
	}
	subjects := map[string]access.Caller{}
	var clients []access.Client
	for _, m := range a.cfg.machines() {
		if m.Subject != "" {
			subjects[m.Subject] = m.Caller
		}
		if m.ClientID == "" {
			continue
		}
		c := access.Client{Caller: m.Caller, ID: m.ClientID, JKU: m.JWKSURL,
			Keys: &access.URLKeys{URL: m.JWKSURL, Client: &http.Client{Timeout: keysTime}, Now: a.now}}
		if m.JWKSFile != "" {
			if c.Keys, err = access.ReadKeys(m.JWKSFile); err != nil {
				return nil, nil, fmt.Errorf("%s.jwks_file: %w", m.key, err)
			}
		}
		clients = append(clients, c)
	}
	g = g.WithCertificates(subjects)
	if len(clients) == 0 {
		return g, nil, nil
	}
	i := &access.Issuer{Clients: clients, TokenURL: a.cfg.publicURL() + "/token", Now: a.now, Note: o.audit.Note, From: a.from,
		Tries: &access.Limiter{Most: tokenTries, Window: tokenWindow, Now: a.now}}
	return g.With(i), i, nil
}

// from gives the network address of a caller, as the proxies that are named tell it.
func (a *app) from(r *http.Request) string {
	var near []netip.Prefix
	for _, p := range a.cfg.HTTP.Proxies {
		if n, err := netip.ParsePrefix(p); err == nil { // checked with the configuration
			near = append(near, n)
		}
	}
	return access.Address(r, near)
}

// tlsConfig is what the server speaks: TLS 1.2 with what Go takes for safe there, or 1.3; client certificates where
// their authority is named. nil without TLS.
func (c *config) tlsConfig() (*tls.Config, error) {
	if c.HTTP.TLSCert == "" {
		return nil, nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if c.HTTP.ClientCA == "" {
		return t, nil
	}
	b, err := os.ReadFile(c.HTTP.ClientCA)
	if err != nil {
		return nil, fmt.Errorf("http.client_ca: %w", err)
	}
	t.ClientCAs, t.ClientAuth = x509.NewCertPool(), tls.VerifyClientCertIfGiven
	if !t.ClientCAs.AppendCertsFromPEM(b) {
		return nil, errors.New("http.client_ca: no certificate in it")
	}
	if c.HTTP.ClientCertRequired {
		t.ClientAuth = tls.RequireAndVerifyClientCert
	}
	return t, nil
}

// handler is everything that is served: machines and people at one address.
func (a *app) handler(ctx context.Context) (http.Handler, error) {
	o, err := a.office(ctx)
	if err != nil {
		return nil, err
	}
	outside, err := a.elsewhere()
	if err != nil {
		return nil, err
	}
	people, err := a.pagesHandler(ctx, o, outside, func(path string) { a.welcome = path })
	if err != nil {
		return nil, err
	}
	machines, err := a.machinesHandler(o)
	if err != nil {
		return nil, err
	}
	return front(machines, people), nil
}
