package main

import (
	"context"
	"crypto/x509/pkix"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"maps"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
	"go.uber.org/zap/zapcore"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

// Who may go where, written out anew so that a slip in the code's own tables is seen. Callers: nobody; people by role
// (p-); machines by token (m-): sender, registry, operator, radiology; ordering is a system that asks by CDS Hooks, whose tokens
// are for one address each. "all" is everybody, "people" everybody who has logged in.
var mayGo = map[string]string{
	// machines
	"POST /fhir": "m-sender", "POST /fhir/{$}": "m-sender", "POST /fhir/$process-message": "m-sender", "POST /fhir/{type}": "m-sender",
	"PUT /fhir/{type}/{id}": "m-sender", "GET /fhir/outcome/{id}": "m-sender",
	"GET /fhir/metadata": "all", "GET /metadata": "all", "GET /healthz": "all", "GET /readyz": "all",
	"GET /metrics":   "m-operator",
	"GET /registry/": "m-registry", "GET /registry/{$}": "m-registry", "GET /registry/dictionary": "m-registry", "GET /registry/months": "m-registry", "GET /registry/months/{$}": "m-registry", "GET /registry/months/{month}": "m-registry", "GET /registry/months/{month}/{file}": "m-registry",
	"GET /registry/quality": "m-registry", "GET /registry/quality/{file}": "m-registry", "GET /registry/figures": "m-registry", "GET /registry/figures/{file}": "m-registry",
	"DELETE /registry/": "m-registry", "GET /registry/fhir/$export": "m-registry", "GET /registry/fhir/jobs/{job}": "m-registry",
	"DELETE /registry/fhir/jobs/{job}": "m-registry", "GET /registry/fhir/jobs/{job}/{file}": "m-registry",
	"GET /registry/rekey": "m-registry", "GET /registry/rekey/{file}": "m-registry",
	"GET /radiology/orders": "m-radiology", "GET /radiology/note": "m-radiology", "POST /radiology/read": "m-radiology",
	"POST /token": "all", "GET /fhir/.well-known/smart-configuration": "all", "GET /.well-known/smart-configuration": "all",
	"GET /cds-services": "ordering", "POST /cds-services/{id}": "ordering", "POST /cds-services/{id}/feedback": "ordering",
	"/cds-services": "ordering", "/cds-services/": "all", // nothing is there
	// people
	"GET /{$}": "people", "GET /login": "all", "POST /login": "all", "POST /logout": "all", "GET /login/outside": "all", "GET /login/return": "all",
	"GET /welcome/{token}": "all", "POST /welcome/{token}": "all", "GET /static/": "all", "/": "all", // nothing is there
	"GET /worklist": "p-radiology", "GET /orders/{id}": "p-radiology", "GET /orders/{id}/sheet": "p-radiology", "POST /orders/{id}/read": "p-radiology",
	"GET /records": "p-clinic", "POST /records": "p-clinic",
	"GET /records/{id}": "p-clinic p-radiology", "GET /records/{id}/card": "p-clinic p-radiology", // radiology is asked for a reason
	"GET /records/{id}/open": "p-clinic p-radiology", "POST /records/{id}/open": "p-clinic p-radiology",
	"GET /review": "p-clinic", "GET /review/{id}/{question}": "p-clinic", "POST /review/{id}/{question}": "p-clinic",
	"GET /reports": "p-registry", "GET /reports/{report}/{file}": "p-registry",
	"GET /months": "p-registry", "GET /months/{period}/{file}": "p-registry", "GET /months/{period}/check": "p-registry",
	"GET /months/{period}/close": "p-registry", "POST /months/{period}/close": "p-registry",
	"GET /trace": "p-clinic p-safety", "POST /trace": "p-clinic p-safety", "POST /trace/notice": "p-safety",
	"GET /labelling": "p-safety", "GET /operations": "p-clinic p-operator p-safety", "POST /operations/rejects/{id}": "p-clinic p-operator p-safety",
	"GET /people": "p-administrator", "POST /people": "p-administrator",
	"GET /audit": "p-safety p-administrator", "GET /audit/lines": "p-safety p-administrator", "GET /audit/fhir": "p-safety p-administrator",
}

// served are the packages that register what is served. What the HTTP server of another package would listen to is not
// at this address.
var served = []string{".", "../../adapters/fhirapi", "../../adapters/pages", "../../adapters/cds", "../../adapters/files", "../../adapters/access", "../../adapters/radiology"}

var isPattern = regexp.MustCompile(`^(GET|POST|PUT|PATCH|DELETE|HEAD|OPTIONS) /`)

// registered reads every pattern out of the source: what is given to Handle or HandleFunc, and every word that looks
// like one. A route that is added anywhere is found here, and fails the test until it has a row.
func registered(t *testing.T) []string {
	t.Helper()
	found := map[string]bool{}
	for _, dir := range served {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", dir, len(files), err)
		}
		for _, file := range files {
			if !strings.HasSuffix(file, "_test.go") {
				patterns(t, file, found)
			}
		}
	}
	return slices.Sorted(maps.Keys(found))
}

