package sqlite_test

import (
	"testing"

	"gaussline/adapters/store/sqlite"
	"gaussline/adapters/store/storetest"
)

// BenchmarkCommit gives messages a second in transactions of 1, 100 and 500 with full sync, and the two ratios
// that batching must reach: at least 3 times a commit for each message, at least 0.85 of transactions of 500.
func BenchmarkCommit(b *testing.B) {
	for b.Loop() {
		s, err := sqlite.Open(b.Context(), b.TempDir(), sqlite.Options{}, nil)
		if err != nil {
			b.Fatal(err)
		}
		r := storetest.Rates(b, 3, s)[0]
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(r[1], "msg/s-tx1")
		b.ReportMetric(r[100], "msg/s-tx100")
		b.ReportMetric(r[500], "msg/s-tx500")
		b.ReportMetric(r[100]/r[1], "tx100/tx1")
		b.ReportMetric(r[100]/r[500], "tx100/tx500")
	}
}
