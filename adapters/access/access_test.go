package access

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"
)

// memory is a journal in memory.
type memory struct {
	mu    sync.Mutex
	lines []Line
	fail  error
}

func (m *memory) Add(_ context.Context, ls ...Line) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fail != nil {
		return m.fail
	}
	for _, l := range ls {
		l.Seq = int64(len(m.lines) + 1)
		m.lines = append(m.lines, l)
	}
	return nil
}

func (m *memory) AddAfter(ctx context.Context, seq int64, ls ...Line) (int64, error) {
	m.mu.Lock()
	moved := slices.ContainsFunc(m.lines, func(l Line) bool { return l.Kind == ls[0].Kind && l.Key == ls[0].Key && l.Seq > seq })
	m.mu.Unlock()
	if moved {
		return 0, ErrMoved
	}
	err := m.Add(ctx, ls...)
	return int64(len(m.lines)), err
}

func (m *memory) Newest(_ context.Context, kind string) (out []Line, _ error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i, l := range m.lines {
		later := slices.ContainsFunc(m.lines[i+1:], func(x Line) bool { return x.Kind == l.Kind && x.Key == l.Key })
		if l.Kind == kind && !later {
			out = append(out, l)
		}
	}
	return out, nil
}

func (m *memory) After(_ context.Context, kind string, after int64, limit int) (out []Line, _ error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range m.lines {
		if l.Kind == kind && l.Seq > after && len(out) < limit {
			out = append(out, l)
		}
	}
	return out, nil
}

var start = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

const good = "a long invented pass phrase"

func TestFirstRunLinkWorksOnceAndThereIsNoDefaultPassword(t *testing.T) {
	ctx, c := context.Background(), &clock{start}
	a := &Accounts{Journal: &memory{}, Now: c.now}
	token, needed, err := a.FirstRun(ctx)
	if err != nil || !needed {
		t.Fatal(needed, err)
	}
	for _, guess := range []string{"", "admin", "administrator", "password", token} {
		if _, err := a.Login(ctx, FirstAdministrator, guess); !errors.Is(err, ErrLogin) {
			t.Errorf("password %q before set-up: %v", guess, err)
		}
	}
	for _, weak := range []string{"", "short", "administratoradministrator", strings.Repeat("x", MaxPassword+1), "\xff\xfe" + good} {
		if _, err := a.Accept(ctx, token, weak); !errors.Is(err, ErrPassword) {
			t.Errorf("password %q accepted: %v", weak, err)
		}
	}
	if _, err := a.Accept(ctx, token, good); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Accept(ctx, token, good+good); !errors.Is(err, ErrInvite) {
		t.Errorf("link used twice: %v", err)
	}
	if _, needed, _ = a.FirstRun(ctx); needed {
		t.Error("first run offered again")
	}
	if p, err := a.Login(ctx, FirstAdministrator, good); err != nil || !p.May(ManagePeople) || p.May(SeeRecords) {
		t.Errorf("login: %v %v", p, err)
	}
}

func TestInviteExpiresAndDisabledCannotLogIn(t *testing.T) {
	ctx, c := context.Background(), &clock{start}
	a := &Accounts{Journal: &memory{}, Now: c.now}
	p := Person{Name: "m.ashgrove", Roles: []Role{Radiology}, Sites: []string{"north"}}
	for _, bad := range []Person{{}, {Name: "x y", Roles: p.Roles}, {Name: "ok"}, {Name: "ok", Roles: []Role{"king"}}, {Name: "ok", Roles: []Role{Sender}}} {
		if err := a.Put(ctx, "t", bad, false); !errors.Is(err, ErrAccount) {
			t.Errorf("%+v accepted", bad)
		}
	}
	if err := a.Put(ctx, "t", p, false); err != nil {
		t.Fatal(err)
	}
	token, err := a.Invite(ctx, p.Name)
	if err != nil {
		t.Fatal(err)
	}
	c.at = c.at.Add(InviteLasts)
	if _, err := a.Accept(ctx, token, good); !errors.Is(err, ErrInvite) {
		t.Errorf("expired link: %v", err)
	}
	token, _ = a.Invite(ctx, p.Name)
	if _, err := a.Accept(ctx, token, good); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Login(ctx, p.Name, good); err != nil {
		t.Error(err)
	}
	if _, err := a.Login(ctx, p.Name, good+"x"); !errors.Is(err, ErrLogin) {
		t.Error("wrong password:", err)
	}
	_ = a.Put(ctx, "t", p, true)
	if _, err := a.Login(ctx, p.Name, good); !errors.Is(err, ErrLogin) {
		t.Error("disabled account logs in:", err)
	}
	if _, ok, _ := a.Current(ctx, p.Name); ok {
		t.Error("a disabled account is current")
	}
}

