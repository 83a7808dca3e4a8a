package stream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
	"go.uber.org/zap"
)

const (
	maxBatch      = 200                   // messages of one atomic batch; the server takes 1000
	maxBatchBytes = 8 << 20               // bytes of one batch; a bigger message goes alone
	minBatch      = 20                    // fewer are quicker one by one: a batch costs 3.5 to 5 ms, a single 0.3 (measured)
	maxWaiting    = 1024                  // Puts waiting for the publisher; more wait in their own goroutine
	maxLinger     = 20 * time.Millisecond // longest wait for the senders of a batch to come back
)

// Headers of an atomic batch (JetStream ADR-50); the client has no call for it.
const (
	headerBatch  = "Nats-Batch-Id"
	headerSeq    = "Nats-Batch-Sequence"
	headerCommit = "Nats-Batch-Commit"
)

// putting is one Put that waits for its outcome.
type putting struct {
	ctx  context.Context
	msg  *nats.Msg
	size int
	done chan error // of capacity 1
}

// batcher lets concurrent senders share a sync. One goroutine takes whatever waits, up to maxBatch, and publishes
// it; the next lot gathers meanwhile. A message goes at once unless the last lot was a batch: then its senders are
// on their way with the next one, and they are given up to half the time that the batch took, so that they do not split into two halves that
// sync in turn.
type batcher struct {
	b     *Broker
	queue chan *putting
	stop  chan struct{} // closed by close
	ended chan struct{} // closed when the publisher has returned
}

func newBatcher(b *Broker) *batcher {
	p := &batcher{b: b, queue: make(chan *putting, maxWaiting), stop: make(chan struct{}), ended: make(chan struct{})}
	go p.run()
	return p
}

// put waits until msg is synced, ctx ends, or the broker is closed. After an early return msg may still be stored.
func (p *batcher) put(ctx context.Context, msg *nats.Msg) error {
	job := &putting{ctx: ctx, msg: msg, size: msg.Size(), done: make(chan error, 1)}
	select {
	case <-p.stop:
		return errClosed
	default:
	}
	select {
	case p.queue <- job:
	case <-ctx.Done():
		return ctx.Err()
	case <-p.stop:
		return errClosed
	}
	select {
	case err := <-job.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-p.ended:
		select {
		case err := <-job.done:
			return err
		default:
			return errClosed
		}
	}
}

// close lets what is queued finish and waits for it, at most until ctx ends.
func (p *batcher) close(ctx context.Context) error {
	close(p.stop)
	select {
	case <-p.ended:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("stream: messages under way: %w", ctx.Err())
	}
}

func (p *batcher) run() {
	defer close(p.ended)
	var next *putting // taken from the queue but too big for the last lot
	expect := 1       // size of the last lot
	var took time.Duration
	for {
		first := next
		if first == nil {
			select {
			case first = <-p.queue:
			case <-p.stop:
				select {
				case first = <-p.queue:
				default:
					return
				}
			}
		}
		var lot []*putting
		lot, next = p.gather(first, expect, min(took/2, maxLinger))
		expect = len(lot)
		start := time.Now()
		p.publish(lot)
		took = time.Since(start)
	}
}

// gather takes what waits; after a batch also what comes within linger, until the lot is as big as that one was.
// rest is one taken that did not fit.
func (p *batcher) gather(first *putting, expect int, linger time.Duration) (lot []*putting, rest *putting) {
	lot, size := []*putting{first}, first.size
	var late <-chan time.Time
	if expect >= minBatch {
		timer := time.NewTimer(linger)
		defer timer.Stop()
		late = timer.C
	}
	for len(lot) < maxBatch {
		var job *putting
		select {
		case job = <-p.queue:
		default:
			if late == nil || len(lot) >= expect {
				return lot, nil
			}
			select {
			case job = <-p.queue:
			case <-late:
				return lot, nil
			}
		}
		if size+job.size > maxBatchBytes {
			return lot, job
		}
		lot, size = append(lot, job), size+job.size
	}
	return lot, nil
}

