package main

import (
	"context"
	"errors"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
)

// Trying again at the start. Each try itself waits as long as the store does for a lock, 10 s unless configured.
const (
	firstWait   = 250 * time.Millisecond // doubled from try to try
	longestWait = 5 * time.Second
	startTries  = 15 // with the waits between them about three and a half minutes
)

// insist runs one step of the start, and runs it again while another writer is in its way: nodes of a cluster that is
// upgraded one by one go on writing, and one of their transactions, or a queue of them, may hold a table or the turn to
// write for longer than one try waits. The step must leave nothing half done when it fails. Every other error, and the
// last one, is the caller's.
func (a *app) insist(ctx context.Context, step string, f func() error) error {
	wait := firstWait
	for try := 1; ; try++ {
		err := f()
		if !errors.Is(err, pipeline.ErrBusy) || try == startTries {
			return err
		}
		a.log.Warn("start: another writer is in the way; trying again", zap.String("step", step), zap.Int("try", try),
			zap.Duration("after", wait), zap.Error(err))
		if err := a.sleep(ctx, wait); err != nil {
			return err
		}
		wait = min(2*wait, longestWait)
	}
}

// sleep waits for d; the error is that of ctx, if it ends first.
func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
