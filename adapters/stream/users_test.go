package stream_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/crypto/bcrypt"

	"gaussline/adapters/stream"
	"gaussline/adapters/stream/streamtest"
)

func as(t *testing.T, b *stream.Broker, name, secret string, opts ...nats.Option) (*nats.Conn, error) {
	t.Helper()
	opts = append(opts, nats.UserInfo(name, secret), nats.CustomInboxPrefix("_INBOX."+name), nats.PermissionErrOnSubscribe(true),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	nc, err := nats.Connect("nats://"+b.Addr(), opts...)
	if err == nil {
		t.Cleanup(nc.Close)
	}
	return nc, err
}

// A sender publishes under its own name and reads nothing of others; a receiver reads its own site's banners and referrals.
func TestUsersMayOnlyWhatIsTheirs(t *testing.T) {
	hash, err := bcrypt.GenerateFromPassword([]byte("north secret"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	users := usersFile(t, "# who may connect", "", "sender clinic-a a-secret", "receiver north "+string(hash))
	b := streamtest.Open(t, stream.Config{Dir: t.TempDir(), MaxBytes: 64 << 20, Listen: "127.0.0.1:0", Users: users})

	if _, err := as(t, b, "clinic-a", "wrong"); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("wrong password: %v", err)
	}
	if _, err := nats.Connect("nats://" + b.Addr()); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("no name: %v", err)
	}
	clinic, err := as(t, b, "clinic-a", "a-secret")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := clinic.Request("gaussline.in.clinic-a", []byte("{}"), 10*time.Second); err != nil {
		t.Errorf("own subject: %v", err)
	}
	for _, subject := range []string{"gaussline.in.clinic-b", "gaussline.in.service.clinic-a", "gaussline.canary",
		"gaussline.out.mr.north", "$JS.API.STREAM.PURGE.GAUSSLINE-IN", "$JS.API.CONSUMER.MSG.NEXT.GAUSSLINE-IN.gaussline-reader"} {
		if reply, err := clinic.Request(subject, nil, 200*time.Millisecond); err == nil {
			t.Errorf("a sender on %s was answered %s", subject, reply.Data)
		}
	}
	if n, err := b.Inbox().Backlog(t.Context()); err != nil || n != 1 {
		t.Errorf("inbox holds %d (%v), want the one on the sender's own subject", n, err)
	}
	for _, subject := range []string{"_INBOX.>", "_INBOX.gaussline-service.>", "gaussline.>", "gaussline.in.*", "gaussline.out.mr.north"} {
		if err := mayRead(clinic, subject); err == nil {
			t.Errorf("a sender may read %s", subject)
		}
	}

	north, err := as(t, b, "north", "north secret")
	if err != nil {
		t.Fatal(err)
	}
	for _, site := range []string{"south", "north"} {
		for _, subject := range []string{stream.SubjectMR + site, stream.SubjectReferral + site} {
			if err := b.Sender().Send(t.Context(), subject, subject, []byte(subject)); err != nil {
				t.Fatal(err)
			}
		}
	}
	js, err := jetstream.New(north, jetstream.WithDefaultTimeout(time.Second))
	if err != nil {
		t.Fatal(err)
	}
	for consumer, subject := range map[string]string{"north": stream.SubjectMR, "north_referral": stream.SubjectReferral} {
		for _, filter := range [][]string{{subject + "south"}, {subject + "*"}, {subject + "north", subject + "south"}} {
			c := jetstream.ConsumerConfig{Name: consumer, FilterSubjects: filter}
			if len(filter) == 1 {
				c.FilterSubject, c.FilterSubjects = filter[0], nil
			}
			if _, err := js.CreateConsumer(t.Context(), "GAUSSLINE-OUT", c); err == nil {
				t.Errorf("a site may read %v", filter)
			}
		}
		c, err := js.CreateConsumer(t.Context(), "GAUSSLINE-OUT", jetstream.ConsumerConfig{Name: consumer, Durable: consumer,
			FilterSubject: subject + "north", AckPolicy: jetstream.AckExplicitPolicy})
		if err != nil {
			t.Fatalf("%s: %v", consumer, err)
		}
		msg, err := c.Next(jetstream.FetchMaxWait(10 * time.Second))
		if err != nil || string(msg.Data()) != subject+"north" {
			t.Fatalf("%s of the own site: %v", subject, err)
		}
		if err := msg.DoubleAck(t.Context()); err != nil {
			t.Errorf("acknowledge: %v", err)
		}
	}
}

// mayRead subscribes and gives the broker's refusal.
func mayRead(nc *nats.Conn, subject string) error {
	sub, err := nc.SubscribeSync(subject)
	if err != nil {
		return err
	}
	if err := nc.Flush(); err != nil {
		return err
	}
	_, err = sub.NextMsg(100 * time.Millisecond)
	if errors.Is(err, nats.ErrTimeout) {
		return nil
	}
	return err
}

func TestUsersFileIsRefused(t *testing.T) {
	for _, c := range []struct{ line, words string }{
		{"sender clinic-a", "line 1"},
		{"admin clinic-a hush-hush", "line 1"},
		{"sender Clinic hush-hush", "a name is"},
		{"sender a.b hush-hush", "a name is"},
		{"sender gaussline-service hush-hush", "given twice"},
		{"sender a hush-hush\nreceiver a hush-hush", "line 2"},
	} {
		cfg := stream.Config{Dir: t.TempDir(), MaxBytes: 64 << 20, Listen: "127.0.0.1:0", Users: usersFile(t, c.line)}
		_, err := stream.Open(t.Context(), cfg, nil, time.Now)
		if err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%q: %v, want an error with %q", c.line, err, c.words)
		}
		if err != nil && strings.Contains(err.Error(), "hush") {
			t.Errorf("%q: the error tells the secret", c.line)
		}
	}
}

func TestListenWithCertificate(t *testing.T) {
	cert, key := certificate(t)
	cfg := embeddedConfig(t)
	cfg.ListenCert, cfg.ListenKey = cert, key
	b := streamtest.Open(t, cfg)
	if err := b.Ready(t.Context()); err != nil {
		t.Fatalf("the service itself: %v", err)
	}
	if _, err := as(t, b, streamtest.Sender, streamtest.Secret); err == nil {
		t.Error("a connection in the clear was let in")
	}
	nc, err := as(t, b, streamtest.Sender, streamtest.Secret, nats.RootCAs(cert))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := nc.Request("gaussline.in."+streamtest.Sender, []byte("{}"), 10*time.Second); err != nil {
		t.Fatal(err)
	}
}

// certificate makes one for 127.0.0.1 and gives the paths of it and its key.
func certificate(t *testing.T) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write := func(name, kind string, der []byte) string {
		var b bytes.Buffer
		if err := pem.Encode(&b, &pem.Block{Type: kind, Bytes: der}); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	return write("cert.pem", "CERTIFICATE", der), write("key.pem", "PRIVATE KEY", keyDER)
}
