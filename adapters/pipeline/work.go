package pipeline

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/mapping/implant"
	"gaussline/mapping/intake"
)

// work is a fetched batch on its way through the line.
type work struct {
	deliveries []Delivery
	readings   []Reading
}

// Run works until ctx ends, then finishes the batch in hand. Fetching, decoding and committing overlap: while one
// batch is committed the next is decoded. It returns nil when ctx ended it.
func (s *Service) Run(ctx context.Context) error {
	fetched := make(chan work, 1)
	decoded := make(chan work, 1)
	var wg sync.WaitGroup
	wg.Go(func() { defer close(fetched); s.fetch(ctx, fetched) })
	wg.Go(func() {
		defer close(decoded)
		for w := range fetched {
			w.readings = s.decodeAll(w.deliveries)
			decoded <- w
		}
	})
	finish := context.WithoutCancel(ctx) // what is decoded is committed and acknowledged even while stopping
	alive, stopKeeping := context.WithCancel(finish)
	wg.Go(func() { s.keepAlive(alive) })
	for w := range decoded {
		s.commitAndSettle(ctx, finish, w)
		s.inHand.Delete(&w.deliveries[0])
	}
	stopKeeping()
	wg.Wait()
	return nil
}

// keepAliveEvery is how often the broker is told that the messages in hand are being worked on. It must be well
// below the broker's acknowledgement wait, which is short so that a killed worker's messages come back soon.
const keepAliveEvery = 3 * time.Second

// keepAlive tells the broker about the batches in hand until ctx ends.
func (s *Service) keepAlive(ctx context.Context) {
	t := time.NewTicker(keepAliveEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		s.inHand.Range(func(_, v any) bool {
			for _, d := range v.([]Delivery) {
				if err := d.Working(ctx); err != nil {
					break // settled meanwhile, or the broker is away: it will hand the message out again
				}
			}
			return true
		})
	}
}

// fetch starts with one message and doubles: a message that ends the process takes few others with it when the next
// process meets it again.
func (s *Service) fetch(ctx context.Context, out chan<- work) {
	for n := 1; ctx.Err() == nil; n = min(2*n, s.Limits.Batch) {
		ds, err := s.Inbox.Fetch(ctx, n, s.Limits.FetchWait)
		if err != nil {
			if ctx.Err() != nil {
				return
			}
			s.Log.Warn("inbox not readable, trying again", zap.Error(err))
			sleep(ctx, s.Limits.RetryDelay)
			continue
		}
		if len(ds) > 0 {
			s.inHand.Store(&ds[0], ds)
			out <- work{deliveries: ds}
		}
	}
}

// decodeAll reads the messages of a batch on several goroutines, keeping their order.
func (s *Service) decodeAll(ds []Delivery) []Reading {
	out := make([]Reading, len(ds))
	next := make(chan int)
	var wg sync.WaitGroup
	for range min(s.Limits.Decoders, len(ds)) {
		wg.Go(func() {
			for i := range next {
				out[i] = s.read(ds[i])
			}
		})
	}
	for i := range ds {
		next <- i
	}
	close(next)
	wg.Wait()
	return out
}

// maxUnsettled is how often a message may be handed out before it is suspected of ending the process. It is far above
// what a run of kills or power cuts does to the innocent messages that were in hand.
const maxUnsettled = 50

// read reads one message. One that was handed out again and again without ever being settled has ended the
// process each time, or nearly: it is rejected unread.
func (s *Service) read(d Delivery) (r Reading) {
	m := d.Message()
	span, end := s.Tracer.Begin(d.Traceparent(), SpanRead)
	defer func() {
		r.span = span
		end(false, "message", m.ID, "attempt", strconv.Itoa(d.Attempt()), "rejects", strconv.Itoa(len(r.Rejects)))
	}()
	if d.Attempt() <= maxUnsettled {
		return s.Reader.Read(m)
	}
	r = Reading{Message: m}
	s.Reader.reject(&r, envelopeOf(s.Reader, m), "", m.Body, 0, implant.Finding{Severity: "fatal", Code: "exception",
		Text: fmt.Sprintf("handed out %d times and never settled; it is kept and can be replayed", d.Attempt()-1)})
	return r
}

// commitAndSettle commits a batch. While the store is away the batch stays in hand: handing good messages back would
// use up their tries. When the batch as a whole fails for a reason that will not pass, each message is tried alone,
// so that one bad message does not hold up the others. When run ends, what is not committed is handed back.
func (s *Service) commitAndSettle(run, ctx context.Context, w work) {
	start := s.Now()
	err := s.commitPatiently(run, ctx, w.readings)
	if err == nil {
		s.settled(ctx, w, start)
		return
	}
	if unavailable(err) || len(w.deliveries) == 1 && !s.lastTry(w.deliveries[0]) {
		for _, d := range w.deliveries {
			s.retry(ctx, d)
		}
		return
	}
	for i, d := range w.deliveries {
		one := work{deliveries: w.deliveries[i : i+1], readings: w.readings[i : i+1]}
		err := s.commitPatiently(run, ctx, one.readings)
		switch {
		case err == nil:
			s.settled(ctx, one, start)
		case unavailable(err) || !s.lastTry(d):
			s.retry(ctx, d)
		default:
			s.giveUp(ctx, one, err)
		}
	}
}

