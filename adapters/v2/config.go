package v2

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/netip"
	"regexp"
	"time"

	"go.uber.org/zap"

	"gaussline/mapping/implant"
)

// Receiver takes messages; pipeline.Receiver does. It is the same as that of HTTP.
type Receiver interface {
	// Receive returns the message id after it is synced to disk. *fhirjson.Refusal: the shape cannot be read.
	// pipeline.ErrTooLarge, pipeline.ErrUnavailable are returned wrapped.
	Receive(ctx context.Context, sender, contentType string, body []byte) (id string, findings []implant.Finding, err error)
}

// Config is one listener: one sending system, or several that share a name and their conventions.
type Config struct {
	Sender         string            // under which the messages are kept; [a-z0-9-]{1,40}
	PatientSystems map[string]string // URI of each assigning authority of patient identifiers (PID-3.4.1); "" of those that name none
	CodeSystems    map[string]string // URI of each coding system (CE-3) that is the sender's own
	Applications   []string          // MSH-3 that are taken; empty: any
	Processing     string            // the one MSH-11 that is taken: P, T or D; "" P
	Charset        string            // table 0211, where MSH-18 is empty; "" UTF-8, which includes ASCII
	Location       *time.Location    // of times without a zone; nil UTC

	TLS   *tls.Config    // nil: plain TCP, for a loopback or a tunnel
	Peers []netip.Prefix // addresses that may connect; empty: any. MLLP itself knows no log-in

	MaxFrame    int           // bytes of one message; default 1 MiB
	MaxConns    int           // open at once; default 64
	IdleTime    time.Duration // between two messages of a connection; default 30 min
	FrameTime   time.Duration // for one message to arrive, from its first byte, and for an answer to leave; default 30 s
	ReceiveTime time.Duration // for one message to be kept; default 30 s
	StopTime    time.Duration // for messages in hand when stopping; default 10 s

	Receiver Receiver
	Log      *zap.Logger
	Now      func() time.Time
	Observe  func(code string, took time.Duration) // told MSA-1 of each answer; nil none
}

// The limits that hold unless a site sets others.
const (
	defaultFrame   = 1 << 20 // an order is some KB; one with a scanned letter in OBX some hundred
	defaultConns   = 64
	defaultIdle    = 30 * time.Minute // senders keep a connection open all day and send when there is something
	defaultFrameIn = 30 * time.Second
	defaultReceive = 30 * time.Second
	defaultStop    = 10 * time.Second
	hardFrame      = 2 << 20 // as FHIR with the received bytes beside it, it must stay under the limit of a message, 4 MiB
)

var senderName = regexp.MustCompile(`^[a-z0-9-]{1,40}$`)

// ready checks the configuration and fills what is zero.
func (cfg Config) ready() (*Config, error) {
	switch {
	case !senderName.MatchString(cfg.Sender):
		return nil, fmt.Errorf("v2: sender %q is not of the form [a-z0-9-]{1,40}", cfg.Sender)
	case cfg.Receiver == nil || cfg.Log == nil || cfg.Now == nil:
		return nil, errors.New("v2: receiver, log and clock must be given")
	case cfg.MaxFrame < 0 || cfg.MaxFrame > hardFrame:
		return nil, fmt.Errorf("v2: a frame limit of %d bytes is outside 1 to %d", cfg.MaxFrame, hardFrame)
	}
	for n, s := range cfg.PatientSystems {
		if !uri.MatchString(s) {
			return nil, fmt.Errorf("v2: patient system of %q: %q is no URI", n, s)
		}
	}
	for n, s := range cfg.CodeSystems {
		if n == "" || !uri.MatchString(s) {
			return nil, fmt.Errorf("v2: code system of %q: %q is no URI", n, s)
		}
	}
	if _, f := charsetOf("", cfg.Charset); f != nil {
		return nil, fmt.Errorf("v2: character set %q is not read", cfg.Charset)
	}
	if cfg.Processing == "" {
		cfg.Processing = "P"
	}
	size := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	span := func(v *time.Duration, d time.Duration) {
		if *v <= 0 {
			*v = d
		}
	}
	size(&cfg.MaxFrame, defaultFrame)
	size(&cfg.MaxConns, defaultConns)
	span(&cfg.IdleTime, defaultIdle)
	span(&cfg.FrameTime, defaultFrameIn)
	span(&cfg.ReceiveTime, defaultReceive)
	span(&cfg.StopTime, defaultStop)
	return &cfg, nil
}

func (cfg *Config) location() *time.Location {
	if cfg.Location == nil {
		return time.UTC
	}
	return cfg.Location
}
