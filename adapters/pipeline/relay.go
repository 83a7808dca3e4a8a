package pipeline

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
)

// Delivery limits.
const (
	relayBatch       = 200              // outgoing messages looked at in one round
	relayIdle        = time.Second      // between rounds when nothing was queued here (another node may have)
	firstDelay       = 2 * time.Second  // after the first failure; doubles
	maxDelay         = 10 * time.Minute //
	maxAttempts      = 1000             // about a week at maxDelay
	maxRefusals      = 5                // tries at a receiver that says the message itself is wrong
	deliveryDeadline = 15 * time.Second // one try
)

// ErrRefused: the receiver says that the message itself is wrong; trying again is of little use.
var ErrRefused = errors.New("refused by the receiver")

// Sink carries an outgoing message to its receiver. It returns nil only with a receipt: the broker's
// acknowledgement, or the endpoint's 2xx. Errors wrap ErrRefused or ErrUnavailable and carry no patient data.
type Sink interface {
	Deliver(ctx context.Context, o Outgoing) error
}

// Relay sends what is in the outbox until ctx ends. Each receiver has a line of its own: one that hangs holds up
// nobody else.
func (s *Service) Relay(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	var busy sync.Map
	for ctx.Err() == nil {
		lines, err := s.due(ctx)
		if err != nil && ctx.Err() == nil {
			s.Log.Warn("outbox not readable", zap.Error(err))
		}
		for _, line := range lines {
			key := line[0].Sink + "|" + line[0].To
			if _, running := busy.LoadOrStore(key, true); running {
				continue
			}
			wg.Go(func() {
				n, err := s.relayLine(ctx, line)
				busy.Delete(key)
				if err != nil && ctx.Err() == nil {
					s.Log.Warn("outbox round failed", zap.Error(err))
				} else if n > 0 {
					s.nudge() // more may be due behind what was sent
				}
			})
		}
		t := time.NewTimer(relayIdle)
		select {
		case <-ctx.Done():
		case <-s.wake:
		case <-t.C:
		}
		t.Stop()
	}
	return nil
}

// RelayOnce tries every outgoing message that is due, one of each order, receiver by receiver, and writes down what
// came of it. It returns how many were delivered.
func (s *Service) RelayOnce(ctx context.Context) (delivered int, err error) {
	lines, err := s.due(ctx)
	if err != nil {
		return 0, err
	}
	for _, line := range lines {
		n, err := s.relayLine(ctx, line)
		delivered += n
		if err != nil {
			return delivered, err
		}
	}
	return delivered, nil
}

// due gives the messages to be tried now, those to one receiver together, in the order they were queued.
func (s *Service) due(ctx context.Context) (lines [][]Outgoing, err error) {
	var all []Outgoing
	err = s.Store.View(ctx, func(r Reader) (err error) {
		all, err = r.Waiting(ctx, s.Now(), relayBatch)
		return err
	})
	at := map[string]int{}
	for _, o := range all {
		key := o.Sink + "|" + o.To
		i, ok := at[key]
		if !ok {
			i = len(lines)
			at[key] = i
			lines = append(lines, nil)
		}
		lines[i] = append(lines[i], o)
	}
	return lines, err
}

// relayLine tries the messages to one receiver and settles them. When the receiver is away the rest of the line waits
// with the first, without a try of its own.
func (s *Service) relayLine(ctx context.Context, line []Outgoing) (delivered int, err error) {
	away := time.Time{}
	for i := range line {
		o := &line[i]
		if !away.IsZero() {
			o.NextTry = away
			continue
		}
		if s.try(ctx, o) {
			delivered++
		} else if o.State == OutWaiting && !strings.HasPrefix(o.LastErr, "refused") {
			away = o.NextTry
		}
	}
	finish := context.WithoutCancel(ctx)
	return delivered, s.Store.Update(finish, func(tx Tx) error {
		for _, o := range line {
			if err := tx.Settle(finish, o); err != nil {
				return err
			}
		}
		return nil
	})
}

// try sends one message and sets its state. A crash after the send and before the state is written means a second
// send with the same id.
func (s *Service) try(ctx context.Context, o *Outgoing) bool {
	o.Attempts++
	sink, ok := s.Sinks[o.Sink]
	err := error(nil)
	if !ok {
		err = errors.New("no such sink is configured")
	} else {
		one, cancel := context.WithTimeout(ctx, deliveryDeadline)
		span, end := s.Tracer.Begin(o.Traceparent, SpanDeliver)
		err = sink.Deliver(WithTraceparent(one, span), *o)
		end(err != nil, "sink", o.Sink, "delivery", o.ID, "attempt", strconv.Itoa(o.Attempts))
		cancel()
	}
	if err == nil {
		o.State, o.LastErr = OutSent, ""
		s.Meter.Delivered(o.Sink, s.Now().Sub(o.Queued))
		return true
	}
	if ctx.Err() != nil { // stopping: this try does not count
		o.Attempts--
		return false
	}
	o.LastErr = errClass(err)
	o.NextTry = s.Now().Add(backoff(o.Attempts))
	if o.Attempts >= maxAttempts || errors.Is(err, ErrRefused) && o.Attempts >= maxRefusals {
		o.State = OutDead
		s.Log.Error("delivery given up", zap.String("id", o.ID), zap.String("sink", o.Sink), zap.String("to", o.To),
			zap.String("cause", o.LastErr))
	}
	s.Meter.DeliveryFailed(o.Sink, o.State == OutDead)
	return false
}

func backoff(attempts int) time.Duration {
	d := firstDelay
	for range min(attempts-1, 20) {
		if d *= 2; d >= maxDelay {
			return maxDelay
		}
	}
	return d
}

// errClass keeps what is known to carry no patient data.
func errClass(err error) string {
	switch {
	case errors.Is(err, ErrRefused):
		return "refused: " + err.Error()
	case errors.Is(err, context.DeadlineExceeded):
		return "no answer in time"
	}
	return err.Error()
}
