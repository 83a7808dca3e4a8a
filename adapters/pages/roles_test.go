package pages

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"gaussline/adapters/access"
)

func TestHeadersStandOnEveryAnswer(t *testing.T) {
	h := newHouse(t)
	v := h.visitor("")
	for _, path := range []string{"/login", "/", "/nowhere", "/static/style.css"} {
		_, _, hd := v.get(path)
		if !strings.HasPrefix(hd.Get("Content-Security-Policy"), "default-src 'none'") || strings.Contains(hd.Get("Content-Security-Policy"), "unsafe") ||
			hd.Get("X-Content-Type-Options") != "nosniff" || hd.Get("Referrer-Policy") != "no-referrer" || hd.Get("Strict-Transport-Security") == "" {
			t.Errorf("%s: %v", path, hd)
		}
	}
	if status, _, _ := v.get("/static/"); status != http.StatusNotFound {
		t.Error("the folder is listed")
	}
}

func TestSessionCookieAndItsEnd(t *testing.T) {
	h := newHouse(t)
	h.account("operator")
	v := h.visitor("")
	_, _, hd := v.post("/login", url.Values{"name": {"Operator"}, "password": {passPhrase}})
	cookie := hd.Get("Set-Cookie")
	for _, want := range []string{"__Host-gaussline=", "Secure", "HttpOnly", "SameSite=Lax", "Path=/"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("cookie %q lacks %s", cookie, want)
		}
	}
	if status, _, _ := v.get("/operations"); status != http.StatusOK {
		t.Fatal(status)
	}
	v.post("/logout", nil)
	if status, _, _ := v.get("/operations"); status != http.StatusSeeOther {
		t.Errorf("after log-out: %d", status)
	}
	// A change of roles and a disabled account take effect on the session that is open.
	v = h.visitor("operator")
	h.ok(h.accounts.Put(t.Context(), "test", access.Person{Name: "operator", Roles: []access.Role{access.Registry}}, false))
	if status, _, _ := v.get("/operations"); status != http.StatusForbidden {
		t.Errorf("after the role was taken: %d", status)
	}
	h.ok(h.accounts.Put(t.Context(), "test", access.Person{Name: "operator", Roles: []access.Role{access.Operator}}, true))
	if status, _, _ := v.get("/operations"); status != http.StatusSeeOther {
		t.Errorf("after the account was disabled: %d", status)
	}
}

func TestCrossSiteFormsAreRefused(t *testing.T) {
	h := newHouse(t)
	v := h.visitor("administrator")
	for name, header := range map[string][2]string{"fetch metadata": {"Sec-Fetch-Site", "cross-site"}, "origin": {"Origin", "https://elsewhere.invalid"}} {
		r, _ := http.NewRequest(http.MethodPost, h.srv.URL+"/people", strings.NewReader("name=intruder&role=clinic&senders=*&do=put"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set(header[0], header[1])
		if status, _, _ := v.do(r); status != http.StatusForbidden {
			t.Errorf("%s: %d", name, status)
		}
	}
	all, _ := h.accounts.List(t.Context())
	if slices.ContainsFunc(all, func(a access.Account) bool { return a.Name == "intruder" }) {
		t.Error("the account was made")
	}
}

func TestGuessingIsSlowedDown(t *testing.T) {
	h := newHouse(t)
	h.account("clinic")
	v := h.visitor("")
	var last int
	for range 9 {
		last, _, _ = v.post("/login", url.Values{"name": {"clinic"}, "password": {"not the pass phrase"}})
	}
	if last != http.StatusTooManyRequests {
		t.Errorf("ninth try: %d", last)
	}
	if status, _, _ := v.post("/login", url.Values{"name": {"clinic"}, "password": {passPhrase}}); status != http.StatusTooManyRequests {
		t.Errorf("the right password while waiting: %d", status)
	}
	h.pass(16 * 60e9)
	if status, _, _ := v.post("/login", url.Values{"name": {"clinic"}, "password": {passPhrase}}); status != http.StatusSeeOther {
		t.Errorf("after the wait: %d", status)
	}
}