func patterns(t *testing.T, file string, found map[string]bool) {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	text := func(n ast.Node) string {
		l, ok := n.(*ast.BasicLit)
		if !ok || l.Kind != token.STRING {
			return ""
		}
		s, _ := strconv.Unquote(l.Value)
		return s
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if s := text(n); isPattern.MatchString(s) {
			found[s] = true
		}
		call, ok := n.(*ast.CallExpr)
		if !ok || len(call.Args) < 2 {
			return true
		}
		if sel, ok := call.Fun.(*ast.SelectorExpr); ok && (sel.Sel.Name == "Handle" || sel.Sel.Name == "HandleFunc") {
			if s := text(call.Args[0]); strings.HasPrefix(s, "/") {
				found[s] = true
			}
		}
		return true
	})
}

const (
	phrase     = "a long invented pass phrase"
	orderingID = "https://ordering.hillside.invalid"
)

// peopleOfScenario are invented accounts, one a role, who see every site and sender.
func peopleOfScenario() []access.Person {
	var out []access.Person
	for _, role := range access.PeopleRoles() {
		out = append(out, access.Person{Name: string(role), Display: "Invented " + string(role), Roles: []access.Role{role},
			Sites: []string{access.Everything}, Senders: []string{access.Everything}})
	}
	return out
}

// secured is the scenario over TLS with an account for each role.
func secured(t testing.TB, change func(dir, text string) string) (*running, *authority) {
	t.Helper()
	ours := newAuthority(t, "site")
	cert, key := ours.issue(pkix.Name{CommonName: "server"})
	r := runScenario(t, fmt.Sprintf(", tls_cert: %q, tls_key: %q", cert, key), change)
	o, err := r.office(t.Context())
	r.ok(err)
	for _, p := range peopleOfScenario() {
		r.ok(o.accounts.Put(t.Context(), "test", p, false))
		link, err := o.accounts.Invite(t.Context(), p.Name)
		r.ok(err)
		_, err = o.accounts.Accept(t.Context(), link, phrase)
		r.ok(err)
	}
	return r, ours
}

// caller sends requests as somebody.
type caller struct {
	name string
	c    *http.Client
	sign func(path string) string // bearer token for a path; nil none
}

