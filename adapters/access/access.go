// Package access says who a caller is, what the caller may do, and keeps the audit of it. Machines come with bearer
// tokens whose SHA-256 is in the configuration; people with a local account or through OpenID Connect. It knows no
// routes, no pages and no patients: what an audit line is about is an opaque id.
package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// Caller is who a request comes from.
type Caller struct {
	Name  string
	Role  Role
	Sites []string // whose orders a radiology system sees
}

// Token is a configured token: the hash, never the token.
type Token struct {
	Caller
	SHA256 [sha256.Size]byte
}

// ParseHash reads the hex SHA-256 of a token from the configuration.
func ParseHash(s string) (h [sha256.Size]byte, err error) {
	b, err := hex.DecodeString(strings.TrimSpace(s))
	if err != nil || len(b) != len(h) {
		return h, fmt.Errorf("want the SHA-256 of a token as %d hex digits", 2*len(h))
	}
	copy(h[:], b)
	return h, nil
}

// HashToken gives what the configuration keeps of a token.
func HashToken(token string) string {
	h := sha256.Sum256([]byte(token))
	return hex.EncodeToString(h[:])
}

// NewToken makes a random token of 256 bits.
func NewToken() string {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // crypto/rand.Read never fails
	return base64.RawURLEncoding.EncodeToString(b)
}

// Guard knows the tokens.
type Guard struct {
	tokens []Token
	issuer *Issuer // nil: no issued tokens
	certs  map[string]Caller
}

// With lets in callers with tokens of an issuer too.
func (g *Guard) With(i *Issuer) *Guard { return &Guard{tokens: g.tokens, issuer: i, certs: g.certs} }

// WithCertificates lets in callers by the subject of a client certificate (RFC 4514 text) that the TLS server has
// verified against its client authorities.
func (g *Guard) WithCertificates(certs map[string]Caller) *Guard {
	return &Guard{tokens: g.tokens, issuer: g.issuer, certs: certs}
}

// NewGuard makes a guard. Two callers with one token are refused: the audit could not tell them apart.
func NewGuard(tokens []Token) (*Guard, error) {
	seen := map[[sha256.Size]byte]string{}
	for _, t := range tokens {
		if other, ok := seen[t.SHA256]; ok {
			return nil, fmt.Errorf("%s and %s have the same token", other, t.Name)
		}
		seen[t.SHA256] = t.Name
	}
	return &Guard{tokens: tokens}, nil
}

// Who finds the caller of a request by its bearer token, or by its client certificate. One who shows both must be the
// same by both: a certificate is never a way around a bad token.
func (g *Guard) Who(r *http.Request) (Caller, bool) {
	byCert, certKnown := g.byCertificate(r)
	auth := r.Header.Get("Authorization")
	if auth == "" {
		return byCert, certKnown
	}
	byToken, ok := g.byToken(auth)
	if !ok || certKnown && (byCert.Name != byToken.Name || byCert.Role != byToken.Role) {
		return Caller{}, false
	}
	return byToken, true
}

func (g *Guard) byCertificate(r *http.Request) (Caller, bool) {
	if r.TLS == nil || len(r.TLS.VerifiedChains) == 0 {
		return Caller{}, false
	}
	c, ok := g.certs[r.TLS.VerifiedChains[0][0].Subject.String()]
	return c, ok
}

// byToken compares every token, in constant time.
func (g *Guard) byToken(auth string) (Caller, bool) {
	token, ok := strings.CutPrefix(auth, "Bearer ")
	if !ok || token == "" {
		return Caller{}, false
	}
	h := sha256.Sum256([]byte(token))
	var found Caller
	for _, t := range g.tokens {
		if subtle.ConstantTimeCompare(h[:], t.SHA256[:]) == 1 {
			found = t.Caller
		}
	}
	if found.Name == "" && g.issuer != nil {
		return g.issuer.who(h)
	}
	return found, found.Name != ""
}

// Address gives the network address a request comes from. What a proxy says of its client (X-Forwarded-For) is believed
// only of the proxies named, from the nearest on; nobody else can choose their address.
func Address(r *http.Request, proxies []netip.Prefix) string {
	at, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		at = r.RemoteAddr
	}
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for _, hop := range slices.Backward(hops) {
		here, err := netip.ParseAddr(at)
		if err != nil || !slices.ContainsFunc(proxies, func(p netip.Prefix) bool { return p.Contains(here.Unmap()) }) {
			return at
		}
		next, err := netip.ParseAddr(strings.TrimSpace(hop))
		if err != nil {
			return at
		}
		at = next.String()
	}
	return at
}
