package access

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

const tokenURL = "https://gaussline.invalid/token"

// signed is what a client sends; change may spoil the claims.
func signed(t *testing.T, alg jose.SignatureAlgorithm, key any, kid string, now time.Time, change func(map[string]any)) string {
	t.Helper()
	sig, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: jose.JSONWebKey{Key: key, KeyID: kid}}, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		t.Fatal(err)
	}
	claims := map[string]any{"iss": "hillside-client", "sub": "hillside-client", "aud": tokenURL, "exp": now.Add(4 * time.Minute).Unix(), "jti": NewToken()}
	change(claims)
	s, err := jwt.Signed(sig).Claims(claims).Serialize()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func ask(i *Issuer, assertion string) (int, string) {
	f := url.Values{"grant_type": {"client_credentials"}, "client_assertion_type": {assertionType}, "client_assertion": {assertion}, "scope": {"system/*.cu"}}
	r := httptest.NewRequest(http.MethodPost, "/token", strings.NewReader(f.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	i.ServeHTTP(w, r)
	var got struct {
		AccessToken string `json:"access_token"`
	}
	_ = json.Unmarshal(w.Body.Bytes(), &got)
	return w.Code, got.AccessToken
}

// What a client must send, and what must be refused: SMART App Launch 2.2, "Backend Services" and "Asymmetric
// authentication" (RS384 or ES384, kid, iss = sub = client id, aud = token URL, exp within five minutes, jti once).
func TestClientAssertions(t *testing.T) {
	rsaKey, err1 := rsa.GenerateKey(rand.Reader, 2048)
	ecKey, err2 := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	set, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &rsaKey.PublicKey, KeyID: "r"}, {Key: &ecKey.PublicKey, KeyID: "e"}}})
	if err != nil {
		t.Fatal(err)
	}
	keys, err := ParseKeys(set)
	if err != nil {
		t.Fatal(err)
	}
	c := &clock{start}
	i := &Issuer{TokenURL: tokenURL, Now: c.now, Clients: []Client{{Caller: Caller{Name: "hillside", Role: Sender}, ID: "hillside-client", Keys: FileKeys{keys}}}}
	guard, _ := NewGuard(nil)
	guard = guard.With(i)
	who := func(token string) (Caller, bool) {
		r := httptest.NewRequest(http.MethodPost, "/fhir", nil)
		r.Header.Set("Authorization", "Bearer "+token)
		return guard.Who(r)
	}
	good := func(map[string]any) {}
	for _, x := range []struct {
		alg jose.SignatureAlgorithm
		key any
		kid string
	}{{jose.RS384, rsaKey, "r"}, {jose.ES384, ecKey, "e"}} {
		a := signed(t, x.alg, x.key, x.kid, c.at, good)
		status, token := ask(i, a)
		if got, ok := who(token); status != http.StatusOK || !ok || got.Name != "hillside" || got.Role != Sender {
			t.Errorf("%s: %d %v", x.alg, status, got)
		}
		if status, _ := ask(i, a); status != http.StatusBadRequest {
			t.Errorf("%s: an assertion taken twice", x.alg)
		}
		at := c.at
		if c.at = c.at.Add(tokenLasts); true {
			if _, ok := who(token); ok {
				t.Error("a token after its time")
			}
		}
		c.at = at
	}
	stranger, _ := rsa.GenerateKey(rand.Reader, 2048)
	for name, a := range map[string]string{
		"nothing":         "",
		"another key":     signed(t, jose.RS384, stranger, "r", c.at, good),
		"unknown key id":  signed(t, jose.RS384, rsaKey, "x", c.at, good),
		"RS256":           signed(t, jose.RS256, rsaKey, "r", c.at, good),
		"HS384":           signed(t, jose.HS384, set, "r", c.at, good),
		"another issuer":  signed(t, jose.RS384, rsaKey, "r", c.at, func(m map[string]any) { m["iss"] = "quayside-client" }),
		"another subject": signed(t, jose.RS384, rsaKey, "r", c.at, func(m map[string]any) { m["sub"] = "quayside-client" }),
		"another door":    signed(t, jose.RS384, rsaKey, "r", c.at, func(m map[string]any) { m["aud"] = "https://elsewhere.invalid/token" }),
		"expired":         signed(t, jose.RS384, rsaKey, "r", c.at.Add(-time.Hour), good),
		"lives too long":  signed(t, jose.RS384, rsaKey, "r", c.at.Add(time.Hour), good),
		"no expiry":       signed(t, jose.RS384, rsaKey, "r", c.at, func(m map[string]any) { delete(m, "exp") }),
		"no jti":          signed(t, jose.RS384, rsaKey, "r", c.at, func(m map[string]any) { delete(m, "jti") }),
	} {
		if status, token := ask(i, a); status != http.StatusBadRequest || token != "" {
			t.Errorf("%s: %d", name, status)
		}
	}
	for _, bad := range []string{``, `{}`, `{"keys":[{"kty":"oct","k":"AAAA","kid":"1"}]}`, strings.ReplaceAll(string(set), `"kid":"r"`, `"kid":""`)} {
		if _, err := ParseKeys([]byte(bad)); err == nil {
			t.Errorf("key set %q accepted", bad)
		}
	}
}
