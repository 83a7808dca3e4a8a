package access

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// OIDCConfig says who logs people in for us, and what their claims mean.
type OIDCConfig struct {
	Issuer, ClientID, Secret string
	ReturnTo                 string            // our /login/return, as registered there
	RoleClaim                string            // claim with a list of groups; default "groups"
	Scopes                   []string          // asked for beside openid and profile; default the role claim
	Roles                    map[string]Role   // group → role; other groups give nothing
	Sites                    map[string]string // group → radiology site
	Senders                  map[string]string // group → sender
	Client                   *http.Client      // nil: a client with a time limit
	Now                      func() time.Time  // nil: the clock
}

// OIDC logs people in through an OpenID Connect provider: authorisation code flow with PKCE, state and nonce.
type OIDC struct {
	OIDCConfig

	mu       sync.Mutex
	provider *oidc.Provider // found at first use, so that the service starts while the provider is down
}

// ErrOutside: the log-in elsewhere did not give somebody with a role here.
var ErrOutside = errors.New("log-in elsewhere not accepted")

// NewOIDC checks the configuration; it asks nobody yet.
func NewOIDC(c OIDCConfig) (*OIDC, error) {
	if c.RoleClaim == "" {
		c.RoleClaim = "groups"
	}
	if len(c.Scopes) == 0 {
		c.Scopes = []string{c.RoleClaim}
	}
	if c.Client == nil {
		c.Client = &http.Client{Timeout: 10 * time.Second}
	}
	for g, r := range c.Roles {
		if !slices.Contains(PeopleRoles(), r) {
			return nil, fmt.Errorf("group %s: %q is no role of people", g, r)
		}
	}
	if c.Issuer == "" || c.ClientID == "" || c.ReturnTo == "" || len(c.Roles) == 0 {
		return nil, errors.New("issuer, client id, return address and roles are needed")
	}
	return &OIDC{OIDCConfig: c}, nil
}

func (o *OIDC) flow(ctx context.Context) (*oidc.Provider, oauth2.Config, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.provider == nil { // its keys are fetched with this context for as long as we run
		p, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), o.Client), o.Issuer)
		if err != nil {
			return nil, oauth2.Config{}, fmt.Errorf("OpenID provider: %w", err)
		}
		o.provider = p
	}
	return o.provider, oauth2.Config{ClientID: o.ClientID, ClientSecret: o.Secret, RedirectURL: o.ReturnTo,
		Endpoint: o.provider.Endpoint(), Scopes: append([]string{oidc.ScopeOpenID, "profile"}, o.Scopes...)}, nil
}

// kept is what the return must match; it stays in the session.
type kept struct{ State, Nonce, Verifier string }

// Start gives the address to send the browser to, and what to keep in its session until it returns.
func (o *OIDC) Start(ctx context.Context) (to, keep string, err error) {
	_, conf, err := o.flow(ctx)
	if err != nil {
		return "", "", err
	}
	k := kept{State: NewToken(), Nonce: NewToken(), Verifier: oauth2.GenerateVerifier()}
	b, err := json.Marshal(k)
	return conf.AuthCodeURL(k.State, oidc.Nonce(k.Nonce), oauth2.S256ChallengeOption(k.Verifier)), string(b), err
}

// Finish takes the answer and gives the person. Every refusal wraps ErrOutside.
func (o *OIDC) Finish(ctx context.Context, keep string, answer url.Values) (Person, error) {
	var k kept
	if json.Unmarshal([]byte(keep), &k) != nil || k.State == "" || answer.Get("state") != k.State || answer.Get("code") == "" {
		return Person{}, fmt.Errorf("%w: state", ErrOutside)
	}
	p, conf, err := o.flow(ctx)
	if err != nil {
		return Person{}, err
	}
	token, err := conf.Exchange(oidc.ClientContext(ctx, o.Client), answer.Get("code"), oauth2.VerifierOption(k.Verifier))
	var refused *oauth2.RetrieveError
	if errors.As(err, &refused) { // its text holds the whole answer, which is not for a log
		return Person{}, fmt.Errorf("%w: code: the provider said %q", ErrOutside, refused.ErrorCode)
	}
	if err != nil {
		return Person{}, fmt.Errorf("%w: code: %w", ErrOutside, err)
	}
	raw, _ := token.Extra("id_token").(string)
	id, err := p.Verifier(&oidc.Config{ClientID: o.ClientID, Now: o.Now}).Verify(ctx, raw)
	if err != nil {
		return Person{}, fmt.Errorf("%w: id token: %w", ErrOutside, err)
	}
	if id.Nonce != k.Nonce {
		return Person{}, fmt.Errorf("%w: nonce", ErrOutside)
	}
	return o.person(id)
}

func (o *OIDC) person(id *oidc.IDToken) (Person, error) {
	var claims map[string]any
	if err := id.Claims(&claims); err != nil {
		return Person{}, fmt.Errorf("%w: claims: %w", ErrOutside, err)
	}
	name, _ := claims["name"].(string)
	p := Person{Name: "oidc:" + id.Subject, Display: name}
	list, _ := claims[o.RoleClaim].([]any)
	for _, x := range list {
		g, _ := x.(string)
		if r, ok := o.Roles[g]; ok && !slices.Contains(p.Roles, r) {
			p.Roles = append(p.Roles, r)
		}
		if s, ok := o.Sites[g]; ok {
			p.Sites = append(p.Sites, s)
		}
		if s, ok := o.Senders[g]; ok {
			p.Senders = append(p.Senders, s)
		}
	}
	if len(p.Roles) == 0 {
		return Person{}, fmt.Errorf("%w: no role", ErrOutside)
	}
	return p, nil
}
