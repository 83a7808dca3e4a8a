package stream

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"gaussline/adapters/pipeline"
)

const (
	maxIDLength      = 128 // bytes of an outgoing message's id
	maxSubjectLength = 200 // bytes
)

type sender struct{ b *Broker }

// Send implements pipeline.Sender. The subject must be one of the outgoing stream; the id is kept as Nats-Msg-Id,
// by which the broker drops a repetition within outWindow and receivers any later one.
func (s sender) Send(ctx context.Context, subject, id string, body []byte) error {
	switch {
	case !outgoing(subject):
		return fmt.Errorf("stream: send: %q is not a subject of the outgoing stream (%s)", subject, outSubjects)
	case id == "" || len(id) > maxIDLength || strings.ContainsAny(id, "\r\n\x00"):
		return errors.New("stream: send: an id of 1 to 128 bytes on one line is needed")
	case len(body) > s.b.cfg.MaxMessageBytes:
		return fmt.Errorf("stream: send: %d bytes, limit %d: %w", len(body), s.b.cfg.MaxMessageBytes, pipeline.ErrTooLarge)
	case s.b.isClosing():
		return unavailable("send", errClosed)
	}
	ctx, cancel := context.WithTimeout(ctx, s.b.cfg.PublishWait)
	defer cancel()
	msg := nats.NewMsg(subject)
	msg.Data = body
	setTraceparent(ctx, msg)
	_, err := s.b.js.PublishMsg(ctx, msg, jetstream.WithMsgID(id), jetstream.WithExpectStream(outStream))
	return publishError("send", err)
}

// outgoing tells whether subject lies under outPrefix, in plain tokens.
func outgoing(subject string) bool {
	rest, ok := strings.CutPrefix(subject, outPrefix)
	if !ok || len(subject) > maxSubjectLength {
		return false
	}
	for _, token := range strings.Split(rest, ".") {
		if token == "" || strings.ContainsAny(token, "*> \t\r\n\x00") {
			return false
		}
	}
	return true
}

// Outgoing counts the messages that the outgoing stream holds for receivers.
func (b *Broker) Outgoing(ctx context.Context) (int64, error) {
	if b.isClosing() {
		return 0, unavailable("outgoing", errClosed)
	}
	ctx, cancel := context.WithTimeout(ctx, b.cfg.PublishWait)
	defer cancel()
	s, err := b.js.Stream(ctx, outStream)
	if err != nil {
		return 0, unavailable("outgoing", err)
	}
	return int64(s.CachedInfo().State.Msgs), nil
}
