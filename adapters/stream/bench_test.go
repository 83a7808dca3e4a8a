package stream_test

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
	"gaussline/adapters/stream/streamtest"
)

// benchBody is as long as a plain referral: 1.5 kB.
func benchBody(n int) pipeline.Message {
	body := fmt.Appendf(nil, `{"resourceType":"ServiceRequest","id":"r%d"}`, n)
	return pipeline.Message{Sender: "bench", Body: append(body, bytes.Repeat([]byte(" "), 1500-len(body))...)}
}

// putRate puts for about d from each of the senders and gives messages a second.
func putRate(b *testing.B, in pipeline.Inbox, senders int, d time.Duration) float64 {
	b.Helper()
	var count atomic.Int64
	var wait sync.WaitGroup
	start := time.Now()
	for range senders {
		wait.Add(1)
		go func() {
			defer wait.Done()
			for time.Since(start) < d {
				if err := in.Put(context.Background(), benchBody(int(count.Add(1)))); err != nil {
					b.Error(err)
					return
				}
			}
		}()
	}
	wait.Wait()
	return float64(count.Load()) / time.Since(start).Seconds()
}

// BenchmarkPut compares one sender with 64 in one run, three rounds each in turn, and reports the ratio of the
// medians. The aim is 3 (embedded server, every message synced).
func BenchmarkPut(b *testing.B) {
	broker := streamtest.Open(b, stream.Config{Dir: b.TempDir(), MaxBytes: 1 << 30})
	in := broker.Inbox()
	const round = 400 * time.Millisecond
	for b.Loop() {
		rates := map[int][]float64{}
		for range 3 {
			for _, senders := range []int{1, 8, 64} {
				rates[senders] = append(rates[senders], putRate(b, in, senders, round))
			}
		}
		one, eight, many := median(rates[1]), median(rates[8]), median(rates[64])
		b.ReportMetric(one, "single/s")
		b.ReportMetric(eight, "8senders/s")
		b.ReportMetric(many, "64senders/s")
		b.ReportMetric(many/one, "ratio")
	}
}

// BenchmarkFetch takes and acknowledges what waits, in batches of 100.
func BenchmarkFetch(b *testing.B) {
	broker := streamtest.Open(b, stream.Config{Dir: b.TempDir(), MaxBytes: 1 << 30})
	in := broker.Inbox()
	left := 0
	for b.Loop() {
		if left == 0 {
			b.StopTimer()
			putRate(b, in, 64, time.Second)
			n, err := in.Backlog(b.Context())
			if err != nil {
				b.Fatal(err)
			}
			left = int(n)
			b.StartTimer()
		}
		list, err := in.Fetch(b.Context(), 100, time.Second)
		if err != nil || len(list) == 0 {
			b.Fatalf("fetched %d: %v", len(list), err)
		}
		for _, d := range list {
			if err := d.Ack(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
		left -= len(list)
	}
	b.ReportMetric(100*float64(b.N)/b.Elapsed().Seconds(), "msgs/s")
}

// BenchmarkLatency puts 100 a second and reports how long after Put began a waiting reader has each, and how long
// Put took.
func BenchmarkLatency(b *testing.B) {
	broker := streamtest.Open(b, stream.Config{Dir: b.TempDir(), MaxBytes: 1 << 30})
	in := broker.Inbox()
	for b.Loop() {
		const n = 300
		var taken, fetched []time.Duration
		began := make(chan time.Time, n)
		go func() {
			pace := time.NewTicker(10 * time.Millisecond)
			defer pace.Stop()
			for i := range n {
				<-pace.C
				start := time.Now()
				began <- start
				if err := in.Put(context.Background(), benchBody(i)); err != nil {
					b.Error(err)
				}
				taken = append(taken, time.Since(start))
			}
			close(began)
		}()
		for len(fetched) < n {
			list, err := in.Fetch(b.Context(), 100, 5*time.Second)
			if err != nil || len(list) == 0 {
				b.Fatalf("fetched %d: %v", len(list), err)
			}
			for _, d := range list {
				fetched = append(fetched, time.Since(<-began))
				if err := d.Ack(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
		}
		for range began { // until the sender has ended
		}
		slices.Sort(taken)
		slices.Sort(fetched)
		b.ReportMetric(float64(taken[n/2].Microseconds()), "put-p50-us")
		b.ReportMetric(float64(taken[n*99/100].Microseconds()), "put-p99-us")
		b.ReportMetric(float64(fetched[n/2].Microseconds()), "fetched-p50-us")
		b.ReportMetric(float64(fetched[n*99/100].Microseconds()), "fetched-p99-us")
	}
}

func median(v []float64) float64 {
	a, b, c := v[0], v[1], v[2]
	return max(min(a, b), min(max(a, b), c))
}
