package postgres

import (
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
	"gaussline/adapters/store/pgtest"
	"gaussline/mapping/trace"
)

// fillParts writes n parts straight into the tables: 100 models, 100 parts a lot, one in fifty without a lot.
func fillParts(tb testing.TB, s *db, n int) {
	tb.Helper()
	for _, q := range []string{
		`insert into records (patient, body) select 'p' || to_char(i, 'FM0000000'), convert_to('{"patient":"p' || to_char(i, 'FM0000000') || '"}', 'UTF8') from generate_series(0, $1::int / 3) i`,
		`insert into record_aliases (alias, patient) select patient, patient from records where $1::int > 0`,
		`insert into parts (patient, id, kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful)
			select 'p' || to_char(i / 3, 'FM0000000'), 'part' || i % 3, 'lead', 'Tarnbeck Devices', 'TB-L' || i / 100 % 100,
			case when i % 53 = 0 then '' else 'L' || to_char(i / 100, 'FM000000') end, 'S' || i, '', 'connected', '2020-01-01', '', '', 0
			from generate_series(0, $1::int - 1) i`,
	} {
		if _, err := s.pool.Exec(tb.Context(), q, n); err != nil {
			tb.Fatalf("%s: %v", q, err)
		}
	}
	if _, err := s.pool.Exec(tb.Context(), "analyze"); err != nil {
		tb.Fatal(err)
	}
}

// Every question to the table of parts has an index, on this server as our connections are set.
func TestPartsByIndex(t *testing.T) {
	s := open(t, pgtest.Database(t, pgtest.Start(t)), Options{})
	fillParts(t, s, 3000)
	for _, q := range []pipeline.PartsQuery{{}, {Doubtful: true}, {Lots: []string{"L1"}}, {Serials: []string{"S1"}}, {Models: []string{"TBL1"}},
		{Models: []string{"TBL1"}, Lots: trace.Blanks()}, {DIs: []string{"1"}}, {DIs: []string{"1"}, Lots: []string{"L1"}}} {
		text, lists := store.PartsSQL(q, inList)
		text = "explain with arg as (select $1::text[], $2::text[], $3::text, $4::text, $5::int) " + text
		rows, err := s.pool.Query(t.Context(), text, pgx.QueryExecModeExec, lists[0], lists[1], "", "", 100)
		if err != nil {
			t.Fatal(err)
		}
		lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
		plan := strings.Join(lines, "\n")
		if err != nil || !strings.Contains(plan, "Index") || strings.Contains(plan, "Seq Scan") {
			t.Errorf("%+v: %v\n%s", q, err, plan)
		}
	}
}

// BenchmarkTrace: one lot of one model, and one lot alone, among a million parts; the target is under 100 ms each.
func BenchmarkTrace(b *testing.B) {
	s, err := Open(b.Context(), pgtest.Database(b, pgtest.Start(b)), Options{StatementTimeout: 5 * time.Minute}, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	fillParts(b, s.(*db), 1_000_000)
	svc := &pipeline.Service{Store: s, Now: time.Now}
	lot := []trace.Range{{From: "L000017"}}
	for name, q := range map[string]trace.Query{"lot of a model": {Models: []string{"TB-L17"}, Lots: lot}, "lot": {Lots: lot}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				got, err := svc.Trace(b.Context(), q, 200)
				if err != nil || len(got.Named) < 90 {
					b.Fatalf("%d named, %v", len(got.Named), err)
				}
			}
		})
	}
}
