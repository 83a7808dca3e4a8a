package stream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
)

const (
	reconnectWait   = 500 * time.Millisecond
	connectWait     = 5 * time.Second
	maxMonitorBytes = 1 << 20 // of one /jsz answer
)

// connectOptions are common to both kinds of server. The client never gives up by itself (nats.go issue 1622), and
// buffers nothing while it is away: a Put fails at once and its sender knows.
func (b *Broker) connectOptions() []nats.Option {
	return []nats.Option{
		nats.Name("gaussline"),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(reconnectWait),
		nats.ReconnectBufSize(-1),
		nats.Timeout(connectWait),
		nats.PingInterval(6 * b.cfg.PublishWait), // by default it takes six minutes to see that nobody answers any more
		nats.CustomInboxPrefix("_INBOX." + serviceUser),
		nats.ClosedHandler(func(nc *nats.Conn) { b.connectionClosed(nc.LastError()) }),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if !b.isClosing() {
				b.log.Warn("broker connection lost", zap.Error(err))
			}
		}),
		nats.ReconnectHandler(func(nc *nats.Conn) {
			b.log.Info("broker connection back", zap.String("server", nc.ConnectedServerName()))
		}),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			b.log.Warn("broker client", zap.Error(err))
		}),
	}
}

func (b *Broker) connect(ctx context.Context) error {
	opts := b.connectOptions()
	url := b.cfg.URL
	if b.own != nil {
		url = ""
		opts = append(opts, nats.InProcessServer(b.own.srv))
		if b.own.password != "" {
			opts = append(opts, nats.UserInfo(serviceUser, b.own.password))
		}
	} else {
		more, err := outsideOptions(b.cfg)
		if err != nil {
			return err
		}
		opts = append(opts, more...)
	}
	nc, err := nats.Connect(url, opts...)
	if err != nil {
		return unavailable("connect", err)
	}
	b.nc = nc
	if need := int64(b.cfg.MaxMessageBytes + headerRoom); nc.MaxPayload() < need {
		return fmt.Errorf("stream: the server takes messages up to %d bytes: set its max_payload to at least %d, "+
			"or lower MaxMessageBytes", nc.MaxPayload(), need)
	}
	if b.own == nil {
		return b.checkOutside(ctx)
	}
	b.synced = true
	return nil
}

func outsideOptions(cfg Config) ([]nats.Option, error) {
	var opts []nats.Option
	switch {
	case cfg.Credentials != "":
		opts = append(opts, nats.UserCredentials(cfg.Credentials))
	case cfg.NKeySeed != "":
		seed, err := nats.NkeyOptionFromSeed(cfg.NKeySeed)
		if err != nil {
			return nil, fmt.Errorf("stream: NKeySeed: %w", err)
		}
		opts = append(opts, seed)
	case cfg.Token != "":
		token, err := secretFile("Token", cfg.Token)
		if err != nil {
			return nil, err
		}
		opts = append(opts, nats.Token(token))
	case cfg.User != "":
		password, err := secretFile("Password", cfg.Password)
		if err != nil {
			return nil, err
		}
		opts = append(opts, nats.UserInfo(cfg.User, password))
	}
	if cfg.CA != "" {
		opts = append(opts, nats.RootCAs(cfg.CA))
	}
	if cfg.Cert != "" {
		opts = append(opts, nats.ClientCert(cfg.Cert, cfg.Key))
	}
	return opts, nil
}

func secretFile(field, path string) (string, error) {
	secret, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("stream: %s: %w", field, err)
	}
	text := strings.TrimSpace(string(secret))
	if text == "" {
		return "", fmt.Errorf("stream: %s: %s is empty", field, path)
	}
	return text, nil
}

// checkOutside reads from every monitoring address given whether the server syncs before it acknowledges. Nothing
// in the client protocol tells; without a monitoring address the log says that nobody looked. A minority of the
// servers may be away, as a cluster goes on without them: the service starts, the log says which was not asked, and
// Synced stays false.
func (b *Broker) checkOutside(ctx context.Context) error {
	b.log.Info("outside broker", zap.String("server", b.nc.ConnectedServerName()),
		zap.String("version", b.nc.ConnectedServerVersion()), zap.String("cluster", b.nc.ConnectedClusterName()))
	addresses := splitList(b.cfg.Monitor)
	if len(addresses) == 0 {
		b.log.Warn("not checked whether the outside broker syncs before it acknowledges: every server of it needs " +
			"\"sync_interval: always\" in its jetstream block; give Monitor to have it checked")
		return nil
	}
	away := 0
	for _, address := range addresses {
		always, err := syncAlways(ctx, address)
		if err != nil {
			if away++; 2*away >= len(addresses) {
				return fmt.Errorf("stream: Monitor %s: %w", address, err)
			}
			b.log.Warn("a server of the outside broker was not asked whether it syncs before it acknowledges",
				zap.String("monitor", address), zap.Error(err))
			continue
		}
		if !always {
			return fmt.Errorf("stream: the server at %s acknowledges before it syncs: set \"sync_interval: always\" "+
				"in its jetstream block", address)
		}
	}
	b.synced = away == 0
	return nil
}

func syncAlways(ctx context.Context, address string) (bool, error) {
	ctx, cancel := context.WithTimeout(ctx, connectWait)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimSuffix(address, "/")+"/jsz", nil)
	if err != nil {
		return false, err
	}
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Do(req)
	if err != nil {
		return false, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return false, fmt.Errorf("answered %s", resp.Status)
	}
	var jsz struct {
		Disabled bool `json:"disabled"`
		Config   struct {
			SyncAlways bool `json:"sync_always"`
		} `json:"config"`
	}
	if err := json.NewDecoder(io.LimitReader(resp.Body, maxMonitorBytes)).Decode(&jsz); err != nil {
		return false, fmt.Errorf("reading /jsz: %w", err)
	}
	if jsz.Disabled {
		return false, errors.New("JetStream is off")
	}
	return jsz.Config.SyncAlways, nil
}