func (p *batcher) publish(lot []*putting) {
	live := lot[:0]
	for _, job := range lot {
		if err := job.ctx.Err(); err != nil {
			job.done <- err
			continue
		}
		live = append(live, job)
	}
	if len(live) >= minBatch && p.b.batches {
		err := p.batch(live)
		var api *jetstream.APIError
		if !errors.As(err, &api) {
			for _, job := range live {
				job.done <- err
			}
			return
		}
		// Refused whole, nothing of it is stored: each for itself, so that one that cannot be kept fails alone.
		p.b.log.Debug("batch refused, publishing singly", zap.Int("messages", len(live)), zap.Error(err))
	}
	p.singles(live)
}

// singles publishes each for itself, all in one go, and waits for each answer. Each has the deadline of one publish,
// whatever its sender waits for.
func (p *batcher) singles(jobs []*putting) {
	futures := make([]jetstream.PubAckFuture, len(jobs))
	for i, job := range jobs {
		for _, name := range []string{headerBatch, headerSeq, headerCommit} {
			job.msg.Header.Del(name)
		}
		future, err := p.b.js.PublishMsgAsync(job.msg, jetstream.WithExpectStream(inStream),
			jetstream.WithStallWait(p.b.cfg.PublishWait))
		if err != nil {
			job.done <- err
			continue
		}
		futures[i] = future
	}
	for i, job := range jobs {
		if futures[i] == nil {
			continue
		}
		select {
		case ack := <-futures[i].Ok():
			p.b.mark.reached(ack.Sequence)
			job.done <- nil
		case err := <-futures[i].Err(): // also past PublishWait, and when the connection is lost
			job.done <- err
		}
	}
}

// batch publishes jobs as one atomic batch: all are synced, or none is stored. An APIError means refused, any
// other error that the outcome is not known.
func (p *batcher) batch(jobs []*putting) error {
	id := nuid.Next()
	ctx, cancel := context.WithTimeout(context.Background(), p.b.cfg.PublishWait)
	defer cancel()
	last := len(jobs) - 1
	for i, job := range jobs {
		job.msg.Header.Set(headerBatch, id)
		job.msg.Header.Set(headerSeq, strconv.Itoa(i+1))
		if i < last {
			if err := p.b.nc.PublishMsg(job.msg); err != nil {
				return err
			}
		}
	}
	jobs[last].msg.Header.Set(headerCommit, "1")
	reply, err := p.b.nc.RequestMsgWithContext(ctx, jobs[last].msg)
	if err != nil {
		return err
	}
	seq, err := batchOutcome(reply.Data, id, len(jobs))
	p.b.mark.reached(seq)
	return err
}

// batchOutcome reads the acknowledgement of a commit. A server that does not know batches acknowledges the last
// message alone: that is no acknowledgement of the others.
func batchOutcome(data []byte, id string, count int) (last uint64, err error) {
	var ack struct {
		Error *jetstream.APIError `json:"error"`
		Batch string              `json:"batch"`
		Count int                 `json:"count"`
		Seq   uint64              `json:"seq"`
	}
	if err := json.Unmarshal(data, &ack); err != nil {
		return 0, fmt.Errorf("acknowledgement of a batch: %w", err)
	}
	if ack.Error != nil {
		return 0, ack.Error
	}
	if ack.Batch != id || ack.Count != count {
		return 0, fmt.Errorf("acknowledgement of a batch of %d names %d", count, ack.Count)
	}
	return ack.Seq, nil
}

// stamp is the layout of times in headers: UTC, microseconds.
const stamp = "2006-01-02T15:04:05.000000Z07:00"

func parseStamp(s string) (time.Time, bool) {
	t, err := time.Parse(stamp, s)
	return t.UTC(), err == nil
}
