package sqlite

import (
	"context"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/trace"
)

// fillParts writes n parts of n/3 patients straight into the tables: 100 models, 100 parts a lot, one in fifty without
// a lot, one in a hundred without a model. Every patient has one statement.
func fillParts(tb testing.TB, s pipeline.Store, n int) {
	tb.Helper()
	const numbers = `with recursive n(i) as (select 0 union all select i+1 from n where i < ?1 - 1)`
	const component = `'{"kind":"lead","model":"' || model || '","lot":"' || lot || '","serial":"' || serial || '"}'`
	for _, q := range []struct {
		sql string
		n   int
	}{
		{`insert into messages (id, sender, content_type, received_at, body) select 'm', 'hillside', '', '2026-01-02T03:04:05.000006Z', x'20' where ?1 > 0`, 1},
		{numbers + ` insert into records (patient, body) select printf('hillside|Patient/%07d', i), x'7b7d' from n`, n / 3},
		{`insert into record_aliases (alias, patient) select patient, patient from records where ?1 > 0`, 1},
		{numbers + ` insert into parts (patient, id, kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful)
			select printf('hillside|Patient/%07d', i / 3), 'part' || (i % 3), 'lead', 'Tarnbeck Devices',
			case when i % 101 = 0 then '' else 'TB-L' || (i / 100 % 100) end, case when i % 53 = 0 then '' else printf('L%06d', i / 100) end,
			'S' || i, '', case when i % 7 = 0 then 'removed-whole' else 'connected' end, '2020-01-01', '', '', 0 from n`, n / 3 * 3},
		{`update parts set model_folded = replace(model, '-', ''), lot_folded = lot, serial_folded = serial where ?1 > 0`, 1},
		{`update records set body = cast('{"patient":"' || patient || '","aliases":["' || patient || '"],"statements":1,"parts":[' ||
			(select group_concat('{"id":"' || p.id || '","state":"' || p.state || '","implanted":"2020-01-01","component":' || ` + component + ` || '}') from parts p
			where p.patient = records.patient) || ']}' as blob) where ?1 > 0`, 1},
		{`insert into statements (key, version, last_updated, message_time, hash, type, patient, person, body, message_row, start_at, len, received_at)
			select patient || '/p', '1', '2026-01-02T03:04:05.000000Z', '', 'h', 'Procedure', patient, 0,
			cast('{"key":"' || patient || '/p","type":"Procedure","version":{"lastUpdated":"2026-01-02T03:04:05Z","hash":"h"},"patient":"' || patient || '"}' as blob),
			(select row_id from messages), 0, 1, '2026-01-02T03:04:05.000006Z' from records where ?1 > 0`, 1},
	} {
		if _, err := s.(*db).write.db.ExecContext(context.Background(), q.sql, q.n); err != nil {
			tb.Fatalf("%s: %v", q.sql, err)
		}
	}
}

func tracer(tb testing.TB, parts int) *pipeline.Service {
	tb.Helper()
	s, err := Open(context.Background(), tb.TempDir(), Options{}, nil)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = s.Close() })
	fillParts(tb, s, parts)
	return &pipeline.Service{Store: s, Now: func() time.Time { return time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC) }}
}

// lotQuery names a lot of one model. Lot L000017 has the parts 1700 to 1799.
func lotQuery() trace.Query {
	return trace.Query{Models: []string{"TB-L17"}, Lots: []trace.Range{{From: "L000017"}}}
}

// A trace finds what a walk over every part finds, and the store's check still finds nothing.
func TestTrace(t *testing.T) {
	parts, limit := 30_000, 10_000
	if testing.Short() { // under the race detector
		parts = 6_000
	}
	s := tracer(t, parts)
	all := map[trace.Class]int{}
	err := s.Store.View(t.Context(), func(r pipeline.Reader) error {
		_, err := r.Parts(t.Context(), pipeline.PartsQuery{Limit: parts + 1}, func(p pipeline.TracedPart) {
			all[lotQuery().Match(trace.Part{Component: p.Component, Doubtful: p.Doubtful}).Class]++
		})
		return err
	})
	if err != nil || all[trace.Named] == 0 || all[trace.Possible] == 0 {
		t.Fatalf("the walk found %v, %v", all, err)
	}
	got, err := s.Trace(t.Context(), lotQuery(), limit)
	if err != nil || got.More || len(got.Named) != all[trace.Named] || len(got.Possible) != all[trace.Possible] {
		t.Fatalf("%d named and %d possible, more %v, %v; a walk finds %v", len(got.Named), len(got.Possible), got.More, err, all)
	}
	out := 0
	for i, h := range got.Named {
		switch {
		case h.Contact != "hillside" || h.Contacted != "2026-01-02T03:04:05Z":
			t.Fatalf("last contact %s on %s", h.Contact, h.Contacted)
		case h.Place == trace.WasThere:
			out++
		case out > 0 || h.Place != trace.InPlace:
			t.Fatalf("hit %d is %s after %d removed ones", i, h.Place, out)
		}
	}
	if out == 0 {
		t.Error("nobody had it")
	}
	for _, h := range got.Possible {
		if len(h.Answer.Reasons()) == 0 || len(h.Check) == 0 {
			t.Fatalf("possible without a reason or a thing to do: %+v", h)
		}
	}
	if got, err = s.Trace(t.Context(), lotQuery(), 3); err != nil || !got.More || len(got.Possible) != 3 || len(got.Named) != all[trace.Named] {
		t.Errorf("limit 3: %d possible, more %v, %v", len(got.Possible), got.More, err)
	}
	if found, err := s.Store.Check(t.Context()); err != nil || len(found) > 0 {
		t.Errorf("check: %v %v", found, err)
	}
}

// BenchmarkTrace: one lot of one model, and one lot alone, among a million parts; the target is under 100 ms each.
func BenchmarkTrace(b *testing.B) {
	s := tracer(b, 1_000_000)
	for name, q := range map[string]trace.Query{"lot of a model": lotQuery(), "lot": {Lots: lotQuery().Lots}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				got, err := s.Trace(b.Context(), q, 200)
				if err != nil || len(got.Named) < 90 {
					b.Fatalf("%d named, %v", len(got.Named), err)
				}
				b.ReportMetric(float64(len(got.Named)), "named")
				b.ReportMetric(float64(len(got.Possible)), "possible")
			}
		})
	}
}
