package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/testdata/cases"
)

// running is the service on the invented scenario, as serve runs it.
type running struct {
	*app
	t      testing.TB
	url    string
	dir    string // of the configuration
	tokens map[string]string
	logs   *observer.ObservedLogs
}

// runningScenario serves the scenario, its stories taken in, with more lines of configuration. It gives the app and
// its address; the clock stands at the demonstration's day.
func runningScenario(t *testing.T, more string) (*app, string) {
	t.Helper()
	r := runScenario(t, "", func(_, text string) string { return text + more })
	return r.app, r.url
}

// runScenario is runningScenario with more keys of http, and a change of the configuration in its folder.
func runScenario(t testing.TB, http string, change func(dir, text string) string) *running {
	t.Helper()
	r := &running{t: t, dir: filepath.Join(t.TempDir(), "demo")}
	var err error
	r.tokens, err = demoFolder(r.dir)
	r.ok(err)
	path := filepath.Join(r.dir, "gaussline.yaml")
	text, err := os.ReadFile(path)
	r.ok(err)
	listen := `http: {listen: "127.0.0.1:0", base_url: "` + publicBase + `/fhir"` + http + `}`
	changed := change(r.dir, strings.Replace(string(text), `http: {listen: "127.0.0.1:8480"}`, listen, 1))
	r.ok(os.WriteFile(path, []byte(changed), 0o600))
	cfg, err := loadConfig(path, func(string) string { return "" })
	r.ok(err)
	ctx, stop := context.WithCancel(context.Background())
	core, logs := observer.New(zapcore.InfoLevel)
	r.logs = logs
	r.app, err = openApp(ctx, cfg, zap.New(core), func() time.Time { return demoDay }, true)
	r.ok(err)
	stories, err := cases.All()
	r.ok(err)
	for _, s := range stories {
		for _, m := range s.Messages {
			_, _, err := r.receiver().Receive(ctx, m.Sender, "application/fhir+json", m.Body)
			r.ok(err)
		}
	}
	r.ok(r.service.Drain(ctx, func(int) {}))
	address, ended := make(chan string, 1), make(chan error, 1)
	go func() { ended <- r.serve(ctx, func(addr string) { address <- addr }) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	select {
	case addr := <-address:
		r.url = "http://" + addr
		if cfg.HTTP.TLSCert != "" {
			r.url = "https://" + addr
		}
	case err := <-ended:
		ended <- nil
		t.Fatal(err)
	}
	return r
}

func (r *running) ok(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

// authority is a certificate authority for one test.
type authority struct {
	t    testing.TB
	dir  string
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
	n    int64
}

func newAuthority(t testing.TB, name string) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	a := &authority{t: t, dir: t.TempDir(), key: key, n: 1}
	a.cert = &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign}
	a.write(name, a.cert, key)
	return a
}

// issue makes a certificate and its key as PEM files, for servers on this machine and for clients.
func (a *authority) issue(subject pkix.Name) (certFile, keyFile string) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	a.n++
	return a.write(subject.CommonName, &x509.Certificate{SerialNumber: big.NewInt(a.n), Subject: subject, NotBefore: a.cert.NotBefore, NotAfter: a.cert.NotAfter,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}, key)
}

func (a *authority) write(name string, c *x509.Certificate, key *ecdsa.PrivateKey) (certFile, keyFile string) {
	a.t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, &key.PublicKey, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	k, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	certFile, keyFile = filepath.Join(a.dir, name+".crt"), filepath.Join(a.dir, name+".key")
	for file, b := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: k}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(b), 0o600); err != nil {
			a.t.Fatal(err)
		}
	}
	return certFile, keyFile
}

// file is the authority's own certificate.
func (a *authority) file() string { return filepath.Join(a.dir, a.cert.Subject.CommonName+".crt") }
