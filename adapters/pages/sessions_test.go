package pages

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
)

// Behind a balancer each request may come to another node: whoever has logged in at one is known at the other, and a
// log-out at one holds at both.
func TestSessionsOfTwoNodes(t *testing.T) {
	h := newHouse(t)
	one, two := h.srv, h.node(zap.NewNop())
	v := h.visitor("radiology")
	u, err := url.Parse(one.URL)
	h.ok(err)
	cookies := v.c.Jar.Cookies(u)
	if len(cookies) != 1 {
		t.Fatalf("%d cookies", len(cookies))
	}
	_, err = h.service.Store.(pipeline.Sessions).Session(t.Context(), cookies[0].Value, time.Now())
	if !errors.Is(err, pipeline.ErrNotFound) {
		t.Errorf("whoever reads the store has the browser's token: %v", err)
	}
	at := func(name string, status int) {
		t.Helper()
		for i, node := range []string{one.URL, two.URL} {
			r, err := http.NewRequest(http.MethodGet, node+"/worklist", nil)
			h.ok(err)
			if got, _, _ := v.do(r); got != status {
				t.Errorf("%s: node %d answers %d, want %d", name, i+1, got, status)
			}
		}
	}
	at("logged in at one", http.StatusOK)
	h.srv = two
	if status, _, _ := v.post("/logout", nil); status != http.StatusSeeOther {
		t.Fatalf("log-out: %d", status)
	}
	v.c.Jar.SetCookies(u, cookies) // a copy of the token, kept by somebody
	at("logged out at the other", http.StatusSeeOther)
}

func TestSessionStore(t *testing.T) {
	kept, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = kept.Close() }()
	now := storyTime
	s := sessionStore{kept.(pipeline.Sessions), func() time.Time { return now }}
	request := func() context.Context { return withCame(t.Context()) }
	commit := func(ctx context.Context, data string) {
		t.Helper()
		if err := s.CommitCtx(ctx, "id", []byte(data), now.Add(defaultIdle)); err != nil {
			t.Fatal(err)
		}
	}
	find := func(ctx context.Context, want string) {
		t.Helper()
		data, found, err := s.FindCtx(ctx, "id")
		if err != nil || string(data) != want || found != (want != "") {
			t.Errorf("%q %v %v, want %q", data, found, err, want)
		}
	}
	find(request(), "")
	commit(request(), "a")
	first := now.Add(defaultIdle)
	ends := func(want time.Time) {
		t.Helper()
		x, err := s.kept.Session(t.Context(), "id", now)
		if err != nil || !x.Ends.Equal(want) {
			t.Errorf("ends %s, %v, want %s", x.Ends, err, want)
		}
	}
	ends(first)

	r := request()
	now = now.Add(renewTime - time.Second)
	find(r, "a")
	commit(r, "a") // not worth a write
	ends(first)
	commit(r, "b") // other data is
	ends(now.Add(defaultIdle))
	now = now.Add(renewTime)
	find(r, "b")
	commit(r, "b") // so is a minute
	ends(now.Add(defaultIdle))

	now = now.Add(defaultIdle - time.Second)
	find(request(), "b")
	under := request() // a request that is under way while its session ends
	find(under, "b")
	if err := s.DeleteCtx(request(), "id"); err != nil {
		t.Fatal(err)
	}
	commit(under, "c")
	find(request(), "")
	commit(request(), "d") // a log-in is no such request
	find(request(), "d")
	now = now.Add(defaultIdle)
	find(request(), "")
}
