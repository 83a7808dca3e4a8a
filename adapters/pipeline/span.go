package pipeline

import "context"

// Tracer tells operators how long each step of a message took, from the door to radiology. A step is a span; the span
// it follows from is named by a W3C traceparent, which travels in the headers of the inbox, in the outbox, and in those
// of what is delivered. What a message says never goes in.
type Tracer interface {
	// Begin opens the span of a step that follows parent; "" or one that is no traceparent begins a new trace. It gives
	// the span's own traceparent, "" when nothing is traced, and what ends the span: whether the step failed, and keys
	// and values in turn that hold names and numbers of ours only.
	Begin(parent, step string) (traceparent string, end func(failed bool, notes ...string))
}

// Steps that are traced.
const (
	SpanReceive = "receive" // from the door until the message is synced in the inbox
	SpanRead    = "read"    // decoding, and what is read from it; before it, the message waited in the inbox
	SpanCommit  = "commit"  // the transaction of the batch that the message is in
	SpanDeliver = "deliver" // one try to deliver; before it, the message waited in the outbox
)

type noTracer struct{}

func (noTracer) Begin(string, string) (string, func(bool, ...string)) { return "", notTraced }

func notTraced(bool, ...string) {}

type traceparentKey struct{}

// WithTraceparent gives a context for what follows from the span that a W3C traceparent names.
func WithTraceparent(ctx context.Context, traceparent string) context.Context {
	return context.WithValue(ctx, traceparentKey{}, traceparent)
}

// TraceparentOf gives what WithTraceparent was given, "" none.
func TraceparentOf(ctx context.Context) string {
	s, _ := ctx.Value(traceparentKey{}).(string)
	return s
}
