package stream

import (
	"bufio"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gofrs/flock"
	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/zap"
)

const (
	startWait   = 30 * time.Second // for the embedded server to recover its store
	maxUsers    = 1000             // lines of the users file
	serviceUser = "gaussline-service"
)

// embedded is the server in this process with the lock on its folder.
type embedded struct {
	srv      *server.Server
	lock     *flock.Flock
	password string // of serviceUser; "" when nobody else can connect
}

// lockFile is held by the process whose broker is on the folder.
const lockFile = "gaussline-stream.lock"

// InUse says whether a broker is open on a folder. One that is not there is not in use.
func InUse(dir string) (bool, error) {
	if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	lock := flock.New(filepath.Join(dir, lockFile))
	free, err := lock.TryLock()
	return !free, errors.Join(err, lock.Unlock())
}

// startEmbedded locks the folder, then starts the server on it. The server itself takes no lock: a second one on
// the same folder starts, says it is ready, and both write (as tried with 2.15).
func startEmbedded(cfg Config, log *zap.Logger) (*embedded, error) {
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("stream: Dir: %w", err)
	}
	lock := flock.New(filepath.Join(cfg.Dir, lockFile))
	held, err := lock.TryLock()
	if err != nil {
		return nil, fmt.Errorf("stream: lock on Dir %s: %w", cfg.Dir, err)
	}
	if !held {
		return nil, fmt.Errorf("stream: Dir %s is in use by another process or another broker of this one", cfg.Dir)
	}
	e := &embedded{lock: lock}
	if err := e.start(cfg, log); err != nil {
		e.stop()
		return nil, err
	}
	return e, nil
}

func (e *embedded) start(cfg Config, log *zap.Logger) error {
	opts, password, err := serverOptions(cfg)
	if err != nil {
		return err
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return fmt.Errorf("stream: embedded server: %w", err)
	}
	srv.SetLoggerV2(serverLog{log.Named("broker").WithOptions(zap.AddCallerSkip(1)).Sugar()}, false, false, false)
	e.srv, e.password = srv, password
	srv.Start()
	if !srv.ReadyForConnections(startWait) {
		return fmt.Errorf("stream: embedded server on %s not ready after %v", cfg.Dir, startWait)
	}
	if !srv.JetStreamEnabled() {
		return fmt.Errorf("stream: embedded server on %s started without its store (is the folder writable?)", cfg.Dir)
	}
	if js := srv.JetStreamConfig(); js == nil || !js.SyncAlways {
		return errors.New("stream: embedded server does not sync before it acknowledges")
	}
	return nil
}

// stop shuts the server down, waits for it, and frees the folder.
func (e *embedded) stop() {
	if e.srv != nil {
		e.srv.Shutdown()
		e.srv.WaitForShutdown()
	}
	_ = e.lock.Unlock()
}

func serverOptions(cfg Config) (*server.Options, string, error) {
	opts := &server.Options{
		ServerName:             "gaussline",
		JetStream:              true,
		StoreDir:               cfg.Dir, // unset means /tmp (as tried)
		SyncAlways:             true,    // acknowledge only what is on disk (nats-server issue 7564)
		JetStreamMaxStore:      2 * cfg.MaxBytes,
		MaxPayload:             int32(cfg.MaxMessageBytes + headerRoom),
		DontListen:             true,
		NoSigs:                 true,
		DisableJetStreamBanner: true,
	}
	if cfg.Listen == "" {
		return opts, "", nil
	}
	host, port, err := net.SplitHostPort(cfg.Listen)
	if err != nil {
		return nil, "", fmt.Errorf("stream: Listen: %w", err)
	}
	opts.DontListen = false
	opts.Host = host
	if opts.Port, err = strconv.Atoi(port); err != nil {
		return nil, "", fmt.Errorf("stream: Listen: port: %w", err)
	}
	if opts.Port == 0 {
		opts.Port = server.RANDOM_PORT
	}
	if cfg.ListenCert != "" {
		pair, err := tls.LoadX509KeyPair(cfg.ListenCert, cfg.ListenKey)
		if err != nil {
			return nil, "", fmt.Errorf("stream: ListenCert, ListenKey: %w", err)
		}
		opts.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
		opts.TLS, opts.TLSTimeout = true, 5
	}
	users, err := readUsers(cfg.Users)
	if err != nil {
		return nil, "", err
	}
	secret := make([]byte, 32)
	if _, err := rand.Read(secret); err != nil {
		return nil, "", fmt.Errorf("stream: password for ourselves: %w", err)
	}
	password := hex.EncodeToString(secret)
	opts.Users = append(users, &server.User{Username: serviceUser, Password: password})
	return opts, password, nil
}

