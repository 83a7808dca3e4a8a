package access

import (
	"context"
	"crypto/ecdsa"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

// Times of SMART Backend Services (SMART App Launch 2.2, "Backend Services"): an assertion lives at most five minutes,
// and a token should not live longer than five.
const (
	maxAssertion  = 5 * time.Minute
	tokenLasts    = 5 * time.Minute
	clockSkew     = 30 * time.Second
	maxIssued     = 10000 // tokens and remembered assertions
	assertionType = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
	minRSABits    = 2048
	maxID         = 256 // bytes of a jti
)

// Client is a machine that signs for itself.
type Client struct {
	Caller
	ID   string // client id: iss and sub of its assertions
	Keys Keys
	JKU  string // the only jku its assertions may name; "" none
}

// scopes are what a token of a role is for, in the words of SMART App Launch 2.2 where it has them (create and update
// of every type, by a system), and in our own for what is not FHIR. The first is what is granted; the others ask for it
// too: the older form of SMART 1.
var scopes = map[Role][]string{
	Sender:    {"system/*.cu", "system/*.write"},
	Radiology: {"radiology/notes.ru"},
	Registry:  {"registry/months.r"},
	Operator:  {"operations/metrics.r"},
}

// granted gives the scope of a role, "" when none of those asked for is the role's.
func granted(r Role, asked string) string {
	for _, s := range strings.Fields(asked) {
		if slices.Contains(scopes[r], s) {
			return scopes[r][0]
		}
	}
	return ""
}

// ParseKeys reads a JWK set: RSA keys of at least 2048 bits, or P-384, each with a key id; public keys only.
func ParseKeys(b []byte) (set jose.JSONWebKeySet, err error) {
	if err := json.Unmarshal(b, &set); err != nil {
		return set, fmt.Errorf("JWK set: %w", err)
	}
	if len(set.Keys) == 0 {
		return set, errors.New("JWK set: no key")
	}
	for _, k := range set.Keys {
		switch pub := k.Key.(type) {
		case *rsa.PublicKey:
			if pub.N.BitLen() < minRSABits {
				return set, fmt.Errorf("JWK set: key %q has %d bits, want %d", k.KeyID, pub.N.BitLen(), minRSABits)
			}
		case *ecdsa.PublicKey:
			if pub.Curve.Params().BitSize != 384 {
				return set, fmt.Errorf("JWK set: key %q: want P-384", k.KeyID)
			}
		default:
			return set, fmt.Errorf("JWK set: key %q is no public RSA or P-384 key", k.KeyID)
		}
		if k.KeyID == "" {
			return set, errors.New("JWK set: a key without kid")
		}
	}
	return set, nil
}

// Issuer gives short-lived tokens for signed assertions. It is the token endpoint. What it gave and what it took is
// kept in memory: after a restart machines ask again, and an assertion could be used once more within its five minutes.
type Issuer struct {
	Clients  []Client
	TokenURL string // its public address: the audience of assertions
	Now      func() time.Time
	// Note keeps who was given a token, and what was refused; nothing is given when it fails. nil: nobody.
	Note func(context.Context, Event) error
	From func(*http.Request) string // network address of a caller, for Note and Tries; nil: none
	// Tries slows guessing down by address; nil: no limit. Only what is refused counts.
	Tries *Limiter

	mu     sync.Mutex
	tokens map[[sha256.Size]byte]issued
	seen   map[string]time.Time // client and jti → until when it would be taken
}

type issued struct {
	caller Caller
	until  time.Time
}

// errAssertion: not accepted. The caller is not told why; the log is.
var errAssertion = errors.New("client assertion not accepted")

// ServeHTTP answers a token request (RFC 6749, 4.4; RFC 7523).
func (i *Issuer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	answer := func(status int, v map[string]any) {
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Cache-Control", "no-store")
		w.WriteHeader(status)
		_ = json.NewEncoder(w).Encode(v)
	}
	refuse := func(status int, code string) { answer(status, map[string]any{"error": code}) }
	from := ""
	if i.From != nil {
		from = i.From(r)
	}
	note := func(e Event) bool {
		e.Action, e.What, e.From = Executed, "token", from
		return i.Note == nil || i.Note(r.Context(), e) == nil
	}
	switch {
	case r.Method != http.MethodPost:
		refuse(http.StatusMethodNotAllowed, "invalid_request")
		return
	case i.Tries != nil && !i.Tries.Allow(from):
		w.Header().Set("Retry-After", "900")
		refuse(http.StatusTooManyRequests, "temporarily_unavailable")
		return
	case r.PostFormValue("grant_type") != "client_credentials":
		refuse(http.StatusBadRequest, "unsupported_grant_type")
		return
	case r.PostFormValue("client_assertion_type") != assertionType:
		refuse(http.StatusBadRequest, "invalid_request")
		return
	}
	caller, err := i.check(r.Context(), r.PostFormValue("client_assertion"))
	if err != nil {
		note(Event{Refused: true})
		refuse(http.StatusBadRequest, "invalid_client")
		return
	}
	if i.Tries != nil {
		i.Tries.Undo(from)
	}
	scope := granted(caller.Role, r.PostFormValue("scope"))
	if scope == "" {
		refuse(http.StatusBadRequest, "invalid_scope")
		return
	}
	if !note(Event{Who: caller.Name, Role: string(caller.Role)}) {
		refuse(http.StatusServiceUnavailable, "temporarily_unavailable")
		return
	}
	token, ok := i.issue(caller)
	if !ok {
		refuse(http.StatusServiceUnavailable, "temporarily_unavailable")
		return
	}
	answer(http.StatusOK, map[string]any{"access_token": token, "token_type": "bearer", "expires_in": int(tokenLasts.Seconds()), "scope": scope})
}

// Discover answers with what a client must know to ask for a token (SMART App Launch 2.2, "Conformance").
func (i *Issuer) Discover(w http.ResponseWriter, _ *http.Request) {
	var offered []string
	for _, r := range []Role{Sender, Registry, Operator, Radiology} {
		if slices.ContainsFunc(i.Clients, func(c Client) bool { return c.Role == r }) {
			offered = append(offered, scopes[r]...)
		}
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]any{"token_endpoint": i.TokenURL, "grant_types_supported": []string{"client_credentials"},
		"token_endpoint_auth_methods_supported": []string{"private_key_jwt"}, "token_endpoint_auth_signing_alg_values_supported": []string{"RS384", "ES384"},
		"scopes_supported": offered, "code_challenge_methods_supported": []string{"S256"},
		"capabilities": []string{"client-confidential-asymmetric", "permission-v1", "permission-v2"}})
}

