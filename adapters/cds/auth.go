package cds

import (
	"errors"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"gaussline/adapters/access"
)

// Limits of tokens. The specification sets none; five minutes is what SMART Backend Services sets for the like.
const (
	maxToken    = 16 << 10        // bytes
	maxLifetime = 5 * time.Minute // from iat, and from now
	clockSkew   = 30 * time.Second
	maxSeen     = 200_000 // tokens remembered against replay
	maxID       = 256     // bytes of a jti
)

// errToken: the caller is not told why.
var errToken = errors.New("token not accepted")

// Client is a system that may ask.
type Client struct {
	Issuer string // iss of its tokens
	Sender string // the name under which it sends its messages: it makes the patient key
	Base   string // its FHIR base URL, "" not known
	JKU    string // the only jku its tokens may name; "" none
	Keys   access.Keys
}

// Authenticator finds out who calls. aud is the URL being called. Any error is answered with 401 and no details.
type Authenticator interface {
	Authenticate(r *http.Request, aud string) (Client, error)
}

// Anyone takes every caller for one client, without a token: for demonstrations and behind a gateway that checks.
type Anyone Client

// Authenticate implements Authenticator.
func (a Anyone) Authenticate(*http.Request, string) (Client, error) { return Client(a), nil }

// Verifier checks the JWT of each call (CDS, security: trusting the client): signature by ES384 or RS384 under an
// allowed issuer's key, aud, exp, iat, and a jti that was not used before. What was used is remembered in memory until
// it expires; after a restart a token could be used once more within its five minutes.
type Verifier struct {
	clients map[string]Client
	now     func() time.Time

	mu    sync.Mutex
	seen  map[string]time.Time // issuer and jti → until when the token would be taken
	swept time.Time
}

// NewVerifier makes a verifier for an allow-list of clients.
func NewVerifier(now func() time.Time, clients ...Client) (*Verifier, error) {
	v := &Verifier{clients: map[string]Client{}, now: now, seen: map[string]time.Time{}}
	for _, c := range clients {
		if c.Issuer == "" || c.Sender == "" || c.Keys == nil {
			return nil, errors.New("cds client: issuer, sender and keys are required")
		}
		if _, twice := v.clients[c.Issuer]; twice {
			return nil, errors.New("cds client: issuer given twice")
		}
		v.clients[c.Issuer] = c
	}
	return v, nil
}

// Authenticate implements Authenticator.
func (v *Verifier) Authenticate(r *http.Request, aud string) (Client, error) {
	scheme, raw, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") || len(raw) > maxToken {
		return Client{}, errToken
	}
	tok, err := jwt.ParseSigned(strings.TrimSpace(raw), []jose.SignatureAlgorithm{jose.ES384, jose.RS384})
	if err != nil || len(tok.Headers) != 1 || tok.Headers[0].KeyID == "" {
		return Client{}, errToken
	}
	head := tok.Headers[0]
	if typ, _ := head.ExtraHeaders[jose.HeaderType].(string); !strings.EqualFold(typ, "JWT") {
		return Client{}, errToken
	}
	var claimed jwt.Claims // says only whose keys to try; nothing of it is believed yet
	if err := tok.UnsafeClaimsWithoutVerification(&claimed); err != nil {
		return Client{}, errToken
	}
	c, ok := v.clients[claimed.Issuer]
	if !ok {
		return Client{}, errToken
	}
	if jku, named := head.ExtraHeaders["jku"]; named && (c.JKU == "" || jku != c.JKU) {
		return Client{}, errToken
	}
	keys, err := c.Keys.Keys(r.Context(), head.KeyID)
	if err != nil {
		return Client{}, err
	}
	for _, k := range keys {
		var claims jwt.Claims
		if tok.Claims(k.Key, &claims) == nil {
			return c, v.accept(claims, c.Issuer, aud)
		}
	}
	return Client{}, errToken
}

// accept checks the claims of a token whose signature holds, and takes it once.
func (v *Verifier) accept(cl jwt.Claims, issuer, aud string) error {
	now := v.now()
	if cl.Expiry == nil || cl.IssuedAt == nil || cl.ID == "" || len(cl.ID) > maxID ||
		cl.ValidateWithLeeway(jwt.Expected{Issuer: issuer, AnyAudience: jwt.Audience{aud}, Time: now}, clockSkew) != nil {
		return errToken
	}
	expires := cl.Expiry.Time()
	if expires.Sub(now) > maxLifetime+clockSkew || expires.Sub(cl.IssuedAt.Time()) > maxLifetime+clockSkew {
		return errToken
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if now.Sub(v.swept) > clockSkew || len(v.seen) >= maxSeen {
		v.swept = now
		for k, until := range v.seen {
			if now.After(until) {
				delete(v.seen, k)
			}
		}
	}
	key := issuer + "\x00" + cl.ID
	if _, used := v.seen[key]; used || len(v.seen) >= maxSeen { // full: refused rather than open to replay
		return errToken
	}
	v.seen[key] = expires.Add(clockSkew)
	return nil
}
