package cds_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"gaussline/adapters/access"
	"gaussline/adapters/cds"
)

const issuer = "https://ehr.hillside.invalid"

// pair is a client's key: what signs, and what it publishes.
type pair struct {
	alg  jose.SignatureAlgorithm
	kid  string
	priv any
	pub  any
}

func ecPair(t testing.TB, kid string) pair {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return pair{jose.ES384, kid, k, k.Public()}
}

func rsaPair(t testing.TB, kid string) pair {
	t.Helper()
	k, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	return pair{jose.RS384, kid, k, k.Public()}
}

func keySet(t testing.TB, ps ...pair) []byte {
	t.Helper()
	var set jose.JSONWebKeySet
	for _, p := range ps {
		set.Keys = append(set.Keys, jose.JSONWebKey{Key: p.pub, KeyID: p.kid, Algorithm: string(p.alg), Use: "sig"})
	}
	b, err := json.Marshal(set)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func keyFile(t testing.TB, ps ...pair) access.FileKeys {
	t.Helper()
	path := filepath.Join(t.TempDir(), "jwks.json")
	if err := os.WriteFile(path, keySet(t, ps...), 0o600); err != nil {
		t.Fatal(err)
	}
	keys, err := access.ReadKeys(path)
	if err != nil {
		t.Fatal(err)
	}
	return keys
}

// claims are those of a good token for discovery.
func claims(jti string) map[string]any {
	return map[string]any{"iss": issuer, "aud": base + "/cds-services", "exp": at.Add(time.Minute).Unix(), "iat": at.Unix(), "jti": jti}
}

func sign(t testing.TB, p pair, head map[jose.HeaderKey]any, cl map[string]any) string {
	t.Helper()
	opts := &jose.SignerOptions{}
	for k, v := range head {
		opts.WithHeader(k, v)
	}
	s, err := jose.NewSigner(jose.SigningKey{Algorithm: p.alg, Key: jose.JSONWebKey{Key: p.priv, KeyID: p.kid}}, opts)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := jwt.Signed(s).Claims(cl).Serialize()
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

var typJWT = map[jose.HeaderKey]any{jose.HeaderType: "JWT"}

func without(m map[string]any, name string) map[string]any { delete(m, name); return m }

func with(m map[string]any, name string, v any) map[string]any { m[name] = v; return m }

// Each duty of a service (CDS Hooks 2.0, "Trusting CDS Clients"): one token that is good in all
// but one thing is refused with 401 and no details.
func TestTokens(t *testing.T) {
	ec, rs, stranger := ecPair(t, "ec1"), rsaPair(t, "rs1"), ecPair(t, "ec1")
	p256, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	hmac := pair{jose.HS384, "ec1", []byte(strings.Repeat("k", 48)), nil}
	jku := map[jose.HeaderKey]any{jose.HeaderType: "JWT", "jku": "https://ehr.hillside.invalid/jwks"}
	v, err := cds.NewVerifier(func() time.Time { return at }, cds.Client{Issuer: issuer, Sender: "hillside", JKU: "https://ehr.hillside.invalid/jwks", Keys: keyFile(t, ec, rs)},
		cds.Client{Issuer: "https://other.invalid", Sender: "other", Keys: keyFile(t, rsaPair(t, "o1"))})
	if err != nil {
		t.Fatal(err)
	}
	s := newServer(t)
	s.svc.Clients = v
	parts := strings.Split(sign(t, ec, typJWT, claims("torn")), ".")
	for name, c := range map[string]struct {
		header string
		status int
	}{
		"ES384":             {"Bearer " + sign(t, ec, typJWT, claims("a1")), 200},
		"RS384":             {"Bearer " + sign(t, rs, typJWT, claims("a2")), 200},
		"aud a list":        {"bearer " + sign(t, ec, typJWT, with(claims("a3"), "aud", []string{"x", base + "/cds-services"})), 200},
		"with its jku":      {"Bearer " + sign(t, ec, jku, claims("a4")), 200},
		"with a tenant":     {"Bearer " + sign(t, ec, typJWT, with(claims("a5"), "tenant", "t")), 200},
		"no header":         {"", 401},
		"basic":             {"Basic " + sign(t, ec, typJWT, claims("b1")), 401},
		"nonsense":          {"Bearer a.b.c", 401},
		"none":              {"Bearer eyJhbGciOiJub25lIiwidHlwIjoiSldUIiwia2lkIjoiZWMxIn0." + parts[1] + ".", 401},
		"symmetric":         {"Bearer " + sign(t, hmac, typJWT, claims("b2")), 401},
		"ES256":             {"Bearer " + sign(t, pair{jose.ES256, "ec1", p256, nil}, typJWT, claims("b3")), 401},
		"RS256":             {"Bearer " + sign(t, pair{jose.RS256, "rs1", rs.priv, nil}, typJWT, claims("b4")), 401},
		"another's key":     {"Bearer " + sign(t, stranger, typJWT, claims("b5")), 401},
		"no kid":            {"Bearer " + sign(t, pair{jose.ES384, "", ec.priv, nil}, typJWT, claims("b6")), 401},
		"unknown kid":       {"Bearer " + sign(t, pair{jose.ES384, "ec9", ec.priv, nil}, typJWT, claims("b7")), 401},
		"no typ":            {"Bearer " + sign(t, ec, nil, claims("b8")), 401},
		"another jku":       {"Bearer " + sign(t, ec, map[jose.HeaderKey]any{jose.HeaderType: "JWT", "jku": "https://evil.invalid/jwks"}, claims("b9")), 401},
		"signature torn":    {"Bearer " + parts[0] + "." + parts[1] + "." + strings.Repeat("A", len(parts[2])), 401},
		"claims changed":    {"Bearer " + parts[0] + "." + strings.Split(sign(t, ec, typJWT, claims("other")), ".")[1] + "." + parts[2], 401},
		"no iss":            {"Bearer " + sign(t, ec, typJWT, without(claims("c1"), "iss")), 401},
		"unknown iss":       {"Bearer " + sign(t, ec, typJWT, with(claims("c2"), "iss", "https://evil.invalid")), 401},
		"iss of another":    {"Bearer " + sign(t, ec, typJWT, with(claims("c3"), "iss", "https://other.invalid")), 401},
		"no aud":            {"Bearer " + sign(t, ec, typJWT, without(claims("c4"), "aud")), 401},
		"aud elsewhere":     {"Bearer " + sign(t, ec, typJWT, with(claims("c5"), "aud", base+"/cds-services/implant-order-sign")), 401},
		"no exp":            {"Bearer " + sign(t, ec, typJWT, without(claims("c6"), "exp")), 401},
		"expired":           {"Bearer " + sign(t, ec, typJWT, with(claims("c7"), "exp", at.Add(-time.Minute).Unix())), 401},
		"expires too late":  {"Bearer " + sign(t, ec, typJWT, with(claims("c8"), "exp", at.Add(time.Hour).Unix())), 401},
		"no iat":            {"Bearer " + sign(t, ec, typJWT, without(claims("c9"), "iat")), 401},
		"iat in the future": {"Bearer " + sign(t, ec, typJWT, with(claims("d1"), "iat", at.Add(2*time.Minute).Unix())), 401},
		"issued long ago":   {"Bearer " + sign(t, ec, typJWT, with(claims("d2"), "iat", at.Add(-time.Hour).Unix())), 401},
		"not yet":           {"Bearer " + sign(t, ec, typJWT, with(claims("d3"), "nbf", at.Add(2*time.Minute).Unix())), 401},
		"no jti":            {"Bearer " + sign(t, ec, typJWT, without(claims("d4"), "jti")), 401},
		"huge jti":          {"Bearer " + sign(t, ec, typJWT, claims(strings.Repeat("j", 300))), 401},
		"huge":              {"Bearer " + sign(t, ec, typJWT, with(claims("d5"), "x", strings.Repeat("x", 20000))), 401},
	} {
		r := httptest.NewRequest("GET", "/cds-services", nil)
		if c.header != "" {
			r.Header.Set("Authorization", c.header)
		}
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		if w.Code != c.status {
			t.Errorf("%s: %d, want %d", name, w.Code, c.status)
		}
		if w.Code == 401 && (!strings.Contains(w.Body.String(), `"not authorised"`) || strings.Contains(w.Body.String(), "services")) {
			t.Errorf("%s: says too much: %s", name, w.Body)
		}
	}
}

// A token is taken once, by whatever path, until it expires; another client's jti of the same text is another.
func TestReplay(t *testing.T) {
	now := at
	ec, ec2 := ecPair(t, "k"), ecPair(t, "k")
	v, err := cds.NewVerifier(func() time.Time { return now }, cds.Client{Issuer: issuer, Sender: "hillside", Keys: keyFile(t, ec)},
		cds.Client{Issuer: "https://two.invalid", Sender: "two", Keys: keyFile(t, ec2)})
	if err != nil {
		t.Fatal(err)
	}
	take := func(raw string) error {
		r := httptest.NewRequest("GET", "/cds-services", nil)
		r.Header.Set("Authorization", "Bearer "+raw)
		_, err := v.Authenticate(r, base+"/cds-services")
		return err
	}
	raw := sign(t, ec, typJWT, claims("once"))
	if err := take(raw); err != nil {
		t.Fatal(err)
	}
	if take(raw) == nil {
		t.Error("taken twice")
	}
	if take(sign(t, ec, typJWT, with(claims("once"), "exp", at.Add(2*time.Minute).Unix()))) == nil {
		t.Error("the same jti in another token was taken")
	}
	if err := take(sign(t, ec2, typJWT, with(claims("once"), "iss", "https://two.invalid"))); err != nil {
		t.Error("another client's jti was refused")
	}
	now = at.Add(80 * time.Second) // past exp, within the leeway
	if take(raw) == nil {
		t.Error("taken again within the leeway")
	}
	now = at.Add(10 * time.Minute)
	if take(raw) == nil {
		t.Error("taken again after it expired")
	}
	if err := take(sign(t, ec, typJWT, with(with(claims("once"), "exp", now.Add(time.Minute).Unix()), "iat", now.Unix()))); err != nil {
		t.Error("a jti whose token is long over was refused")
	}
}

// A client may change its keys; an unknown key id does not make us fetch more than once a minute; a set that cannot
// be fetched again stays in use for a day.
func TestKeysByURL(t *testing.T) {
	one, two := ecPair(t, "one"), ecPair(t, "two")
	answer, fetches, down := keySet(t, one), 0, false
	web := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		fetches++
		if down {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		_, _ = w.Write(answer)
	}))
	defer web.Close()
	now := at
	keys := &access.URLKeys{URL: web.URL, Client: web.Client(), Now: func() time.Time { return now }}
	expect := func(what, kid string, found, fetched int) {
		t.Helper()
		got, err := keys.Keys(t.Context(), kid)
		if len(got) != found || fetches != fetched || err != nil {
			t.Errorf("%s: %d keys, %d fetches, %v; want %d, %d", what, len(got), fetches, err, found, fetched)
		}
	}
	expect("first", "one", 1, 1)
	expect("again", "one", 1, 1)
	expect("unknown at once", "two", 0, 1)
	answer = keySet(t, one, two)
	now = now.Add(2 * time.Minute)
	expect("unknown later", "two", 1, 2)
	expect("known", "two", 1, 2)
	down = true
	now = now.Add(2 * time.Hour)
	expect("cannot be fetched", "one", 1, 3)
	expect("not at once again", "one", 1, 3)
	now = now.Add(30 * time.Hour)
	if _, err := keys.Keys(t.Context(), "one"); err == nil {
		t.Error("keys of yesterday are in use")
	}
	down, answer, now = false, []byte(`{"keys":[]}`), now.Add(time.Hour)
	if _, err := keys.Keys(t.Context(), "one"); err == nil {
		t.Error("an empty set was taken")
	}
	answer, now = []byte(strings.Repeat(" ", 300<<10)), now.Add(time.Hour)
	if _, err := keys.Keys(t.Context(), "one"); err == nil {
		t.Error("a huge set was taken")
	}
}

func TestClientsNeedTheirNames(t *testing.T) {
	keys := keyFile(t, ecPair(t, "k"))
	good := cds.Client{Issuer: issuer, Sender: "hillside", Keys: keys}
	for name, cs := range map[string][]cds.Client{"no issuer": {{Sender: "a", Keys: keys}}, "no sender": {{Issuer: "a", Keys: keys}}, "no keys": {{Issuer: "a", Sender: "a"}}, "twice": {good, good}} {
		if _, err := cds.NewVerifier(time.Now, cs...); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	path := filepath.Join(t.TempDir(), "none.json")
	if _, err := access.ReadKeys(path); err == nil {
		t.Error("a file that is not there was read")
	}
}
