package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"gaussline/adapters/access"
	"gaussline/adapters/access/accesstest"
)

const invented = `{"resourceType":"Patient","id":"p77","identifier":[{"system":"http://hillside.invalid/mrn","value":"H-7777"}]}`

// signer makes client assertions as SMART App Launch 2.2, "Asymmetric authentication", wants them.
type signer struct {
	t    *testing.T
	alg  jose.SignatureAlgorithm
	key  any
	kid  string
	id   string
	made int
}

func (s *signer) assertion(change func(map[string]any)) string {
	s.t.Helper()
	sig, err := jose.NewSigner(jose.SigningKey{Algorithm: s.alg, Key: jose.JSONWebKey{Key: s.key, KeyID: s.kid}}, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		s.t.Fatal(err)
	}
	s.made++
	claims := map[string]any{"iss": s.id, "sub": s.id, "aud": publicBase + "/token", "exp": demoDay.Add(4 * time.Minute).Unix(), "jti": fmt.Sprint(s.kid, s.made)}
	change(claims)
	raw, err := jwt.Signed(sig).Claims(claims).Serialize()
	if err != nil {
		s.t.Fatal(err)
	}
	return raw
}

// newSigner makes a P-384 signer and the JWK set that it publishes.
func newSigner(t *testing.T, id string) (*signer, []byte) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return &signer{t: t, alg: jose.ES384, key: key, kid: "e", id: id}, publish(t, key.Public(), "e")
}

