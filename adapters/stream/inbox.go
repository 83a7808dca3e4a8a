package stream

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
)

// Headers of an inbox message. Only on subjects that this service alone may publish to are ours believed.
const (
	headerID       = "Gaussline-Message-Id" // what MessageID gave at Put
	headerReceived = "Gaussline-Received"   // time of receipt
	headerSender   = "Gaussline-Sender"     // for people: the subject is what counts
	headerType     = "Content-Type"         // also from outside senders
	headerTrace    = "traceparent"          // W3C Trace Context; also from outside senders. Its tracestate is not taken: it may hold anything
)

const (
	unnamed     = "unnamed"             // sender of a message on a subject that no sender may have
	maxPull     = 64                    // messages of one pull request
	pullBytes   = 32 << 20              // bytes of one pull request; the server drops a client that is 64 MiB behind
	fetchBytes  = 64 << 20              // Fetch returns once it holds more
	maxTypeSize = 200                   // bytes of a Content-Type that are kept
	minWait     = 10 * time.Millisecond // shortest wait that a pull request can express
)

// MessageID is the identity of a received message: hex SHA-256 of sender, a zero byte and body.
func MessageID(sender string, body []byte) string {
	h := sha256.New()
	h.Write([]byte(sender))
	h.Write([]byte{0})
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

type inbox struct{ b *Broker }

// Put implements pipeline.Inbox. m.ID may be empty; a wrong one, a bad sender and a body over the limit are errors.
// m.Body must not be changed afterwards, even when Put returned early.
func (i inbox) Put(ctx context.Context, m pipeline.Message) error {
	if !validName(m.Sender) {
		return fmt.Errorf("stream: put: %q is not a sender name (1 to 40 of a-z, 0-9 and -)", m.Sender)
	}
	if len(m.Body) > i.b.cfg.MaxMessageBytes {
		return fmt.Errorf("stream: put: %d bytes, limit %d: %w", len(m.Body), i.b.cfg.MaxMessageBytes, pipeline.ErrTooLarge)
	}
	id := MessageID(m.Sender, m.Body)
	if m.ID != "" && m.ID != id {
		return errors.New("stream: put: the message's ID is not that of its sender and body")
	}
	received := m.ReceivedAt
	if received.IsZero() {
		received = i.b.now()
	}
	msg := nats.NewMsg(servicePrefix + m.Sender)
	msg.Data = m.Body
	msg.Header.Set(headerID, id)
	msg.Header.Set(headerSender, m.Sender)
	msg.Header.Set(headerReceived, received.UTC().Format(stamp))
	if t := headerText(m.ContentType); t != "" {
		msg.Header.Set(headerType, t)
	}
	setTraceparent(ctx, msg)
	return publishError("put", i.b.put.put(ctx, msg))
}

// setTraceparent puts what the context is traced by on a message, in the lower case that the W3C gives the name: headers
// of NATS know capitals.
func setTraceparent(ctx context.Context, msg *nats.Msg) {
	if tp := headerText(pipeline.TraceparentOf(ctx)); tp != "" {
		msg.Header.Set(headerTrace, tp)
	}
}

// headerText drops what cannot stand in a header line.
func headerText(s string) string {
	if len(s) > maxTypeSize || strings.ContainsAny(s, "\r\n\x00") {
		return ""
	}
	return s
}

// Fetch implements pipeline.Inbox. It returns as soon as one message is there, with those that wait behind it, and
// stops short of max when it holds fetchBytes.
func (i inbox) Fetch(ctx context.Context, max int, wait time.Duration) ([]pipeline.Delivery, error) {
	if max < 1 {
		return nil, fmt.Errorf("stream: fetch: max %d is not positive", max)
	}
	if i.b.isClosing() {
		return nil, unavailable("fetch", errClosed)
	}
	first, err := i.first(ctx, wait)
	if err != nil || first == nil {
		return nil, err
	}
	list := []pipeline.Delivery{first}
	size := len(first.message.Body)
	for len(list) < max && size < fetchBytes {
		want := min(max-len(list), i.chunk())
		got := i.more(want)
		for _, d := range got {
			list = append(list, d)
			size += len(d.message.Body)
		}
		if len(got) < want {
			break
		}
	}
	return list, nil
}

// first waits for one message; nil when none came.
func (i inbox) first(ctx context.Context, wait time.Duration) (*delivery, error) {
	within, cancel := context.WithTimeout(ctx, max(wait, minWait))
	defer cancel()
	batch, err := i.b.reader().Fetch(1, jetstream.FetchContext(within))
	if err != nil {
		return nil, i.fetchError(ctx, err)
	}
	if msg, ok := <-batch.Messages(); ok {
		return i.receive(msg)
	}
	err = batch.Error()
	if ctx.Err() != nil {
		return nil, unavailable("fetch", ctx.Err())
	}
	if err == nil || errors.Is(err, context.DeadlineExceeded) {
		if !i.b.nc.IsConnected() {
			return nil, unavailable("fetch", nats.ErrDisconnected)
		}
		return nil, nil
	}
	return nil, i.fetchError(ctx, err)
}

// more takes up to want messages that are there now. What goes wrong here, the next Fetch meets again.
func (i inbox) more(want int) []*delivery {
	batch, err := i.b.reader().FetchNoWait(want)
	if err != nil {
		return nil
	}
	var list []*delivery
	for msg := range batch.Messages() {
		if d, err := i.receive(msg); err == nil {
			list = append(list, d)
		}
	}
	return list
}

// chunk keeps one pull request below pullBytes even when every message is as big as allowed.
func (i inbox) chunk() int {
	return max(1, min(maxPull, pullBytes/(i.b.cfg.MaxMessageBytes+headerRoom)))
}

// fetchError makes the reader anew when it is gone from the broker; its messages are still in the stream.
func (i inbox) fetchError(ctx context.Context, err error) error {
	if errors.Is(err, jetstream.ErrConsumerDeleted) || errors.Is(err, jetstream.ErrConsumerNotFound) ||
		errors.Is(err, nats.ErrNoResponders) {
		i.b.log.Warn("the inbox reader is gone from the broker, making it anew")
		try, cancel := context.WithTimeout(ctx, i.b.cfg.PublishWait)
		defer cancel()
		err = errors.Join(err, i.b.ensureReader(try))
	}
	return unavailable("fetch", err)
}

// Backlog implements pipeline.Inbox: an acknowledged message leaves a work queue, so what is in it is what waits.
func (i inbox) Backlog(ctx context.Context) (int64, error) {
	if i.b.isClosing() {
		return 0, unavailable("backlog", errClosed)
	}
	ctx, cancel := context.WithTimeout(ctx, i.b.cfg.PublishWait)
	defer cancel()
	info, err := i.b.in.Info(ctx, jetstream.WithSubjectFilter(inPrefix+">"))
	if err != nil {
		return 0, unavailable("backlog", err)
	}
	var sum int64
	for _, n := range info.State.Subjects {
		sum += int64(n)
	}
	return sum, nil
}

// receive makes the message from what the broker hands out. The sender is in the subject, which the broker checks;
// the ID is always computed; our headers count only on our own subjects.
func (i inbox) receive(msg jetstream.Msg) (*delivery, error) {
	meta, err := msg.Metadata()
	if err != nil {
		return nil, unavailable("fetch", err)
	}
	i.b.mark.reached(meta.Sequence.Stream) // also what outside senders published
	m := pipeline.Message{
		Body:        msg.Data(),
		ContentType: headerText(msg.Headers().Get(headerType)),
		ReceivedAt:  meta.Timestamp.UTC().Truncate(time.Microsecond),
	}
	name, ours := strings.CutPrefix(msg.Subject(), servicePrefix)
	if !ours {
		name = strings.TrimPrefix(msg.Subject(), inPrefix)
	}
	if m.Sender = name; !validName(name) {
		m.Sender = unnamed
		i.b.log.Warn("message on a subject that is no sender's", zap.Uint64("sequence", meta.Sequence.Stream))
	}
	m.ID = MessageID(m.Sender, m.Body)
	if ours {
		if at, ok := parseStamp(msg.Headers().Get(headerReceived)); ok {
			m.ReceivedAt = at
		}
		if msg.Headers().Get(headerID) != m.ID {
			i.b.log.Error("message is not the one that was put: its bytes changed on the way or on disk",
				zap.Uint64("sequence", meta.Sequence.Stream))
		}
	}
	return &delivery{b: i.b, msg: msg, seq: meta.Sequence.Stream, message: m, attempt: int(meta.NumDelivered)}, nil
}

// delivery implements pipeline.Delivery.
type delivery struct {
	b       *Broker
	msg     jetstream.Msg
	seq     uint64 // in the stream
	message pipeline.Message
	attempt int
}

// Message gives what was received.
func (d *delivery) Message() pipeline.Message { return d.message }

// Attempt is 1 on the first delivery.
func (d *delivery) Attempt() int { return d.attempt }

// Ack hands the acknowledgement to the broker without waiting for an answer: one that is lost brings a copy, which
// the record knows by its ID, and one that comes after AckWait is taken as good (nats-server issue 4786).
func (d *delivery) Ack(ctx context.Context) error { return d.settle(ctx, "ack", d.msg.Ack) }

// Traceparent gives the header of that name.
func (d *delivery) Traceparent() string { return headerText(d.msg.Headers().Get(headerTrace)) }

// Retry asks for the message again after delay; without one the broker would hand it out at once (as tried).
func (d *delivery) Retry(ctx context.Context, delay time.Duration) error {
	return d.settle(ctx, "retry", func() error { return d.msg.NakWithDelay(max(delay, time.Millisecond)) })
}

// Working starts AckWait anew.
func (d *delivery) Working(ctx context.Context) error {
	return d.settle(ctx, "working", d.msg.InProgress)
}

func (d *delivery) settle(ctx context.Context, what string, f func() error) error {
	if err := ctx.Err(); err != nil {
		return unavailable(what, err)
	}
	if d.b.isClosing() {
		return unavailable(what, errClosed)
	}
	if err := f(); err != nil {
		return unavailable(what, err)
	}
	return nil
}
