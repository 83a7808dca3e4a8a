package files

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// many is a store of n invented patients with three components each, made as they are read.
type many struct {
	pipeline.Reader
	n int
}

// View hands out the reader.
func (m many) View(_ context.Context, f func(pipeline.Reader) error) error { return f(m) }

// Records makes the records.
func (m many) Records(_ context.Context, _ string, f func(implant.Record) error) error {
	for i := range m.n {
		if err := f(implanted(strconv.Itoa(i), 3, implant.When(fmt.Sprintf("2026-%02d-03", 1+i%4)))); err != nil {
			return err
		}
	}
	return nil
}

// peak watches the heap while f runs and gives the most that was in use above what was before.
func peak(f func()) uint64 {
	var before, m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	var most atomic.Uint64
	done, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		t := time.NewTicker(20 * time.Millisecond)
		defer t.Stop()
		for {
			select {
			case <-done:
				return
			case <-t.C:
				runtime.ReadMemStats(&m)
				most.Store(max(most.Load(), m.HeapInuse))
			}
		}
	}()
	f()
	close(done)
	<-stopped
	return most.Load() - min(before.HeapInuse, most.Load())
}

// The sorter never holds more than its budget and one entry, whatever comes, and gives everything back in order.
func TestSorterStaysInItsBudget(t *testing.T) {
	const budget, n = 64 << 10, 20_000
	s := &sorter{dir: t.TempDir(), budget: budget}
	for i := range n {
		key := fmt.Appendf(nil, "%05d", (i*7919)%n) // 7919 is prime and no divisor of n: every key once
		if err := s.add(entry{key, bytes.Repeat([]byte("v"), i%300)}); err != nil {
			t.Fatal(err)
		}
		if s.size >= budget {
			t.Fatalf("%d bytes held, the budget is %d", s.size, budget)
		}
	}
	if len(s.runs) < n*150/budget {
		t.Errorf("%d runs on disk", len(s.runs))
	}
	i := 0
	if err := s.each(func(e entry) error {
		if want := fmt.Sprintf("%05d", i); string(e.key) != want {
			return fmt.Errorf("%s where %s should be", e.key, want)
		}
		i++
		return nil
	}); err != nil || i != n {
		t.Errorf("%v after %d", err, i)
	}
	if err := s.close(); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(s.dir); err != nil || len(left) > 0 {
		t.Errorf("files left: %v %v", left, err)
	}
}

// filled is an embedded store with n components of n/3 invented patients.
func filled(b *testing.B, n int) Viewer {
	b.Helper()
	ctx := context.Background()
	s, err := sqlite.Open(ctx, b.TempDir(), sqlite.Options{}, zap.NewNop())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	for from := 0; from < n/3; from += 2000 {
		err := s.Update(ctx, func(tx pipeline.Tx) error {
			for i := from; i < min(from+2000, n/3); i++ {
				rec := implanted(strconv.Itoa(i), 3, implant.When(fmt.Sprintf("2026-%02d-03", 1+i%4)))
				if err := tx.SaveRecord(ctx, rec); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	return s
}

// cpu gives the processor time that this process has used.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkMonth measures an export from the embedded store against the validation of the same rows alone on one core,
// in one run, and memory. GAUSSLINE_ROWS sets the number of components; the default is small. The goal: an export at no
// less than 60 % of the rate of validation, in less than 200 MB above idle. On a machine that does other work too, the
// wall time says little: the processor time of both is given as well.
func BenchmarkMonth(b *testing.B) {
	n := 12_000
	if s := os.Getenv("GAUSSLINE_ROWS"); s != "" {
		n, _ = strconv.Atoi(s)
	}
	e := newExporter(b, "")
	e.Workers = 0
	e.Store = filled(b, n)
	s, err := rowSchema()
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		sample := min(n, 30_000)
		var values []any
		_ = many{n: sample / 3}.Records(context.Background(), "", func(rec implant.Record) error {
			for _, r := range registry.Rows(rec, e.Key.Pseudonym) {
				r.PeriodOfReport = "2026-04"
				values = append(values, r.Value())
			}
			return nil
		})
		start, used := time.Now(), cpu(b)
		for _, v := range values {
			if p := s.Value(v); len(p) > 0 {
				b.Fatal(p)
			}
		}
		alone, aloneCPU := time.Since(start)/time.Duration(len(values)), (cpu(b)-used)/time.Duration(len(values))
		values = nil
		var took, tookCPU time.Duration
		above := peak(func() {
			start, used := time.Now(), cpu(b)
			if _, err := e.Export(context.Background(), "2026-04", b.TempDir()); err != nil {
				b.Fatal(err)
			}
			took, tookCPU = time.Since(start)/time.Duration(n), (cpu(b)-used)/time.Duration(n)
		})
		b.ReportMetric(float64(alone.Nanoseconds())/1000, "validation-µs/row")
		b.ReportMetric(float64(took.Nanoseconds())/1000, "export-µs/row")
		b.ReportMetric(100*float64(alone)/float64(took), "%of-validation")
		b.ReportMetric(float64(aloneCPU.Nanoseconds())/1000, "validation-cpu-µs/row")
		b.ReportMetric(float64(tookCPU.Nanoseconds())/1000, "export-cpu-µs/row")
		b.ReportMetric(float64(above>>20), "MB-above-idle")
	}
}
