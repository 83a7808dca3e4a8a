package access

import (
	"crypto/rand"
	"crypto/rsa"
	"errors"
	"net/url"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/access/accesstest"
)

// walkIn goes through a log-in; change may spoil it at any place.
func walkIn(t *testing.T, p *accesstest.Provider, change func(keep *string, answer url.Values)) (Person, error) {
	t.Helper()
	o, err := NewOIDC(OIDCConfig{Issuer: p.URL, ClientID: "gaussline", Secret: "s", ReturnTo: "https://gaussline.invalid/login/return",
		Roles: map[string]Role{"radiographers": Radiology}, Sites: map[string]string{"north-house": "north"}, Now: p.Now})
	if err != nil {
		t.Fatal(err)
	}
	to, keep, err := o.Start(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	u, _ := url.Parse(to)
	back, _ := url.Parse(p.Answer(u.Query()))
	answer := back.Query()
	change(&keep, answer)
	return o.Finish(t.Context(), keep, answer)
}

func TestLogInElsewhere(t *testing.T) {
	c := &clock{start}
	p := accesstest.NewProvider(t, c.now)
	p.Groups = []string{"radiographers", "north-house", "football"}
	got, err := walkIn(t, p, func(*string, url.Values) {})
	if err != nil || got.Name != "oidc:"+accesstest.Subject || !got.May(SeeOrders) || got.May(SeeRecords) || !got.OfSite("north") || got.OfSite("harbour") {
		t.Fatalf("%+v %v", got, err)
	}
	stranger, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(*string, url.Values){
		"no session":         func(keep *string, _ url.Values) { *keep = "" },
		"another state":      func(_ *string, a url.Values) { a.Set("state", "x") },
		"no code":            func(_ *string, a url.Values) { a.Del("code") },
		"another code":       func(_ *string, a url.Values) { a.Set("code", "bad") },
		"another verifier":   func(keep *string, _ url.Values) { *keep = strings.Replace(*keep, `"Verifier":"`, `"Verifier":"x`, 1) },
		"replayed nonce":     func(*string, url.Values) { p.Nonce = "of another log-in" },
		"another audience":   func(*string, url.Values) { p.Audience = "somebody else" },
		"signed by stranger": func(*string, url.Values) { p.Stranger = stranger },
		"no role here":       func(*string, url.Values) { p.Groups = []string{"football"} },
		"expired":            func(*string, url.Values) { p.Now = func() time.Time { return start.Add(-time.Hour) } },
	} {
		p.Audience, p.Stranger, p.Groups, p.Now = "gaussline", nil, []string{"radiographers"}, c.now
		if got, err := walkIn(t, p, spoil); !errors.Is(err, ErrOutside) || got.Name != "" {
			t.Errorf("%s: %+v %v", name, got, err)
		}
	}
	for _, bad := range []OIDCConfig{{}, {Issuer: "x", ClientID: "y", ReturnTo: "z", Roles: map[string]Role{"g": Sender}}, {Issuer: "x", ClientID: "y", ReturnTo: "z"}} {
		if _, err := NewOIDC(bad); err == nil {
			t.Errorf("%+v accepted", bad)
		}
	}
}
