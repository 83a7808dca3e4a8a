package postgres

import (
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/pgtest"
	"gaussline/adapters/store/sqlite"
	"gaussline/adapters/store/storetest"
)

// BenchmarkCommit gives messages a second in transactions of 1, 100 and 500, beside SQLite and beside the same
// store sending each statement on its own, in one interleaved run. To reach: at least half of SQLite, at least
// 2.2 times a statement at a time.
func BenchmarkCommit(b *testing.B) {
	server := pgtest.Start(b)
	open := func() pipeline.Store {
		s, err := Open(b.Context(), pgtest.Socket(b, pgtest.Database(b, server)), Options{}, nil)
		if err != nil {
			b.Fatal(err)
		}
		return s
	}
	for b.Loop() {
		lite, err := sqlite.Open(b.Context(), b.TempDir(), sqlite.Options{}, nil)
		if err != nil {
			b.Fatal(err)
		}
		batched, single := open(), open()
		single.(*db).eager = true
		r := storetest.Rates(b, 2, lite, batched, single)
		for _, s := range []pipeline.Store{lite, batched, single} {
			if err := s.Close(); err != nil {
				b.Fatal(err)
			}
		}
		for _, n := range []struct {
			size int
			name string
		}{{1, "tx1"}, {100, "tx100"}, {500, "tx500"}} {
			b.ReportMetric(r[1][n.size], "msg/s-"+n.name)
			b.ReportMetric(r[1][n.size]/r[0][n.size], "of-sqlite-"+n.name)
			b.ReportMetric(r[1][n.size]/r[2][n.size], "of-single-"+n.name)
		}
	}
}
