package stream

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
)

// Broker is the connection to JetStream, with the server when it is ours. Safe for concurrent use.
type Broker struct {
	cfg     Config
	log     *zap.Logger
	now     func() time.Time
	own     *embedded // nil with an outside server
	nc      *nats.Conn
	js      jetstream.JetStream
	in      jetstream.Stream
	put     *batcher
	front   front
	mark    *mark // nil with an outside server
	batches bool  // the server takes atomic batches
	synced  bool  // known that the server syncs before it acknowledges

	mu       sync.Mutex
	consumer jetstream.Consumer
	closing  bool
	dead     chan struct{} // closed when the broker cannot come back by itself
	deadErr  error
}

// Open starts or reaches the broker and makes the streams. Errors name the Config field that is wrong. The
// embedded server locks Dir: a second Open on it fails. Close must be called on what Open returned.
func Open(ctx context.Context, cfg Config, log *zap.Logger, now func() time.Time) (*Broker, error) {
	cfg = cfg.withDefaults()
	if err := cfg.validate(); err != nil {
		return nil, err
	}
	if log == nil {
		log = zap.NewNop()
	}
	if now == nil {
		return nil, errors.New("stream: Open needs a clock")
	}
	b := &Broker{cfg: cfg, log: log, now: now, dead: make(chan struct{}), front: front{done: map[uint64]bool{}}}
	if err := b.open(ctx); err != nil {
		b.shut()
		return nil, err
	}
	return b, nil
}

func (b *Broker) open(ctx context.Context) (err error) {
	if b.cfg.URL == "" {
		if b.own, err = startEmbedded(b.cfg, b.log); err != nil {
			return err
		}
	}
	if err := b.connect(ctx); err != nil {
		return err
	}
	if b.js, err = jetstream.New(b.nc, jetstream.WithDefaultTimeout(b.cfg.PublishWait),
		jetstream.WithPublishAsyncTimeout(b.cfg.PublishWait), jetstream.WithPublishAsyncMaxPending(2*maxBatch)); err != nil {
		return fmt.Errorf("stream: %w", err)
	}
	if err := b.ensure(ctx); err != nil {
		return err
	}
	if b.own != nil {
		if b.mark, err = openMark(b.cfg.Dir); err != nil {
			return err
		}
		if err := b.compareMark(ctx); err != nil {
			return err
		}
	}
	b.put = newBatcher(b)
	return nil
}

// Inbox is the durable stream of received messages.
func (b *Broker) Inbox() pipeline.Inbox { return inbox{b} }

// Sender puts messages on the outgoing stream.
func (b *Broker) Sender() pipeline.Sender { return sender{b} }

// Addr is the host:port on which the embedded server accepts outside connections, or the address of the outside
// server in use; "" when the embedded server listens to nobody.
func (b *Broker) Addr() string {
	if b.own == nil {
		return b.nc.ConnectedAddr()
	}
	if b.cfg.Listen == "" {
		return ""
	}
	return b.own.srv.Addr().String()
}

// Synced tells whether it is known that every server syncs before it acknowledges: always for the embedded server,
// for an outside one only when Monitor was given and read.
func (b *Broker) Synced() bool { return b.synced }

// Dead is closed when the broker cannot come back by itself: the connection is closed for good, or the embedded
// server met a write error, which it keeps until it is started anew. The process should end and be restarted; Why
// gives the reason.
func (b *Broker) Dead() <-chan struct{} { return b.dead }

// Why gives the reason for Dead, nil before.
func (b *Broker) Why() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.deadErr
}

