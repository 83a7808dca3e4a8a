package v2

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/big"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// desk is a receiver that keeps messages in memory, when it is allowed to.
type desk struct {
	mu     sync.Mutex
	kept   []string
	fail   error
	hold   chan struct{} // when set, Receive waits for it
	inside chan struct{} // told when Receive has begun
}

func (d *desk) Receive(ctx context.Context, sender, contentType string, body []byte) (string, []implant.Finding, error) {
	if d.hold != nil {
		d.inside <- struct{}{}
		select {
		case <-d.hold:
		case <-ctx.Done():
			return "", nil, ctx.Err()
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fail != nil {
		return "", nil, d.fail
	}
	d.kept = append(d.kept, sender+" "+contentType+" "+string(body))
	return "id", nil, nil
}

func (d *desk) count() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.kept)
}

// listener is a server under test.
type listener struct {
	addr string
	logs *observer.ObservedLogs
	stop context.CancelFunc
	done chan error
}

func start(t *testing.T, d *desk, change func(*Config)) *listener {
	t.Helper()
	core, logs := observer.New(zapcore.DebugLevel)
	cfg := *hillside
	cfg.Receiver, cfg.Log, cfg.Now = d, zap.New(core), func() time.Time { return time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC) }
	if change != nil {
		change(&cfg)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	l := &listener{addr: ln.Addr().String(), logs: logs, stop: stop, done: make(chan error, 1)}
	go func() { l.done <- cfg.Serve(ctx, ln) }()
	t.Cleanup(func() {
		stop()
		select {
		case err := <-l.done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(20 * time.Second):
			t.Error("the listener does not stop")
		}
	})
	return l
}

// client is a sending system.
type client struct {
	t *testing.T
	net.Conn
	r *bufio.Reader
}