// check takes an assertion once.
func (i *Issuer) check(ctx context.Context, raw string) (Caller, error) {
	tok, err := jwt.ParseSigned(raw, []jose.SignatureAlgorithm{jose.RS384, jose.ES384})
	if err != nil || len(tok.Headers) != 1 || tok.Headers[0].KeyID == "" {
		return Caller{}, errAssertion
	}
	head := tok.Headers[0]
	var claimed jwt.Claims // says only whose keys to try; nothing of it is believed yet
	if err := tok.UnsafeClaimsWithoutVerification(&claimed); err != nil {
		return Caller{}, errAssertion
	}
	n := slices.IndexFunc(i.Clients, func(c Client) bool { return c.ID == claimed.Issuer })
	if n < 0 {
		return Caller{}, errAssertion
	}
	c := i.Clients[n]
	if jku, named := head.ExtraHeaders["jku"]; named && (c.JKU == "" || jku != c.JKU) {
		return Caller{}, errAssertion
	}
	keys, err := c.Keys.Keys(ctx, head.KeyID)
	if err != nil {
		return Caller{}, errAssertion
	}
	for _, k := range keys {
		var claims jwt.Claims
		if tok.Claims(k.Key, &claims) == nil {
			return c.Caller, i.accept(c, claims)
		}
	}
	return Caller{}, errAssertion
}

func (i *Issuer) accept(c Client, cl jwt.Claims) error {
	now := i.Now()
	want := jwt.Expected{Issuer: c.ID, Subject: c.ID, AnyAudience: jwt.Audience{i.TokenURL}, Time: now}
	if cl.Expiry == nil || cl.ID == "" || len(cl.ID) > maxID || cl.ValidateWithLeeway(want, clockSkew) != nil || cl.Expiry.Time().Sub(now) > maxAssertion+clockSkew {
		return errAssertion
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.sweep(now)
	key := c.ID + "\x00" + cl.ID
	if _, used := i.seen[key]; used || len(i.seen) >= maxIssued {
		return errAssertion
	}
	if i.seen == nil {
		i.seen = map[string]time.Time{}
	}
	i.seen[key] = cl.Expiry.Time().Add(clockSkew)
	return nil
}

func (i *Issuer) issue(c Caller) (string, bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if len(i.tokens) >= maxIssued {
		return "", false
	}
	if i.tokens == nil {
		i.tokens = map[[sha256.Size]byte]issued{}
	}
	token := NewToken()
	i.tokens[sha256.Sum256([]byte(token))] = issued{c, i.Now().Add(tokenLasts)}
	return token, true
}

func (i *Issuer) sweep(now time.Time) {
	for k, t := range i.seen {
		if now.After(t) {
			delete(i.seen, k)
		}
	}
	for k, t := range i.tokens {
		if !now.Before(t.until) {
			delete(i.tokens, k)
		}
	}
}

// who finds the caller of an issued token by its hash.
func (i *Issuer) who(h [sha256.Size]byte) (Caller, bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	t, ok := i.tokens[h]
	return t.caller, ok && i.Now().Before(t.until)
}
