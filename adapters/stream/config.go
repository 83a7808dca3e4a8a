package stream

import (
	"errors"
	"fmt"
	"net"
	"strings"
	"time"
)

// Names on the broker. Outside senders and receivers depend on them.
const (
	inStream  = "GAUSSLINE-IN"
	outStream = "GAUSSLINE-OUT"
	reader    = "gaussline-reader" // durable pull consumer of the inbox

	inPrefix      = "gaussline.in."         // + sender: what an outside sender publishes itself
	servicePrefix = "gaussline.in.service." // + sender: what this service received elsewhere and put
	outSubjects   = "gaussline.out.>"
	outPrefix     = "gaussline.out."
	canarySubject = "gaussline.canary" // in the inbox stream, read by nobody: Ready writes and removes it
)

// Subjects of the outgoing stream: the prefix and one name.
const (
	SubjectMR       = "gaussline.out.mr."       // + site: banners for a radiology site
	SubjectReferral = "gaussline.out.referral." // + site: referrals passed on as received
	SubjectRejected = "gaussline.out.rejected." // + sender: refusals for a sender
)

// Limits. Each can be lowered or raised by Config where a field says so.
const (
	defaultMaxMessage = 4 << 20  // bytes of one message body
	headerRoom        = 64 << 10 // bytes for headers and subject above the body
	defaultMaxBytes   = 4 << 30  // bytes of one stream, in and out each
	defaultAckWait    = 60 * time.Second
	defaultPublish    = 5 * time.Second        // deadline of one publish, batches included
	maxAckPending     = 10_000                 // messages handed out and not settled, all workers together; one has up to five batches in hand
	outWindow         = 10 * time.Minute       // a repeated Send with one id inside it is one message
	outAge            = 30 * 24 * time.Hour    // outgoing messages are kept this long for receivers
	inWindow          = 100 * time.Millisecond // smallest the server allows; see DESIGN.md, trap 10
	maxNameLength     = 40                     // of a sender or site name
)

// Config says where the broker is and what it may use. The zero value of a field means its default.
type Config struct {
	// Dir is the folder of the embedded server's store. Needed when URL is empty.
	Dir string
	// URL names outside servers, comma separated. Empty: the embedded server.
	URL string

	// How to prove who we are to an outside server; at most one of Credentials, NKeySeed, Token, User.
	Credentials string // path of a .creds file
	NKeySeed    string // path of a file with an nkey seed
	Token       string // path of a file with a token
	User        string // user name; Password is the path of the file with its password
	Password    string
	CA          string // path of the certificates (PEM) that sign the outside server's
	Cert, Key   string // paths of our own client certificate and key (PEM)

	// Monitor is the monitoring address of each outside server (http://host:8222), comma separated. When given,
	// Open reads sync_always from each and refuses a server that acknowledges before it syncs, or that half of them or
	// more do not answer.
	Monitor string

	Replicas        int           // of each stream on a cluster: 1, 3 or 5; default 1
	MaxBytes        int64         // of the inbox and of the outgoing stream, bytes each; default 4 GiB
	MaxMessageBytes int           // of one body; default 4 MiB
	AckWait         time.Duration // how long a worker may hold a message without Working; default 60 s
	PublishWait     time.Duration // deadline of one publish; default 5 s

	// Listen is host:port on which the embedded server accepts outside senders and receivers; empty: nobody.
	Listen string
	// Users is the path of the file that names them, one a line: "sender NAME SECRET" or "receiver SITE SECRET",
	// SECRET being a bcrypt hash or the password itself. Needed with Listen.
	Users string
	// ListenCert and ListenKey are paths of the server certificate and key (PEM). Needed when Listen is not a
	// loopback address: names and diagnoses do not cross a network in the clear.
	ListenCert, ListenKey string
}

func (c Config) withDefaults() Config {
	if c.Replicas == 0 {
		c.Replicas = 1
	}
	if c.MaxBytes == 0 {
		c.MaxBytes = defaultMaxBytes
	}
	if c.MaxMessageBytes == 0 {
		c.MaxMessageBytes = defaultMaxMessage
	}
	if c.AckWait == 0 {
		c.AckWait = defaultAckWait
	}
	if c.PublishWait == 0 {
		c.PublishWait = defaultPublish
	}
	return c
}

// Check names the field that is wrong, as Open would, without opening anything.
func (c Config) Check() error { return c.withDefaults().validate() }

// validate names the field that is wrong.
func (c Config) validate() error {
	switch {
	case c.URL == "" && c.Dir == "":
		return errors.New("stream: one of Dir (embedded server) and URL (outside server) is needed")
	case c.URL != "" && c.Listen != "":
		return errors.New("stream: Listen is for the embedded server; with URL the outside server listens")
	case c.URL == "" && c.Replicas != 1:
		return fmt.Errorf("stream: Replicas %d needs a cluster given by URL", c.Replicas)
	case c.Replicas != 1 && c.Replicas != 3 && c.Replicas != 5:
		return fmt.Errorf("stream: Replicas must be 1, 3 or 5, not %d", c.Replicas)
	case c.MaxMessageBytes < 1 || c.MaxMessageBytes > 32<<20:
		return fmt.Errorf("stream: MaxMessageBytes must be 1 to 32 MiB, not %d", c.MaxMessageBytes)
	case c.MaxBytes < int64(c.MaxMessageBytes)+headerRoom:
		return fmt.Errorf("stream: MaxBytes %d does not hold one message of MaxMessageBytes %d", c.MaxBytes, c.MaxMessageBytes)
	case c.AckWait < 0 || c.PublishWait < 0:
		return errors.New("stream: AckWait and PublishWait must not be negative")
	case (c.Cert == "") != (c.Key == ""):
		return errors.New("stream: Cert and Key go together")
	case (c.ListenCert == "") != (c.ListenKey == ""):
		return errors.New("stream: ListenCert and ListenKey go together")
	case c.Listen != "" && c.Users == "":
		return errors.New("stream: Listen needs Users: nobody publishes without a name")
	}
	ways := 0
	for _, way := range []string{c.Credentials, c.NKeySeed, c.Token, c.User} {
		if way != "" {
			ways++
		}
	}
	if ways > 1 {
		return errors.New("stream: give at most one of Credentials, NKeySeed, Token, User")
	}
	if (c.User == "") != (c.Password == "") {
		return errors.New("stream: User and Password go together")
	}
	return c.validateListen()
}

func (c Config) validateListen() error {
	if c.Listen == "" {
		return nil
	}
	host, _, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return fmt.Errorf("stream: Listen: %w", err)
	}
	ip := net.ParseIP(host)
	loopback := host == "localhost" || (ip != nil && ip.IsLoopback())
	if !loopback && c.ListenCert == "" {
		return fmt.Errorf("stream: Listen %q is not a loopback address and needs ListenCert and ListenKey", c.Listen)
	}
	return nil
}

// validName tells whether s is a sender or site name: [a-z0-9-]{1,40}.
func validName(s string) bool {
	if s == "" || len(s) > maxNameLength {
		return false
	}
	for i := 0; i < len(s); i++ {
		b := s[i]
		if (b < 'a' || b > 'z') && (b < '0' || b > '9') && b != '-' {
			return false
		}
	}
	return true
}

func splitList(s string) []string {
	var list []string
	for _, part := range strings.Split(s, ",") {
		if part = strings.TrimSpace(part); part != "" {
			list = append(list, part)
		}
	}
	return list
}
