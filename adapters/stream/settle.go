package stream

import (
	"context"
	"errors"
	"sync"

	"github.com/nats-io/nats.go/jetstream"

	"gaussline/adapters/pipeline"
)

const (
	minPurge      = 32      // fewer are quicker one by one: a purge costs 2 ms and more
	maxRemembered = 200_000 // sequence numbers of settled messages behind one that is not
)

// front knows of the messages that were settled and may still be in the stream.
type front struct {
	mu   sync.Mutex
	done map[uint64]bool // by sequence number
}

// AckAll implements pipeline.ManyAcker. An acknowledgement costs our own server a sync, one for each message, and while
// it syncs nothing can be fetched: history came in no faster than that. So the messages at the beginning of the stream
// are taken away together, by a purge up to a number, as far as each of them is settled. Which those are is known here,
// from what was settled in this process, and nothing is asked of the broker but the first number that it still has:
// from there on every single number must be one that was settled. What comes behind a message that is not is
// acknowledged one by one. Only we have an embedded server's stream; on an outside one others may make it anew and give
// a number twice.
func (i inbox) AckAll(ctx context.Context, ds []pipeline.Delivery) error {
	b := i.b
	if b.own == nil || len(ds) < minPurge {
		return ackEach(ctx, ds)
	}
	if b.isClosing() {
		return unavailable("ack", errClosed)
	}
	b.front.mu.Lock()
	defer b.front.mu.Unlock()
	for _, d := range ds {
		if d, ok := d.(*delivery); ok {
			b.front.done[d.seq] = true
		}
	}
	gone, err := i.purgeSettled(ctx)
	var rest []pipeline.Delivery
	for _, d := range ds {
		if d, ok := d.(*delivery); !ok || d.seq >= gone {
			rest = append(rest, d)
		}
	}
	return errors.Join(err, ackEach(ctx, rest))
}

// purgeSettled takes the settled messages at the beginning of the stream away, but for the last of them, and gives the
// first number that it left. The last is left because an emptied stream costs more than an acknowledgement.
func (i inbox) purgeSettled(ctx context.Context) (gone uint64, err error) {
	b := i.b
	ctx, cancel := context.WithTimeout(ctx, b.cfg.PublishWait)
	defer cancel()
	info, err := b.in.Info(ctx)
	if err != nil {
		return 0, unavailable("ack", err)
	}
	next := b.front.settledFrom(info.State.FirstSeq, info.State.LastSeq)
	if next < info.State.FirstSeq+minPurge {
		return 0, nil
	}
	gone = next - 1
	if err := b.in.Purge(ctx, jetstream.WithPurgeSequence(gone)); err != nil {
		return 0, unavailable("ack", err) // not known; they are acknowledged one by one
	}
	return gone, nil
}

// settledFrom gives the first number from first on that is not settled, of a stream that has reached last. It forgets what
// is no longer in the stream, and all of it when too much lies behind a message that is not settled, which costs time
// only, or when a number is above last: then the server has made a damaged stream anew, and may give numbers twice.
func (f *front) settledFrom(first, last uint64) (next uint64) {
	for seq := range f.done {
		if seq > last {
			clear(f.done)
			break
		}
		if seq < first {
			delete(f.done, seq)
		}
	}
	for next = first; f.done[next]; next++ {
	}
	if len(f.done) > maxRemembered {
		clear(f.done)
	}
	return next
}

func ackEach(ctx context.Context, ds []pipeline.Delivery) error {
	var errs []error
	for _, d := range ds {
		if err := d.Ack(ctx); err != nil {
			errs = append(errs, err)
		}
	}
	if len(errs) > 1 { // one says it all
		errs = errs[:1]
	}
	return errors.Join(errs...)
}
