package main

import (
	"bytes"
	"context"
	"testing"
)

// BenchmarkBackfill is the way from the inbox to committed records for message Bundles and referrals; run it with
// -cpuprofile. The ratios that mean something are printed by "gaussline bench".
func BenchmarkBackfill(b *testing.B) {
	for _, kind := range []struct {
		name string
		make func(first, n int) [][]byte
	}{{"referrals", referrals}, {"bundles", bundles}} {
		b.Run(kind.name, func(b *testing.B) {
			ctx := context.Background()
			m := &measure{p: &program{env: func(string) string { return "" }, out: &bytes.Buffer{}, errOut: &bytes.Buffer{}}, scale: 1, decoders: 2}
			a, done, err := m.open(ctx)
			if err != nil {
				b.Fatal(err)
			}
			if _, err := put(ctx, a, 64, kind.make(0, b.N)); err != nil {
				b.Fatal(err)
			}
			work, stop := context.WithCancel(ctx)
			ran := make(chan error, 1)
			b.ResetTimer()
			go func() { ran <- a.service.Run(work) }()
			if err := a.untilEmpty(ctx); err != nil {
				b.Fatal(err)
			}
			b.StopTimer()
			stop()
			if err := <-ran; err != nil {
				b.Fatal(err)
			}
			if err := done(); err != nil {
				b.Fatal(err)
			}
		})
	}
}
