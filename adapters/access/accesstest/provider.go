// Package accesstest holds what tests of log-in need: an OpenID provider with one invented person at it. Tests import
// it; nothing else does.
package accesstest

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

// Person is whom the provider knows.
const (
	Subject = "S-17"
	Name    = "M. Ashgrove" // invented
	Code    = "good"        // the code it gives
)

// Provider is an OpenID provider as the standard describes it (OpenID Connect Core 1.0 and Discovery 1.0; RFC 7636).
// Its exported fields may be changed between requests.
type Provider struct {
	URL      string
	Now      func() time.Time
	Groups   []string
	Audience string
	Nonce    string          // of the id token; set by an authorisation request
	Stranger *rsa.PrivateKey // signs instead of the provider; nil: the provider

	t         testing.TB
	key       *rsa.PrivateKey
	mu        sync.Mutex
	challenge string
}

// NewProvider starts a provider that ends with the test.
func NewProvider(t testing.TB, now func() time.Time) *Provider {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	p := &Provider{t: t, key: key, Now: now, Audience: "gaussline"}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		_ = json.NewEncoder(w).Encode(map[string]any{"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize",
			"token_endpoint": p.URL + "/token", "jwks_uri": p.URL + "/keys", "id_token_signing_alg_values_supported": []string{"RS256"}})
	})
	mux.HandleFunc("GET /keys", func(w http.ResponseWriter, _ *http.Request) {
		_ = json.NewEncoder(w).Encode(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &p.key.PublicKey, KeyID: "1", Algorithm: "RS256", Use: "sig"}}})
	})
	mux.HandleFunc("GET /authorize", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, p.Answer(r.URL.Query()), http.StatusFound)
	})
	mux.HandleFunc("POST /token", p.token)
	srv := httptest.NewServer(mux)
	t.Cleanup(srv.Close)
	p.URL = srv.URL
	return p
}

// Answer takes an authorisation request and gives the address that the browser is sent back to.
func (p *Provider) Answer(asked url.Values) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.Nonce, p.challenge = asked.Get("nonce"), asked.Get("code_challenge")
	return asked.Get("redirect_uri") + "?" + url.Values{"state": {asked.Get("state")}, "code": {Code}}.Encode()
}

func (p *Provider) token(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	sum := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	if r.PostFormValue("code") != Code || base64.RawURLEncoding.EncodeToString(sum[:]) != p.challenge {
		http.Error(w, `{"error":"invalid_grant"}`, http.StatusBadRequest)
		return
	}
	key := p.key
	if p.Stranger != nil {
		key = p.Stranger
	}
	sig, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: key, KeyID: "1"}}, nil)
	if err != nil {
		p.t.Error(err)
		return
	}
	id, err := jwt.Signed(sig).Claims(map[string]any{"iss": p.URL, "aud": p.Audience, "sub": Subject, "name": Name, "groups": p.Groups,
		"nonce": p.Nonce, "exp": p.Now().Add(time.Minute).Unix(), "iat": p.Now().Unix()}).Serialize()
	if err != nil {
		p.t.Error(err)
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": id})
}