// The hash is what golang.org/x/crypto/argon2 gives for the salt that stands in it.
func TestPasswordHash(t *testing.T) {
	h := hashPassword(good)
	if !strings.HasPrefix(h, "$argon2id$v=19$m=65536,t=3,p=4$") || h == hashPassword(good) {
		t.Fatalf("%s: want argon2id of RFC 9106's second choice with a salt of its own", h)
	}
	if ok, err := verifyPassword(h, good); !ok || err != nil {
		t.Error(ok, err)
	}
	if ok, _ := verifyPassword(h, good+" "); ok {
		t.Error("another password passes")
	}
	for _, bad := range []string{"", "plain", "$argon2i$v=19$m=65536,t=3,p=4$AA$AA", "$argon2id$v=19$m=8,t=1,p=1$AA$AA", h[:len(h)-4]} {
		if ok, err := verifyPassword(bad, ""); ok || err == nil {
			t.Errorf("kept hash %q passes", bad)
		}
	}
	if argon2.Version != 0x13 {
		t.Error("another Argon2 version")
	}
}

func TestLimiter(t *testing.T) {
	c := &clock{start}
	l := &Limiter{Most: 3, Window: time.Minute, Now: c.now}
	var got []bool
	for range 5 {
		got = append(got, l.Allow("a"))
	}
	if !slices.Equal(got, []bool{true, true, true, false, false}) || !l.Allow("b") {
		t.Fatal(got)
	}
	if c.at = c.at.Add(time.Minute); !l.Allow("a") {
		t.Error("still closed after the window")
	}
	if l.Forget("a"); !l.Allow("a") {
		t.Error("closed after a success")
	}
}

