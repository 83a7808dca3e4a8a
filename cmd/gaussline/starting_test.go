package main

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/adapters/pipeline"
)

// A start waits for other writers a bounded number of times, longer from try to try, and for nothing else.
func TestInsist(t *testing.T) {
	other := errors.New("something else")
	for _, c := range []struct {
		name   string
		errs   []error // of the tries; the last is for all that follow
		want   error
		waits  int
		waited time.Duration
	}{
		{"free at once", []error{nil}, nil, 0, 0},
		{"free at the third try", []error{pipeline.ErrBusy, fmt.Errorf("store: %w", pipeline.ErrBusy), nil}, nil, 2, 750 * time.Millisecond},
		{"another fault", []error{pipeline.ErrBusy, other}, other, 1, 250 * time.Millisecond},
		{"never free", []error{pipeline.ErrBusy}, pipeline.ErrBusy, startTries - 1, 250*31*time.Millisecond + 9*5*time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			core, logged := observer.New(zap.WarnLevel)
			var waits int
			var waited time.Duration
			a := &app{log: zap.New(core), sleep: func(_ context.Context, d time.Duration) error { waits++; waited += d; return nil }}
			tries := 0
			err := a.insist(t.Context(), "step", func() error { tries++; return c.errs[min(tries, len(c.errs))-1] })
			if !errors.Is(err, c.want) || waits != c.waits || waited != c.waited || tries != waits+1 || logged.Len() != waits {
				t.Errorf("%v after %d tries, %d waits of %s in all, %d log lines", err, tries, waits, waited, logged.Len())
			}
		})
	}
}

// Whoever stops the service while it waits is not kept waiting.
func TestInsistStops(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	a := &app{log: zap.NewNop(), sleep: sleep}
	err := a.insist(ctx, "step", func() error { stop(); return pipeline.ErrBusy })
	if !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}