func publish(t *testing.T, key any, kid string) []byte {
	t.Helper()
	b, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: key, KeyID: kid}}})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func writeFile(t testing.TB, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// askToken asks the token endpoint of a running service.
func askToken(t *testing.T, base, assertion, scope string) (status int, token, granted, fault string) {
	t.Helper()
	res, err := http.PostForm(base+"/token", url.Values{"grant_type": {"client_credentials"}, "scope": {scope},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"}, "client_assertion": {assertion}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	var got struct {
		Token string `json:"access_token"`
		Scope string
		Error string
	}
	if err := json.NewDecoder(res.Body).Decode(&got); err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, got.Token, got.Scope, got.Error
}

// Machines that sign for themselves, with RSA and P-384 keys, on the running service.
func TestSignedAssertionsOnTheRunningService(t *testing.T) {
	rsaKey, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	hillside, jwks := newSigner(t, "hillside-client")
	office := &signer{t: t, alg: jose.RS384, key: rsaKey, kid: "r", id: "office-client"}
	r := runScenario(t, "", func(dir, text string) string {
		writeFile(t, filepath.Join(dir, "office.jwks"), publish(t, &rsaKey.PublicKey, "r"))
		writeFile(t, filepath.Join(dir, "hillside.jwks"), jwks)
		s := strings.Replace(text, "name: registry-office,", "name: registry-office, client_id: office-client, jwks_file: office.jwks,", 1)
		return strings.Replace(s, "name: hillside,", "name: hillside, client_id: hillside-client, jwks_file: hillside.jwks,", 1)
	})
	as := func(map[string]any) {}
	a := hillside.assertion(as)
	status, token, scope, _ := askToken(t, r.url, a, "system/*.cu")
	if status != http.StatusOK || scope != "system/*.cu" {
		t.Fatalf("ES384: %d, scope %q", status, scope)
	}
	if status, body := send(t, "POST", r.url+"/fhir", token, invented); status != http.StatusAccepted {
		t.Errorf("a message with the token: %d %s", status, body)
	}
	if status, _ := send(t, "GET", r.url+"/registry/months", token, ""); status != http.StatusForbidden {
		t.Errorf("the months with a sender's token: %d", status)
	}
	status, months, scope, _ := askToken(t, r.url, office.assertion(as), "system/*.cu registry/months.r")
	if status != http.StatusOK || scope != "registry/months.r" {
		t.Fatalf("RS384: %d, scope %q", status, scope)
	}
	if status, _ := send(t, "GET", r.url+"/registry/months", months, ""); status != http.StatusOK {
		t.Errorf("the months with the office's token: %d", status)
	}
	if status, _ := send(t, "POST", r.url+"/fhir", months, invented); status != http.StatusForbidden {
		t.Errorf("a message with the office's token: %d", status)
	}
	for name, x := range map[string]struct{ assertion, scope, fault string }{
		"taken twice":     {a, "system/*.cu", "invalid_client"},
		"expired":         {hillside.assertion(func(m map[string]any) { m["exp"] = demoDay.Add(-time.Hour).Unix() }), "system/*.cu", "invalid_client"},
		"another door":    {hillside.assertion(func(m map[string]any) { m["aud"] = publicBase + "/fhir" }), "system/*.cu", "invalid_client"},
		"another's name":  {office.assertion(func(m map[string]any) { m["iss"], m["sub"] = "hillside-client", "hillside-client" }), "system/*.cu", "invalid_client"},
		"another's scope": {hillside.assertion(as), "registry/months.r", "invalid_scope"},
		"no scope":        {hillside.assertion(as), "", "invalid_scope"},
	} {
		if status, token, _, fault := askToken(t, r.url, x.assertion, x.scope); status != http.StatusBadRequest || token != "" || fault != x.fault {
			t.Errorf("%s: %d %s", name, status, fault)
		}
	}
	checkSMART(t, r.url)
	lines, err := (&access.Audit{Journal: r.journal()}).Lines(t.Context(), 0, 100)
	r.ok(err)
	given, refused := 0, 0
	for _, l := range lines {
		if e, _ := access.AuditEventOf(l); e.What == "token" && e.Refused {
			refused++
		} else if e.What == "token" {
			given++
		}
	}
	if given != 2 || refused != 4 {
		t.Errorf("the audit holds %d tokens given and %d refused, want 2 and 4", given, refused)
	}
}

// checkSMART: what discovery must hold (SMART App Launch 2.2, "Conformance", for backend services).
func checkSMART(t *testing.T, base string) {
	t.Helper()
	status, body := send(t, "GET", base+"/fhir/.well-known/smart-configuration", "", "")
	var got struct {
		Endpoint     string   `json:"token_endpoint"`
		Methods      []string `json:"token_endpoint_auth_methods_supported"`
		Algs         []string `json:"token_endpoint_auth_signing_alg_values_supported"`
		Scopes       []string `json:"scopes_supported"`
		Capabilities []string `json:"capabilities"`
	}
	if err := json.Unmarshal(body, &got); err != nil || status != http.StatusOK {
		t.Fatalf("%d %v %s", status, err, body)
	}
	all := strings.Join(append(append(append(got.Methods, got.Algs...), got.Scopes...), got.Capabilities...), " ")
	for _, want := range []string{"private_key_jwt", "RS384", "ES384", "system/*.cu", "registry/months.r", "client-confidential-asymmetric", "permission-v2"} {
		if !strings.Contains(all, want) {
			t.Errorf("discovery lacks %s", want)
		}
	}
	if got.Endpoint != publicBase+"/token" {
		t.Errorf("token endpoint %q", got.Endpoint)
	}
}

// tlsClient trusts one authority and shows a certificate, or none.
func tlsClient(t *testing.T, trust *authority, certFile, keyFile string) *http.Client {
	t.Helper()
	b, err := os.ReadFile(trust.file())
	if err != nil {
		t.Fatal(err)
	}
	c := &tls.Config{RootCAs: x509.NewCertPool()}
	c.RootCAs.AppendCertsFromPEM(b)
	if certFile != "" {
		pair, err := tls.LoadX509KeyPair(certFile, keyFile)
		if err != nil {
			t.Fatal(err)
		}
		c.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil } // whoever is asked for
	}
	tr := &http.Transport{TLSClientConfig: c}
	t.Cleanup(tr.CloseIdleConnections)
	return &http.Client{Transport: tr, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// A machine gets in by the subject of a certificate of the site's authority, and by no other.
func TestClientCertificates(t *testing.T) {
	ours, others := newAuthority(t, "site"), newAuthority(t, "elsewhere")
	cert, key := ours.issue(pkix.Name{CommonName: "server"})
	hillCert, hillKey := ours.issue(pkix.Name{CommonName: "hillside", Organization: []string{"Hillside, invented"}})
	nobodyCert, nobodyKey := ours.issue(pkix.Name{CommonName: "nobody"})
	forgedCert, forgedKey := others.issue(pkix.Name{CommonName: "hillside", Organization: []string{"Hillside, invented"}})
	r := runScenario(t, fmt.Sprintf(", tls_cert: %q, tls_key: %q, client_ca: %q", cert, key, ours.file()), func(_, text string) string {
		return strings.Replace(text, "name: hillside,", `name: hillside, certificate_subject: 'CN=hillside,O=Hillside\, invented',`, 1)
	})
	post := func(c *http.Client, token string) (int, error) {
		q, err := http.NewRequest(http.MethodPost, r.url+"/fhir", strings.NewReader(invented))
		r.ok(err)
		q.Header.Set("Content-Type", "application/fhir+json")
		if token != "" {
			q.Header.Set("Authorization", "Bearer "+token)
		}
		res, err := c.Do(q)
		if err != nil {
			return 0, err
		}
		_, _ = io.Copy(io.Discard, res.Body)
		return res.StatusCode, res.Body.Close()
	}
	hill := tlsClient(t, ours, hillCert, hillKey)
	for name, x := range map[string]struct {
		c      *http.Client
		token  string
		status int
	}{
		"certificate":                     {hill, "", http.StatusAccepted},
		"certificate and its own token":   {hill, r.tokens["hillside"], http.StatusAccepted},
		"certificate and another's token": {hill, r.tokens["quayside"], http.StatusUnauthorized},
		"certificate and a wrong token":   {hill, "wrong", http.StatusUnauthorized},
		"of nobody we know":               {tlsClient(t, ours, nobodyCert, nobodyKey), "", http.StatusUnauthorized},
		"none":                            {tlsClient(t, ours, "", ""), "", http.StatusUnauthorized},
		"none and a token":                {tlsClient(t, ours, "", ""), r.tokens["quayside"], http.StatusAccepted},
	} {
		if got, err := post(x.c, x.token); err != nil || got != x.status {
			t.Errorf("%s: %d %v, want %d", name, got, err, x.status)
		}
	}
	if _, err := post(tlsClient(t, ours, forgedCert, forgedKey), ""); err == nil {
		t.Error("a certificate of another authority is let in")
	}
	old := tlsClient(t, ours, "", "")
	old.Transport.(*http.Transport).TLSClientConfig.MaxVersion = tls.VersionTLS11
	old.Transport.(*http.Transport).TLSClientConfig.MinVersion = tls.VersionTLS10
	if _, err := post(old, r.tokens["hillside"]); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
}

// A person of the provider's groups gets the role, the site and nothing else; on the running service, over TLS.
func TestLogInElsewhereOnTheRunningService(t *testing.T) {
	ours := newAuthority(t, "site")
	cert, key := ours.issue(pkix.Name{CommonName: "server"})
	p := accesstest.NewProvider(t, func() time.Time { return demoDay })
	p.Groups = []string{"radiographers", "north-house"}
	r := runScenario(t, fmt.Sprintf(", tls_cert: %q, tls_key: %q", cert, key), func(dir, text string) string {
		writeFile(t, filepath.Join(dir, "login.secret"), []byte("s\n"))
		return text + fmt.Sprintf("login: {issuer: %q, client_id: gaussline, secret_file: login.secret, roles: {radiographers: radiology}, sites: {north-house: north}}\n", p.URL)
	})
	c := tlsClient(t, ours, "", "")
	c.Jar, _ = cookiejar.New(nil)
	visit := func(at string) (*http.Response, string) {
		t.Helper()
		res, err := c.Get(strings.Replace(at, publicBase, r.url, 1))
		r.ok(err)
		defer func() { _ = res.Body.Close() }()
		b, err := io.ReadAll(res.Body)
		r.ok(err)
		return res, string(b)
	}
	if _, page := visit(r.url + "/login"); !strings.Contains(page, "/login/outside") {
		t.Fatal("the log-in page offers no way to the provider")
	}
	res, _ := visit(r.url + "/login/outside")
	if !strings.HasPrefix(res.Header.Get("Location"), p.URL+"/authorize?") {
		t.Fatalf("sent to %s", res.Header.Get("Location"))
	}
	back, _ := visit(res.Header.Get("Location"))
	if !strings.HasPrefix(back.Header.Get("Location"), publicBase+"/login/return?") {
		t.Fatalf("sent back to %s", back.Header.Get("Location"))
	}
	if res, _ := visit(back.Header.Get("Location")); res.StatusCode != http.StatusSeeOther {
		t.Fatalf("the return: %d", res.StatusCode)
	}
	res, page := visit(r.url + "/worklist")
	if res.StatusCode != http.StatusOK || !strings.Contains(page, accesstest.Name) || strings.Contains(page, "· harbour") || !strings.Contains(page, "· north") {
		t.Errorf("the worklist: %d, not of north alone", res.StatusCode)
	}
	if res, _ := visit(r.url + "/records"); res.StatusCode != http.StatusForbidden {
		t.Errorf("the records: %d", res.StatusCode)
	}
	if res, _ := visit(back.Header.Get("Location")); res.StatusCode != http.StatusForbidden {
		t.Errorf("the same return again: %d", res.StatusCode)
	}
}
