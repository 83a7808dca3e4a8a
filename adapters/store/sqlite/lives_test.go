package sqlite

import (
	"context"
	"os"
	"strconv"
	"syscall"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/registry"
)

// fillLives writes n parts of n/3 patients with their lives straight into the tables: 20 models, put in over eleven years,
// one in eight come out, one in ten of those revised before, one in twenty patients died.
func fillLives(tb testing.TB, s pipeline.Store, n int) {
	tb.Helper()
	const numbers = `with recursive n(i) as (select 0 union all select i+1 from n where i < ?1 - 1)`
	const in = `'2014-01-01', '+' || (i * 7919 % 4000) || ' days'`
	for _, q := range []struct {
		sql string
		n   int
	}{
		{numbers + ` insert into records (patient, body) select printf('hillside|Patient/%07d', i), x'7b7d' from n`, n / 3},
		{numbers + ` insert into parts (patient, id, kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful, life)
			select printf('hillside|Patient/%07d', i / 3), 'part' || (i % 3), 'lead', 'Tarnbeck Devices', 'TB-L' || (i / 3 % 20), '', '', '', 'connected', date(` + in + `), '', '', 0,
			date(` + in + `) || '|' || case when i % 80 = 0 then date(` + in + `, '+' || (i % 900) || ' days') else '' end || '|' ||
			case when i % 8 = 0 then date(` + in + `, '+' || (i % 2000) || ' days') || '|device' else '|' end || '|' ||
			case when i / 3 % 20 = 0 then date(` + in + `, '+' || (i / 3 % 2500) || ' days') else '' end || '|' from n`, n / 3 * 3},
	} {
		if _, err := s.(*db).write.db.ExecContext(context.Background(), q.sql, q.n); err != nil {
			tb.Fatalf("%s: %v", q.sql, err)
		}
	}
}

// Parts kept before lives were derived are handed out as such, by pages that begin and end with one too.
func TestLivesThatWereNeverDerived(t *testing.T) {
	const n, never = 12_000, 10_000
	s, err := Open(t.Context(), t.TempDir(), Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	fillLives(t, s, n)
	if _, err := s.(*db).write.db.ExecContext(t.Context(), `update parts set life = '', model = '', implanted = '' where patient < printf('hillside|Patient/%07d', ?1)`, never/3); err != nil {
		t.Fatal(err)
	}
	read := map[bool]int{}
	err = s.View(t.Context(), func(r pipeline.Reader) error {
		return r.Lives(t.Context(), func(_ string, l registry.Life, derived bool) error {
			if derived != (l.Model != "") || derived != (l.Implanted != "") || l.Kind != "lead" {
				t.Fatalf("%v: %+v", derived, l)
			}
			read[derived]++
			return nil
		})
	})
	if err != nil || read[false] != never/3*3 || read[true] != n-never/3*3 {
		t.Errorf("%v, %v", read, err)
	}
}

// BenchmarkFigures: revision and explant by model over a million components in the store, read and estimated; the goal is
// under five seconds. GAUSSLINE_ROWS sets another number.
func BenchmarkFigures(b *testing.B) {
	n := 1_000_000
	if s := os.Getenv("GAUSSLINE_ROWS"); s != "" {
		n, _ = strconv.Atoi(s)
	}
	s, err := Open(b.Context(), b.TempDir(), Options{}, nil)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	fillLives(b, s, n)
	for b.Loop() {
		f := registry.NewFigures(time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))
		start, used, read := time.Now(), processorTime(b), 0
		err := s.View(b.Context(), func(r pipeline.Reader) error {
			return r.Lives(b.Context(), func(patient string, l registry.Life, _ bool) error {
				read++
				f.Add(patient, l)
				return nil
			})
		})
		reading := time.Since(start)
		if err != nil || read != n/3*3 {
			b.Fatalf("%d lives, %v", read, err)
		}
		figures, _, err := f.Draw(registry.SmallCells)
		if err != nil || len(figures) != 4 || len(figures[2].Rows) == 0 {
			b.Fatalf("%d figures, %v", len(figures), err)
		}
		b.ReportMetric(reading.Seconds(), "reading-s")
		b.ReportMetric(time.Since(start).Seconds(), "s")
		b.ReportMetric((processorTime(b) - used).Seconds(), "cpu-s") // on a machine that does other work, what tells
	}
}

// processorTime is what this process has used.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