func chain(t *testing.T, n int) (*memory, []Line) {
	t.Helper()
	m, c := &memory{}, &clock{start}
	a := &Audit{Journal: m, Now: c.now}
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			if err := a.Note(context.Background(), Event{Who: "x", Action: Seen, What: "record", Object: strings.Repeat("o", i)}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	again := &Audit{Journal: m, Now: c.now} // a restart continues the chain
	if err := again.Note(context.Background(), Event{Who: "y", Action: Executed, What: "trace", Reason: "recall"}); err != nil {
		t.Fatal(err)
	}
	lines, _ := a.Lines(context.Background(), 0, 1000)
	return m, lines
}

func TestAuditChainHoldsAndEveryChangeIsFound(t *testing.T) {
	_, lines := chain(t, 40)
	if len(lines) != 41 {
		t.Fatalf("%d lines kept of 41", len(lines))
	}
	if err := VerifyAudit(lines); err != nil {
		t.Fatal(err)
	}
	for i := range lines {
		if i < len(lines)-1 { // the last one cut off is what the written-down head is for
			if VerifyAudit(slices.Delete(slices.Clone(lines), i, i+1)) == nil {
				t.Errorf("line %d taken out and not found", i)
			}
			swapped := slices.Clone(lines)
			swapped[i], swapped[i+1] = swapped[i+1], swapped[i]
			if VerifyAudit(swapped) == nil {
				t.Errorf("lines %d and %d swapped and not found", i, i+1)
			}
		}
		changed := slices.Clone(lines)
		changed[i].Body = []byte(strings.Replace(string(changed[i].Body), `"who":"`, `"who":"not-`, 1))
		if VerifyAudit(changed) == nil {
			t.Errorf("line %d changed and not found", i)
		}
		changed[i].Body = []byte(strings.Replace(string(lines[i].Body), `{"n":`, `{"note":"slipped in","n":`, 1))
		if VerifyAudit(changed) == nil {
			t.Errorf("a member slipped into line %d and not found", i)
		}
	}
}

func TestAuditThatCannotBeKeptIsAnError(t *testing.T) {
	m := &memory{fail: errors.New("disk full")}
	a := &Audit{Journal: m, Now: func() time.Time { return start }}
	if a.Note(context.Background(), Event{}) == nil {
		t.Fatal("no error")
	}
	m.fail = nil
	if err := a.Note(context.Background(), Event{}); err != nil || len(m.lines) != 1 || VerifyAudit(m.lines) != nil {
		t.Error("the chain does not start after a failure:", err)
	}
}

// Required elements of AuditEvent: type, recorded, agent.requestor, source.observer (FHIR R4, AuditEvent).
func TestAuditEvent(t *testing.T) {
	_, lines := chain(t, 1)
	for _, l := range lines {
		b, err := AuditEvent(l)
		if err != nil {
			t.Fatal(err)
		}
		var r struct {
			ResourceType, Action, Recorded, Outcome string
			Type                                    struct{ System, Code string }
			Agent                                   []struct{ Requestor *bool }
			Source                                  struct{ Observer struct{ Display string } }
		}
		if err := json.Unmarshal(b, &r); err != nil {
			t.Fatal(err)
		}
		if r.ResourceType != "AuditEvent" || r.Type.Code == "" || r.Recorded == "" || len(r.Agent) != 1 || r.Agent[0].Requestor == nil ||
			r.Source.Observer.Display == "" || strings.ContainsRune(string(b), '\n') {
			t.Errorf("%s", b)
		}
	}
}

func TestSeal(t *testing.T) {
	ctx, m := context.Background(), &memory{}
	s, err := OpenSeal(ctx, m, start)
	if err != nil {
		t.Fatal(err)
	}
	const key = "hillside|Patient/p1"
	id := s.ID("record", key)
	again, _ := OpenSeal(ctx, m, start)
	if opened, err := again.Key("record", id); err != nil || opened != key || again.ID("record", opened) != id {
		t.Errorf("%q %v", opened, err)
	}
	bad := []string{"", "x", id[1:], id[:len(id)-2], id + "A", id + "\n", " " + id}
	for i := range id { // each place, the last one with the bits that base64 does not use too
		for _, c := range "A_-z0" {
			if changed := id[:i] + string(c) + id[i+1:]; changed != id {
				bad = append(bad, changed)
			}
		}
	}
	for _, b := range bad {
		if _, err := s.Key("record", b); !errors.Is(err, ErrSealed) {
			t.Errorf("id %q opened", b)
		}
	}
	if _, err := s.Key("order", id); !errors.Is(err, ErrSealed) {
		t.Error("an id of one kind opens as another")
	}
	for _, long := range []string{id, s.ID("record", strings.Repeat("p", 600))} {
		raw, err := base64.RawURLEncoding.DecodeString(long)
		if err != nil || bytes.Contains(raw, []byte("hillside")) || bytes.Contains(raw, []byte("pppppp")) {
			t.Errorf("id tells: %q %v", raw, err)
		}
	}
	if s.ID("record", "hillside|Patient/p2") == id {
		t.Error("two keys have one id")
	}
}

func TestNobodyHasMoreThanOneTableSays(t *testing.T) {
	for _, r := range []Role{"", "king", Sender} {
		for _, right := range []Right{SeeOrders, SeeRecords, Review, SeeMonths, SeeLabelling, SeeTrace, Operate, ManagePeople, SeeAudit, BreakTheGlass} {
			if r.May(right) {
				t.Errorf("%q may %s", r, right)
			}
		}
	}
	p := Person{Sites: []string{"north"}}
	if p.OfSite("") || p.OfSite("harbour") || !p.OfSite("north") || p.OfSender("hillside") {
		t.Error("scope")
	}
}

// Behind a proxy that is named, the client's address is the nearest one that no named proxy added; whoever else sends
// the header cannot choose an address.
func TestAddressBehindProxies(t *testing.T) {
	proxies := []netip.Prefix{netip.MustParsePrefix("10.1.0.0/16")}
	for _, x := range []struct{ remote, forwarded, want string }{
		{"192.0.2.7:4000", "", "192.0.2.7"},
		{"192.0.2.7:4000", "198.51.100.1", "192.0.2.7"},
		{"10.1.0.5:4000", "198.51.100.1", "198.51.100.1"},
		{"10.1.0.5:4000", "203.0.113.9, 198.51.100.1", "198.51.100.1"},
		{"10.1.0.5:4000", "198.51.100.1, 10.1.0.6", "198.51.100.1"},
		{"10.1.0.5:4000", "anything", "10.1.0.5"},
		{"10.1.0.5:4000", "", "10.1.0.5"},
		{"[::ffff:10.1.0.5]:4000", "198.51.100.1", "198.51.100.1"},
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.RemoteAddr = x.remote
		if x.forwarded != "" {
			r.Header.Set("X-Forwarded-For", x.forwarded)
		}
		if got := Address(r, proxies); got != x.want {
			t.Errorf("%+v: %s", x, got)
		}
	}
}

func TestASuccessDoesNotCountAndFailuresStay(t *testing.T) {
	c := &clock{start}
	l := &Limiter{Most: 2, Window: time.Minute, Now: c.now}
	for range 5 {
		if !l.Allow("a") {
			t.Fatal("successes are counted")
		}
		l.Undo("a")
	}
	l.Allow("a") // fails
	l.Allow("a")
	l.Undo("a")
	l.Allow("a")
	if l.Allow("a") {
		t.Error("a success clears the failures before it")
	}
}

// Two processes on one chain: whoever is second reads the head anew, and the chain holds.
func TestTwoProcessesWriteOneChain(t *testing.T) {
	ctx, c, m := context.Background(), &clock{start}, &memory{}
	one, two := &Audit{Journal: m, Now: c.now}, &Audit{Journal: m, Now: c.now}
	for i := range 6 {
		a := one
		if i%2 == 1 {
			a = two
		}
		if err := a.Note(ctx, Event{Who: "x", Action: Seen, What: "record"}); err != nil {
			t.Fatal(err)
		}
	}
	if err := VerifyAudit(m.lines); err != nil || len(m.lines) != 6 {
		t.Errorf("%d lines: %v", len(m.lines), err)
	}
}