// commitPatiently tries until the store takes the batch, says something other than that it is away, or run ends.
func (s *Service) commitPatiently(run, ctx context.Context, batch []Reading) error {
	for wait := s.Limits.RetryDelay / 4; ; wait = min(2*wait, maxStoreWait) {
		err := s.Commit(ctx, batch)
		if err == nil {
			return nil
		}
		s.Log.Warn("batch not committed", zap.Int("messages", len(batch)), zap.Error(err))
		if !unavailable(err) || run.Err() != nil {
			return err
		}
		sleep(run, wait)
	}
}

// maxStoreWait is the longest pause between two tries at a store that is away.
const maxStoreWait = 10 * time.Second

func (s *Service) lastTry(d Delivery) bool { return d.Attempt() >= s.Limits.MaxAttempts }

func (s *Service) retry(ctx context.Context, d Delivery) {
	if err := d.Retry(ctx, time.Duration(d.Attempt())*s.Limits.RetryDelay); err != nil {
		s.Log.Warn("message not handed back; the broker will do so itself", zap.Error(err))
	}
}

// settled acknowledges a committed batch. An acknowledgement that fails means a copy later, which changes nothing.
func (s *Service) settled(ctx context.Context, w work, start time.Time) {
	s.acknowledge(ctx, w.deliveries)
	now := s.Now()
	s.Meter.Received(len(w.deliveries))
	s.Meter.Committed(len(w.deliveries), now.Sub(start))
	for _, r := range w.readings {
		for _, rej := range r.Rejects {
			s.Meter.Refused(rej.Step)
		}
		s.Meter.BannerLatency(now.Sub(r.Message.ReceivedAt))
	}
	s.nudge()
}

func (s *Service) acknowledge(ctx context.Context, ds []Delivery) {
	if many, ok := s.Inbox.(ManyAcker); ok {
		if err := many.AckAll(ctx, ds); err != nil {
			s.Log.Warn("messages not acknowledged; copies will come", zap.Error(err))
		}
		return
	}
	for _, d := range ds {
		if err := d.Ack(ctx); err != nil {
			s.Log.Warn("message not acknowledged; a copy will come", zap.Error(err))
		}
	}
}

// giveUp rejects a message that cannot be stored, keeping its bytes and the unread marks for its patients.
func (s *Service) giveUp(ctx context.Context, w work, cause error) {
	r := Reading{Message: w.readings[0].Message, span: w.readings[0].span}
	rd := s.Reader
	rd.reject(&r, envelopeOf(rd, r.Message), "", r.Message.Body, 0, implant.Finding{Severity: "fatal", Code: "processing",
		Text: "the message was read but could not be stored; it is kept and can be replayed"})
	for i := range r.Rejects {
		r.Rejects[i].Step, r.Rejects[i].Attempts = StepStore, w.deliveries[0].Attempt()
	}
	s.Log.Error("message rejected: it cannot be stored", zap.String("message", r.Message.ID), zap.Error(cause))
	err := s.Commit(ctx, []Reading{r})
	if err != nil && !unavailable(err) { // the marks themselves cannot be kept: better a reject without them
		r.Statements = nil
		for i := range r.Rejects {
			r.Rejects[i].Key = ""
		}
		err = s.Commit(ctx, []Reading{r})
	}
	if err != nil {
		s.Log.Error("reject not kept, message handed back", zap.Error(err))
		s.retry(ctx, w.deliveries[0])
		return
	}
	s.settled(ctx, work{w.deliveries, []Reading{r}}, s.Now())
}

func envelopeOf(r MessageReader, m Message) intake.Envelope {
	env := intake.Envelope{Sender: m.Sender, Base: r.Bases[m.Sender], Kind: "resource"}
	if msg, err := fhirjson.Split(m.Body, r.Limits); err == nil {
		env.Kind, env.MessageTime = msg.Kind, msg.Timestamp
	}
	return env
}

// sleep waits for d or until ctx ends.
func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// Drain works through what is in the inbox now and returns when nothing is left or ctx ends. It is for imports
// and demonstrations; Run is the service.
func (s *Service) Drain(ctx context.Context, progress func(done int)) error {
	once, stop := context.WithCancel(ctx)
	stop() // no patience with a store that is away: the caller is there to hear of it
	done := 0
	for {
		ds, err := s.Inbox.Fetch(ctx, s.Limits.Batch, s.Limits.FetchWait/5)
		if err != nil {
			return err
		}
		if len(ds) == 0 {
			left, err := s.Inbox.Backlog(ctx)
			if err != nil || left == 0 {
				return errors.Join(err, ctx.Err())
			}
			continue
		}
		s.commitAndSettle(once, ctx, work{ds, s.decodeAll(ds)})
		done += len(ds)
		progress(done)
	}
}