// Ready writes a canary to the inbox stream, waits for the synced acknowledgement and removes it: the broker's own
// health says "ok" at a full quota, and a write error stays with the stream that met it (as tried with
// 2.15; nats-server issue 7654). It also
// reports a full stream and a paused reader, which look like quiet otherwise. Errors wrap ErrUnavailable.
func (b *Broker) Ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, b.cfg.PublishWait)
	defer cancel()
	if b.isClosing() {
		return unavailable("ready", errClosed)
	}
	if _, err := b.js.Publish(ctx, canarySubject, []byte(b.now().UTC().Format(time.RFC3339))); err != nil {
		b.checkOwn()
		return unavailable("ready: canary", err)
	}
	if err := b.in.Purge(ctx, jetstream.WithPurgeSubject(canarySubject)); err != nil {
		return unavailable("ready: canary", err)
	}
	for _, name := range []string{inStream, outStream} {
		s, err := b.js.Stream(ctx, name)
		if err != nil {
			return unavailable("ready: "+name, err)
		}
		info := s.CachedInfo()
		free := info.Config.MaxBytes - int64(info.State.Bytes)
		if info.Config.MaxBytes > 0 && free < int64(info.Config.MaxMsgSize) {
			return unavailable("ready", fmt.Errorf("%s is full: %d of %d bytes", name, info.State.Bytes, info.Config.MaxBytes))
		}
	}
	info, err := b.reader().Info(ctx)
	if err != nil {
		return unavailable("ready: reader", err)
	}
	if info.Paused {
		return unavailable("ready", fmt.Errorf("reading of the inbox is paused for another %v; Resume ends it", info.PauseRemaining))
	}
	return nil
}

// Resume ends a pause of the inbox reader. A pause outlives a restart and an update of the reader
// (as tried with 2.15).
func (b *Broker) Resume(ctx context.Context) error {
	if _, err := b.js.ResumeConsumer(ctx, inStream, reader); err != nil {
		return unavailable("resume", err)
	}
	return nil
}

// checkOwn declares the broker dead when the embedded server is broken in a way that only a restart mends.
func (b *Broker) checkOwn() {
	if b.own == nil {
		return
	}
	if h := b.own.srv.Healthz(&server.HealthzOptions{}); h.StatusCode != 200 {
		b.die(fmt.Errorf("embedded server: %s", h.Error))
	}
}

func (b *Broker) connectionClosed(err error) {
	if !b.isClosing() {
		if err == nil {
			err = nats.ErrConnectionClosed
		}
		b.die(err)
	}
}

func (b *Broker) die(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.deadErr == nil {
		b.deadErr = fmt.Errorf("stream: %w", err)
		b.log.Error("the broker cannot come back by itself; restart the process", zap.Error(err))
		close(b.dead)
	}
}

func (b *Broker) isClosing() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.closing
}

func (b *Broker) reader() jetstream.Consumer {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.consumer
}

// Close refuses new messages, lets those under way finish, hands the last acknowledgements to the server, then
// closes the client and only after it the server: a client whose server is gone still says it is connected and its
// publish hangs (as tried with 2.15). Past the deadline of ctx it goes on without waiting and says so.
// Messages handed out and not settled come back after AckWait.
func (b *Broker) Close(ctx context.Context) error {
	b.mu.Lock()
	if b.closing {
		b.mu.Unlock()
		return nil
	}
	b.closing = true
	b.mu.Unlock()
	err := b.put.close(ctx)
	flush, cancel := context.WithTimeout(ctx, b.cfg.PublishWait)
	defer cancel()
	if b.nc.IsConnected() {
		if ferr := b.nc.FlushWithContext(flush); ferr != nil {
			err = errors.Join(err, fmt.Errorf("stream: last acknowledgements: %w", ferr))
		}
	}
	done := make(chan struct{})
	go func() {
		b.shut()
		close(done)
	}()
	select {
	case <-done:
		return err
	case <-ctx.Done():
		return errors.Join(err, fmt.Errorf("stream: the server is still shutting down: %w", ctx.Err()))
	}
}

// shut closes what is open, client before server.
func (b *Broker) shut() {
	b.mu.Lock()
	b.closing = true
	b.mu.Unlock()
	if b.nc != nil {
		b.nc.Close()
	}
	if b.own != nil {
		b.own.stop()
	}
	b.mark.close()
}