func (k caller) send(t *testing.T, method, base, path string) (*http.Response, string) {
	t.Helper()
	q, err := http.NewRequest(method, base+path, strings.NewReader(""))
	if err != nil {
		t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/fhir+json")
	if strings.HasPrefix(k.name, "p-") {
		q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if k.sign != nil {
		q.Header.Set("Authorization", "Bearer "+k.sign(path))
	}
	res, err := k.c.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res, string(b)
}

// callersOf are nobody, every role of people, every role of machines, and an ordering system.
func callersOf(t *testing.T, r *running, ours *authority, key *signer) []caller {
	t.Helper()
	plain := tlsClient(t, ours, "", "")
	out := []caller{{name: "nobody", c: plain}}
	for name, tok := range map[string]string{"m-sender": "hillside", "m-registry": "registry-office", "m-operator": "operator", "m-radiology": "ris-north"} {
		out = append(out, caller{name, plain, func(string) string { return r.tokens[tok] }})
	}
	out = append(out, caller{"ordering", plain, key.forCDS})
	for _, p := range peopleOfScenario() {
		c := tlsClient(t, ours, "", "")
		c.Jar, _ = cookiejar.New(nil)
		res, err := c.PostForm(r.url+"/login", url.Values{"name": {p.Name}, "password": {phrase}})
		r.ok(err)
		if _ = res.Body.Close(); res.StatusCode != http.StatusSeeOther {
			t.Fatalf("log-in of %s: %d", p.Name, res.StatusCode)
		}
		out = append(out, caller{name: "p-" + p.Name, c: c})
	}
	return out
}

// forCDS makes a token for one address (CDS Hooks 2.0, "Trusting CDS Clients").
func (s *signer) forCDS(path string) string {
	s.t.Helper()
	sig, err := jose.NewSigner(jose.SigningKey{Algorithm: s.alg, Key: jose.JSONWebKey{Key: s.key, KeyID: s.kid}}, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		s.t.Fatal(err)
	}
	s.made++
	raw, err := jwt.Signed(sig).Claims(map[string]any{"iss": s.id, "aud": publicBase + path, "iat": demoDay.Unix(), "exp": demoDay.Add(time.Minute).Unix(), "jti": fmt.Sprint(s.made)}).Serialize()
	if err != nil {
		s.t.Fatal(err)
	}
	return raw
}

// Every route that is served, with every role and with nobody: who may not come in is refused or sent to the log-in,
// sees nothing of a patient, and nothing fails inside.
func TestEveryRouteWithEveryRole(t *testing.T) {
	for _, p := range registered(t) {
		if mayGo[p] == "" {
			t.Errorf("%s is registered and has no row: say who may go there", p)
		}
	}
	key, jwks := newSigner(t, orderingID)
	r, ours := secured(t, func(dir, text string) string {
		writeFile(t, filepath.Join(dir, "ordering.jwks"), jwks)
		writeFile(t, filepath.Join(dir, "hillside.jwks"), jwks)
		text = strings.Replace(text, "name: hillside,", "name: hillside, client_id: hillside-client, jwks_file: hillside.jwks,", 1)
		return text + fmt.Sprintf("cds: [{issuer: %q, sender: hillside, jwks_file: ordering.jwks}]\n", orderingID)
	})
	fill := r.paths()
	callers := callersOf(t, r, ours, key)
	for pattern, who := range mayGo {
		method, path, ok := strings.Cut(fill.Replace(pattern), " ")
		if !ok { // a whole tree
			method, path = http.MethodGet, pattern
		}
		if pattern == "/" {
			path = "/nowhere"
		}
		for _, k := range callers {
			if pattern == "POST /logout" && strings.HasPrefix(k.name, "p-") {
				continue // it is meant to end the session
			}
			res, body := k.send(t, method, r.url, path)
			in := res.StatusCode != http.StatusForbidden && res.StatusCode != http.StatusUnauthorized &&
				!(res.Header.Get("Location") == "/login" && pattern != "POST /logout")
			if strings.HasSuffix(pattern, "login") && method == http.MethodPost {
				in = res.StatusCode == http.StatusUnauthorized || res.StatusCode == http.StatusTooManyRequests // open, and this is nobody's name
			}
			if pattern == "GET /login/return" { // a return that nobody asked for
				in = res.StatusCode == http.StatusNotFound
			}
			want := who == "all" || who == "people" && strings.HasPrefix(k.name, "p-") || slices.Contains(strings.Fields(who), k.name)
			if in != want {
				t.Errorf("%s as %s: %d, let in %v, want %v", pattern, k.name, res.StatusCode, in, want)
			}
			if !want && (strings.Contains(body, "Lorrimoor") || strings.Contains(body, "H-0012")) {
				t.Errorf("%s as %s: refused and still shows the patient", pattern, k.name)
			}
			if res.StatusCode >= 500 {
				t.Errorf("%s as %s: %d", pattern, k.name, res.StatusCode)
			}
			if res.Header.Get("X-Content-Type-Options") != "nosniff" {
				t.Errorf("%s as %s: no nosniff", pattern, k.name)
			}
		}
	}
	r.noErrorLogged()
}

// noErrorLogged: nothing so far was an error inside.
func (r *running) noErrorLogged() {
	r.t.Helper()
	for _, e := range r.logs.All() {
		if e.Level >= zapcore.ErrorLevel {
			r.t.Errorf("logged: %s %v", e.Message, e.ContextMap())
		}
	}
}

// paths fills the parts of the patterns with things of the scenario: a patient whose name must not be seen.
func (r *running) paths() *strings.Replacer {
	r.t.Helper()
	ctx := context.Background()
	rec, err := r.service.RecordAsOf(ctx, "hillside|Patient/p12", time.Time{}, time.Time{})
	r.ok(err)
	o, err := r.office(ctx)
	r.ok(err)
	order := ""
	r.ok(r.store.View(ctx, func(q pipeline.Reader) error {
		vs, err := q.Verdicts(ctx, "", pipeline.VerdictInForce)
		for _, v := range vs {
			if v.Referral == "hillside|ServiceRequest/l-mr" {
				order = o.seal.ID("order", v.Referral)
			}
		}
		return err
	}))
	if order == "" || len(rec.Questions) == 0 {
		r.t.Fatal("the scenario has no order, or no question")
	}
	return strings.NewReplacer("/orders/{id}", "/orders/"+order, "/rejects/{id}", "/rejects/none", "/cds-services/{id}", "/cds-services/implant-order-sign",
		"/fhir/{type}/{id}", "/fhir/Patient/x", "{id}", o.seal.ID("record", rec.Patient), "{question}", rec.Questions[0].ID, "/reports/{report}/{file}", "/reports/quality/quality.csv", "{period}", "2026-05",
		"{month}", "2026-06", "{file}", "datapackage.json", "{token}", "none", "{$}", "", "{type}", "Patient")
}