func (l *listener) dial(t *testing.T) *client {
	t.Helper()
	c, err := net.Dial("tcp", l.addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	_ = c.SetDeadline(time.Now().Add(20 * time.Second))
	return &client{t, c, bufio.NewReader(c)}
}

func (c *client) send(raw []byte) {
	c.t.Helper()
	if _, err := c.Write(frame(raw)); err != nil {
		c.t.Fatal(err)
	}
}

// answer reads one answer and takes it apart with our own parser; err is set when the connection ended.
func (c *client) answer() (*Message, error) {
	if err := readStart(c.r); err != nil {
		return nil, err
	}
	raw, err := readBody(c.r, 1<<20)
	if err != nil {
		return nil, err
	}
	return parsed(c.t, raw), nil
}

func (c *client) ask(raw []byte) *Message {
	c.t.Helper()
	c.send(raw)
	m, err := c.answer()
	if err != nil {
		c.t.Fatal(err)
	}
	return m
}

func code(m *Message) string { return m.first("MSA").Field(1).Text() }

func TestAcknowledgedOnlyAfterItIsKept(t *testing.T) {
	d := &desk{hold: make(chan struct{}), inside: make(chan struct{}, 1)}
	c := start(t, d, nil).dial(t)
	c.send(sample(t, "orm-new.hl7"))
	<-d.inside
	_ = c.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
	if m, err := c.answer(); err == nil {
		t.Fatalf("answered %s before the message was kept", code(m))
	}
	_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
	close(d.hold)
	m, err := c.answer()
	if err != nil {
		t.Fatal(err)
	}
	msh, msa := m.Segments[0], m.first("MSA")
	if code(m) != "AA" || msa.Field(2).Text() != "H-1001" || msh.Field(9).Comp(2).Text() != "O01" || msh.Field(5).Text() != "ORDERS" ||
		msh.Field(3).Text() != "RIS" || msh.Field(12).Text() != "2.3.1" || msh.Field(11).Text() != "P" || msh.Field(10).Empty() ||
		msh.Field(7).Text() != "20260601040000-0500" || len(m.Segments) != 2 {
		t.Errorf("%v", m.Segments)
	}
	if d.count() != 1 || !strings.HasPrefix(d.kept[0], `hillside application/fhir+json {"entry":[`) {
		t.Errorf("%q", d.kept)
	}
}

func TestFailuresAreSaid(t *testing.T) {
	replace := func(name string, alter ...string) []byte {
		return []byte(strings.NewReplacer(alter...).Replace(string(sample(t, name))))
	}
	down, big := fmt.Errorf("keep: %w", pipeline.ErrUnavailable), fmt.Errorf("keep: %w", pipeline.ErrTooLarge)
	for name, c := range map[string]struct {
		raw            []byte
		fail           error
		code, err, loc string
	}{
		"receiver down":       {sample(t, "orm-change.hl7"), down, "AR", "207", ""},
		"too large to keep":   {sample(t, "orm-change.hl7"), big, "AE", "207", ""},
		"something else":      {sample(t, "orm-change.hl7"), errors.New("x"), "AR", "207", ""},
		"other message":       {replace("orm-change.hl7", "ORM^O01^ORM_O01", "ADT^A08"), nil, "AR", "200", "MSH^1^9"},
		"other event":         {replace("orm-change.hl7", "ORM^O01^ORM_O01", "ORM^O02"), nil, "AR", "201", "MSH^1^9"},
		"training message":    {replace("orm-change.hl7", "|P|2.5", "|T|2.5"), nil, "AR", "202", "MSH^1^11"},
		"version 2.3":         {replace("orm-change.hl7", "|P|2.5", "|P|2.3"), nil, "AR", "203", "MSH^1^12"},
		"no control id":       {replace("orm-change.hl7", "H-1002", ""), nil, "AE", "101", "MSH^1^10"},
		"unknown authority":   {replace("orm-change.hl7", "^^^HILLSIDE^MR", "^^^WHO^MR"), nil, "AE", "204", "PID^1^3"},
		"not HL7 at all":      {[]byte("GET / HTTP/1.1\r\n"), nil, "AE", "100", "MSH^1"},
		"bytes of no charset": {replace("orm-change.hl7", "Ada", "Ad\xe4"), nil, "AE", "102", "MSH^1^18"},
	} {
		d := &desk{fail: c.fail}
		l := start(t, d, nil)
		m := l.dial(t).ask(c.raw)
		e := m.first("ERR")
		if code(m) != c.code || e.Field(3).Comp(1).Text() != c.err || e.Field(2).raw != c.loc || e.Field(4).Text() != "E" || e.Field(8).Empty() {
			t.Errorf("%s: %s %q", name, code(m), e.fields)
		}
		if d.count() != 0 {
			t.Errorf("%s: kept all the same", name)
		}
		for _, entry := range l.logs.All() {
			if text := fmt.Sprint(entry.Message, entry.ContextMap()); strings.Contains(text, "100200") || strings.Contains(text, "Sample") {
				t.Errorf("%s: the log names the patient: %s", name, text)
			}
		}
	}
}

// Before 2.5, ERR-1 holds location and code (data type ELD), and MSA-3 the text.
func TestFailureInTheFormOfTheSendersVersion(t *testing.T) {
	c := start(t, &desk{}, nil).dial(t)
	m := c.ask([]byte(strings.Replace(string(sample(t, "orm-cancel.hl7")), "ORC|CA", "ORC|UC", 1)))
	e := m.first("ERR").Field(1)
	if code(m) != "AE" || m.first("MSA").Field(3).Empty() || e.Comp(1).Text() != "ORC" || e.Comp(3).Text() != "1" || e.Comp(4).Sub(1).Text() != "103" {
		t.Errorf("%q", m.first("ERR").fields)
	}
}

// Source: HL7 v2.5.1 chapter 2, original and enhanced acknowledgement mode, table 0155; from memory.
func TestAcknowledgementModes(t *testing.T) {
	for _, c := range []struct{ accept, application, good, bad string }{
		{"", "", "AA", "AE"}, {"AL", "", "CA", "CE"}, {"AL", "NE", "CA", "CE"}, {"NE", "AL", "AA", "AE"}, {"ER", "", "", "CE"}, {"SU", "", "CA", "end"},
		{"NE", "NE", "", "end"}, {"NE", "", "", "end"}, {"", "ER", "", "AE"},
	} {
		d := &desk{}
		conn := start(t, d, nil).dial(t)
		header := func(raw []byte, mode string) []byte {
			return []byte(strings.Replace(string(raw), "|P|2.5\r", "|P|2.5|||"+mode+"\r", 1))
		}
		good := header(sample(t, "orm-change.hl7"), c.accept+"|"+c.application)
		plain := sample(t, "orm-change.hl7")
		conn.send(good)
		conn.send(plain) // its AA shows that nothing came, or what came, before it
		if m, err := conn.answer(); err != nil || code(m) != firstOf(c.good, "AA") {
			t.Errorf("%+v: %v", c, err)
		}
		if c.good != "" {
			_, _ = conn.answer()
		}
		conn.send([]byte(strings.Replace(string(good), "ORC|XO", "ORC|UC", 1)))
		m, err := conn.answer()
		switch {
		case c.bad == "end" && err == nil, c.bad != "end" && (err != nil || code(m) != c.bad):
			t.Errorf("%+v: failure answered %v %v", c, m, err)
		}
		if d.count() != 2 {
			t.Errorf("%+v: %d kept", c, d.count())
		}
	}
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func TestFramesOneAfterTheOther(t *testing.T) {
	d := &desk{}
	c := start(t, d, nil).dial(t)
	var all []byte
	for i := range 20 {
		raw := strings.Replace(string(sample(t, "orm-change.hl7")), "H-1002", fmt.Sprint("N-", i), 1)
		f := frame([]byte(raw))
		if i%2 == 1 {
			f = f[:len(f)-1] // a sender that leaves the last CR out
		}
		all = append(all, f...)
	}
	go func() { // in small pieces, as a network may have it
		for len(all) > 0 {
			n := min(7, len(all))
			_, _ = c.Write(all[:n])
			all = all[n:]
		}
	}()
	for i := range 20 {
		m, err := c.answer()
		if err != nil || code(m) != "AA" || m.first("MSA").Field(2).Text() != fmt.Sprint("N-", i) {
			t.Fatalf("%d: %v", i, err)
		}
	}
	for i, k := range d.kept {
		if !strings.Contains(k, fmt.Sprintf(`"value":"N-%d"`, i)) {
			t.Errorf("message %d is out of order", i)
		}
	}
}

func TestLimits(t *testing.T) {
	d := &desk{}
	l := start(t, d, func(c *Config) { c.MaxFrame, c.MaxConns = 2000, 2 })
	long := []byte(strings.Replace(string(sample(t, "orm-change.hl7")), "MR brain", strings.Repeat("x", 100_000), 1))
	c := l.dial(t)
	if m := c.ask(long); code(m) != "AR" || m.first("MSA").Field(2).Text() != "H-1002" {
		t.Errorf("%s", code(m))
	}
	if _, err := c.answer(); err == nil {
		t.Error("the connection goes on after a frame that is too large")
	}
	a, b := l.dial(t), l.dial(t)
	if code(a.ask(sample(t, "orm-change.hl7"))) != "AA" || code(b.ask(sample(t, "orm-change.hl7"))) != "AA" {
		t.Error("two connections are not served")
	}
	third := l.dial(t)
	if _, err := third.answer(); err == nil {
		t.Error("a third connection is served")
	}
	_ = a.Close()
	for range 100 { // the place is free again once the server has seen the end
		x := l.dial(t)
		x.send(sample(t, "orm-change.hl7"))
		if m, err := x.answer(); err == nil && code(m) == "AA" {
			return
		}
	}
	t.Error("a place is not given back")
}

func TestSlowAndBrokenSenders(t *testing.T) {
	d := &desk{}
	l := start(t, d, func(c *Config) { c.FrameTime, c.IdleTime = 100*time.Millisecond, 100*time.Millisecond })
	for name, bytes := range map[string]string{"nothing": "", "half a frame": "\x0bMSH|^~", "no frame": "MSH|^~\\&|A\r", "a web browser": "GET / HTTP/1.1\r\n\r\n",
		"two starts": "\x0bMSH|^~\\&|A\x0bMSH|^~\\&|B\r\x1c\r"} {
		c := l.dial(t)
		_, _ = c.Write([]byte(bytes))
		if m, err := c.answer(); err == nil {
			t.Errorf("%s: answered %s", name, code(m))
		}
	}
	if d.count() != 0 {
		t.Errorf("%d kept", d.count())
	}
	if m := l.dial(t).ask(sample(t, "orm-change.hl7")); code(m) != "AA" {
		t.Error("a good sender is not served after the bad ones")
	}
}

func TestStopping(t *testing.T) {
	d := &desk{hold: make(chan struct{}), inside: make(chan struct{}, 1)}
	l := start(t, d, nil)
	idle, busy := l.dial(t), l.dial(t)
	busy.send(sample(t, "orm-change.hl7"))
	<-d.inside
	l.stop()
	if _, err := idle.answer(); err == nil {
		t.Error("an idle connection was answered")
	}
	close(d.hold)
	m, err := busy.answer()
	if err != nil || code(m) != "AA" || d.count() != 1 {
		t.Errorf("the message in hand: %v, kept %d", err, d.count())
	}
}

// A receiver that hangs costs the sender an AR, and stopping not more than StopTime.
func TestReceiverHangs(t *testing.T) {
	d := &desk{hold: make(chan struct{}), inside: make(chan struct{}, 2)}
	l := start(t, d, func(c *Config) { c.ReceiveTime = 50 * time.Millisecond })
	if m := l.dial(t).ask(sample(t, "orm-change.hl7")); code(m) != "AR" {
		t.Error(code(m))
	}
	l = start(t, d, func(c *Config) { c.StopTime = 50 * time.Millisecond })
	<-d.inside
	c := l.dial(t)
	c.send(sample(t, "orm-change.hl7"))
	<-d.inside
	l.stop()
	if m, err := c.answer(); err == nil && code(m) == "AA" {
		t.Error("acknowledged though not kept")
	}
}

func TestWhoMayConnect(t *testing.T) {
	d := &desk{}
	l := start(t, d, func(c *Config) { c.Peers = []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")} })
	if _, err := l.dial(t).answer(); err == nil {
		t.Error("a stranger is served")
	}
	l = start(t, d, func(c *Config) {
		c.Peers = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
		c.Applications = []string{"OTHER"}
	})
	if m := l.dial(t).ask(sample(t, "orm-change.hl7")); code(m) != "AR" || m.first("ERR").Field(2).raw != "MSH^1^3" {
		t.Errorf("%s", code(m))
	}
}

func TestTLSWithClientCertificate(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		DNSNames: []string{"localhost"}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, _ := x509.ParseCertificate(der)
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	pair := tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
	d := &desk{}
	l := start(t, d, func(c *Config) {
		c.FrameTime = 2 * time.Second
		c.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS12}
	})
	for name, certs := range map[string][]tls.Certificate{"with": {pair}, "without": nil} {
		plain := l.dial(t)
		secure := tls.Client(plain.Conn, &tls.Config{RootCAs: pool, ServerName: "localhost", Certificates: certs})
		c := &client{t, secure, bufio.NewReader(secure)}
		_, _ = c.Write(frame(sample(t, "orm-change.hl7")))
		m, err := c.answer()
		if name == "with" && (err != nil || code(m) != "AA") || name == "without" && err == nil {
			t.Errorf("%s a certificate: %v", name, err)
		}
	}
	if m, err := l.dial(t).answer(); err == nil { // no handshake: cut off after FrameTime, well before IdleTime
		t.Error(code(m))
	}
}

func TestConfigurationIsChecked(t *testing.T) {
	good := *hillside
	good.Receiver, good.Log, good.Now = &desk{}, zap.NewNop(), time.Now
	for name, change := range map[string]func(*Config){
		"sender": func(c *Config) { c.Sender = "Hill side" }, "receiver": func(c *Config) { c.Receiver = nil },
		"code system": func(c *Config) { c.CodeSystems = map[string]string{"A": "not a uri"} }, "patient system": func(c *Config) { c.PatientSystems = map[string]string{"": "x"} },
		"charset": func(c *Config) { c.Charset = "EBCDIC" }, "frame": func(c *Config) { c.MaxFrame = 1 << 30 },
	} {
		cfg := good
		change(&cfg)
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		if err := cfg.Serve(context.Background(), ln); err == nil {
			t.Errorf("%s: served", name)
		}
	}
}