// CheckUsers says what is wrong with a users file. Errors name the line, never a secret.
func CheckUsers(path string) error {
	_, err := readUsers(path)
	return err
}

// HasUser says whether a users file that can be read names somebody.
func HasUser(path, name string) bool {
	users, err := readUsers(path)
	return err == nil && slices.ContainsFunc(users, func(u *server.User) bool { return u.Username == name })
}

// readUsers reads who may connect from outside. Errors name the line, never a secret.
func readUsers(path string) ([]*server.User, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("stream: Users: %w", err)
	}
	defer f.Close()
	var users []*server.User
	seen := map[string]bool{serviceUser: true}
	lines := bufio.NewScanner(f)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		field := strings.Fields(line)
		switch {
		case len(field) != 3 || (field[0] != "sender" && field[0] != "receiver"):
			return nil, fmt.Errorf("stream: Users: %s line %d: want \"sender NAME SECRET\" or \"receiver SITE SECRET\"", path, n)
		case !validName(field[1]):
			return nil, fmt.Errorf("stream: Users: %s line %d: a name is 1 to 40 of a-z, 0-9 and -", path, n)
		case seen[field[1]]:
			return nil, fmt.Errorf("stream: Users: %s line %d: name given twice or kept for the service", path, n)
		case len(users) >= maxUsers:
			return nil, fmt.Errorf("stream: Users: %s has more than %d users", path, maxUsers)
		}
		seen[field[1]] = true
		users = append(users, &server.User{Username: field[1], Password: field[2], Permissions: permissions(field[0], field[1])})
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("stream: Users: %s: %w", path, err)
	}
	return users, nil
}

// referralConsumer is added to a site's name for the consumer of its referrals; no name of a site ends like this.
const referralConsumer = "_referral"

// permissions lets a sender publish under its own name only, and a receiver read its own site only: banners by the
// consumer SITE, referrals by SITE_referral. Each consumer has one subject, since the broker holds a client to the
// subject of its request only then. Replies come on _INBOX.NAME.> alone (nats.CustomInboxPrefix("_INBOX.NAME")): on a
// shared _INBOX.> each could read what the others fetch.
func permissions(kind, name string) *server.Permissions {
	sub := []string{"_INBOX." + name + ".>"}
	if kind == "sender" {
		return &server.Permissions{
			Publish:   &server.SubjectPermission{Allow: []string{inPrefix + name}},
			Subscribe: &server.SubjectPermission{Allow: append(sub, SubjectRejected+name)},
		}
	}
	var pub []string
	for consumer, subject := range map[string]string{name: SubjectMR + name, name + referralConsumer: SubjectReferral + name} {
		sub = append(sub, subject)
		pub = append(pub,
			"$JS.API.CONSUMER.CREATE."+outStream+"."+consumer+"."+subject,
			"$JS.API.CONSUMER.INFO."+outStream+"."+consumer,
			"$JS.API.CONSUMER.MSG.NEXT."+outStream+"."+consumer,
			"$JS.ACK."+outStream+"."+consumer+".>")
	}
	return &server.Permissions{Publish: &server.SubjectPermission{Allow: pub}, Subscribe: &server.SubjectPermission{Allow: sub}}
}

// serverLog hands the server's log lines to zap. They hold subjects and addresses, never bodies: trace and debug
// are off.
type serverLog struct{ to *zap.SugaredLogger }

// Noticef logs at info.
func (l serverLog) Noticef(format string, v ...any) { l.to.Infof(format, v...) }

// Warnf logs at warn.
func (l serverLog) Warnf(format string, v ...any) { l.to.Warnf(format, v...) }

// Fatalf logs at error: the process decides about its own end.
func (l serverLog) Fatalf(format string, v ...any) { l.to.Errorf(format, v...) }

// Errorf logs at error.
func (l serverLog) Errorf(format string, v ...any) { l.to.Errorf(format, v...) }

// Debugf logs at debug.
func (l serverLog) Debugf(format string, v ...any) { l.to.Debugf(format, v...) }

// Tracef drops the line: a trace holds message bodies.
func (l serverLog) Tracef(string, ...any) {}
