package main

import (
	"bytes"
	"fmt"
	"testing"

	"gaussline/adapters/pipeline"
)

// BenchmarkCommit is committing alone, of messages read before, with the folding on one goroutine and on two.
func BenchmarkCommit(b *testing.B) {
	for _, kind := range []struct {
		name string
		make func(first, n int) [][]byte
	}{{"referrals", referrals}, {"bundles", bundles}} {
		for _, workers := range []int{1, 2} {
			b.Run(fmt.Sprintf("%s/%d", kind.name, workers), func(b *testing.B) {
				m := &measure{p: &program{env: func(string) string { return "" }, out: &bytes.Buffer{}, errOut: &bytes.Buffer{}}, scale: 1, decoders: workers}
				a, done, err := m.open(b.Context())
				if err != nil {
					b.Fatal(err)
				}
				var read []pipeline.Reading
				for i, body := range kind.make(0, b.N) {
					read = append(read, a.service.Reader.Read(pipeline.Message{ID: fmt.Sprint("bench", i), Sender: "hillside", Body: body, ReceivedAt: a.now()}))
				}
				b.ResetTimer()
				for len(read) > 0 {
					n := min(len(read), a.cfg.Limits.Batch)
					if err := a.service.Commit(b.Context(), read[:n]); err != nil {
						b.Fatal(err)
					}
					read = read[n:]
				}
				b.StopTimer()
				if err := done(); err != nil {
					b.Fatal(err)
				}
			})
		}
	}
}
