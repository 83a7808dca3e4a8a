package stream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
)

const (
	ensureTry  = 5 * time.Second        // one try to make a stream
	ensurePace = 250 * time.Millisecond // between tries while a cluster elects its leaders
	ensureWait = 60 * time.Second       // all tries together
)

// inConfig: a work queue gives its room back with each acknowledgement, so that the limit bounds what is not yet
// read; when full it refuses new messages instead of dropping old ones.
func (c Config) inConfig() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:               inStream,
		Description:        "received and not yet read",
		Subjects:           []string{inPrefix + "*", servicePrefix + "*", canarySubject},
		Retention:          jetstream.WorkQueuePolicy,
		Storage:            jetstream.FileStorage,
		Discard:            jetstream.DiscardNew,
		MaxBytes:           c.MaxBytes,
		MaxMsgSize:         int32(c.MaxMessageBytes + headerRoom),
		Replicas:           c.Replicas,
		Duplicates:         inWindow,
		AllowAtomicPublish: true,
	}
}

// outConfig: receivers read at their own pace until a message is outAge old.
func (c Config) outConfig() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        outStream,
		Description: "banners and refusals, for their receivers",
		Subjects:    []string{outSubjects},
		Retention:   jetstream.LimitsPolicy,
		Storage:     jetstream.FileStorage,
		Discard:     jetstream.DiscardNew,
		MaxAge:      outAge,
		MaxBytes:    c.MaxBytes,
		MaxMsgSize:  int32(c.MaxMessageBytes + headerRoom),
		Replicas:    c.Replicas,
		Duplicates:  outWindow,
	}
}

// readerConfig: deliveries have no limit of ours on the broker. A message past MaxDeliver would stay in the queue
// unseen (nats-server issue 5564); the pipeline counts attempts, writes the reason to SQL and acknowledges.
func (c Config) readerConfig() jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Name:           reader,
		Durable:        reader,
		AckPolicy:      jetstream.AckExplicitPolicy,
		AckWait:        c.AckWait,
		MaxDeliver:     -1,
		MaxAckPending:  maxAckPending,
		DeliverPolicy:  jetstream.DeliverAllPolicy,
		FilterSubjects: []string{inPrefix + "*", servicePrefix + "*"},
		Replicas:       c.Replicas,
	}
}

// ensure makes the streams and the reader, or brings them to this configuration, and refuses what does not keep
// the promise of Put. A cluster that is still electing is tried again.
func (b *Broker) ensure(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, ensureWait)
	defer cancel()
	var in jetstream.Stream
	for _, cfg := range []jetstream.StreamConfig{b.cfg.inConfig(), b.cfg.outConfig()} {
		s, err := b.ensureStream(ctx, cfg)
		if err != nil {
			return makeError(cfg.Name, err)
		}
		info := s.CachedInfo()
		if err := durable(info.Config); err != nil {
			return err
		}
		if cfg.Name == inStream {
			in = s
			b.batches = info.Config.AllowAtomicPublish
		}
	}
	if !b.batches {
		b.log.Warn("the broker has no atomic batches: each message is synced alone")
	}
	b.in = in
	return b.ensureReader(ctx)
}

func (b *Broker) ensureStream(ctx context.Context, cfg jetstream.StreamConfig) (jetstream.Stream, error) {
	for {
		try, cancel := context.WithTimeout(ctx, ensureTry)
		s, err := b.js.CreateOrUpdateStream(try, cfg)
		cancel()
		if err == nil || !electing(err) {
			return s, err
		}
		select {
		case <-ctx.Done():
			return nil, errors.Join(err, ctx.Err())
		case <-time.After(ensurePace):
		}
	}
}

// codeNoPeers is the server's answer while it does not know enough servers of its cluster (JSClusterNoPeersErrF).
const codeNoPeers jetstream.ErrorCode = 10005

// electing tells whether err may be gone when a cluster has found its leaders: no answer, 503, or no peers yet.
// Any other refusal, such as of a changed storage, stays.
func electing(err error) bool {
	var api *jetstream.APIError
	if !errors.As(err, &api) {
		return errors.Is(err, nats.ErrNoResponders) || errors.Is(err, nats.ErrTimeout) || errors.Is(err, context.DeadlineExceeded)
	}
	return api.Code == 503 || api.ErrorCode == codeNoPeers
}

// codeNoRoom is the server's answer to limits beyond what it may store (JSStorageResourcesExceededErr).
const codeNoRoom jetstream.ErrorCode = 10047

func makeError(name string, err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == codeNoRoom {
		return fmt.Errorf("stream: make %s: MaxBytes, twice, is more than the server may store, or less than its streams "+
			"were given before: %w", name, err)
	}
	return fmt.Errorf("stream: make %s: %w", name, err)
}

// durable refuses a stream that acknowledges what is not on disk: kept in memory, or with the persist mode that
// switches the server's sync off for one stream (read in the source of
// nats-server 2.15).
func durable(cfg jetstream.StreamConfig) error {
	if cfg.Storage != jetstream.FileStorage {
		return fmt.Errorf("stream: %s is kept in %v; it must be on file", cfg.Name, cfg.Storage)
	}
	if cfg.PersistMode != jetstream.DefaultPersistMode {
		return fmt.Errorf("stream: %s has persist mode %v, which acknowledges before it syncs", cfg.Name, cfg.PersistMode)
	}
	return nil
}

func (b *Broker) ensureReader(ctx context.Context) error {
	c, err := b.in.CreateOrUpdateConsumer(ctx, b.cfg.readerConfig())
	if err != nil {
		return fmt.Errorf("stream: make reader %s: %w", reader, err)
	}
	if info := c.CachedInfo(); info != nil && info.Paused {
		b.log.Warn("reading of the inbox is paused on the broker; Resume ends it", zap.Duration("left", info.PauseRemaining))
	}
	b.mu.Lock()
	b.consumer = c
	b.mu.Unlock()
	return nil
}
