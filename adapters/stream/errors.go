package stream

import (
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"gaussline/adapters/pipeline"
)

// codeTooLarge is the server's answer to a message over the stream's MaxMsgSize (JSStreamMessageExceedsMaximumErr).
const codeTooLarge jetstream.ErrorCode = 10054

// publishError wraps what a publish returned so that the caller can tell what to do: ErrTooLarge when trying again
// is useless, else ErrUnavailable. Whether an unavailable publish was stored is not known: readers expect copies.
func publishError(what string, err error) error {
	if err == nil {
		return nil
	}
	var api *jetstream.APIError
	if errors.Is(err, nats.ErrMaxPayload) || (errors.As(err, &api) && api.ErrorCode == codeTooLarge) {
		return fmt.Errorf("stream: %s: %w: %w", what, pipeline.ErrTooLarge, err)
	}
	return unavailable(what, err)
}

func unavailable(what string, err error) error {
	return fmt.Errorf("stream: %s: %w: %w", what, pipeline.ErrUnavailable, err)
}

var errClosed = errors.New("the broker is closed")
