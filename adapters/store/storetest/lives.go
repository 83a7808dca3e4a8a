package storetest

import (
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// testLives: the lives of the parts are those of their records, in order of patient, also after a record has changed.
func testLives(b *bench) {
	record := func(i int, died implant.When) implant.Record {
		return implant.Record{Patient: fmt.Sprintf("p%02d", i), Person: implant.Person{Died: died}, Parts: []implant.Part{
			{ID: "a", State: implant.RemovedWhole, Implanted: "2026-01-02", Told: "2026-01-05", Component: implant.Component{Kind: implant.Lead, Maker: "M", Model: fmt.Sprint("L", i%3)}},
			{ID: "b", State: implant.NeverImplanted, Component: implant.Component{Model: "W"}},
			{ID: "c", State: implant.Connected, Implanted: "2025", Component: implant.Component{Kind: implant.Generator, Model: "G|1"}}},
			Events: []implant.Event{{Kind: implant.EventReplaced, At: "2026-04-05", Out: []string{"a"}, Reasons: []string{"upgrade"}}}}
	}
	type life struct {
		patient string
		registry.Life
		derived bool
	}
	for _, died := range []implant.When{"", "2026-05-05"} {
		var want []life
		for i := range 5 {
			rec := record(i, died)
			b.saves(b.record(rec))
			lives := registry.Lives(rec)
			for _, id := range []string{"a", "c"} {
				want = append(want, life{rec.Patient, lives[id], true})
			}
		}
		b.view(func(r pipeline.Reader) error {
			var got []life
			err := r.Lives(b.ctx, func(patient string, l registry.Life, derived bool) error {
				got = append(got, life{patient, l, derived})
				return nil
			})
			if err != nil {
				b.Error(err)
			}
			if !slices.Equal(got, want) {
				b.Errorf("lives %+v, want %+v", got, want)
			}
			stop := errors.New("stop")
			if err := r.Lives(b.ctx, func(string, registry.Life, bool) error { return stop }); !errors.Is(err, stop) {
				b.Errorf("stopped with %v", err)
			}
			return nil
		})
	}
}

// testFigures: figures drawn from the store's lives are those drawn from the records themselves, to the last digit, over
// more than a page of parts with everything that a sender may write.
func testFigures(b *bench) {
	rng := rand.New(rand.NewPCG(5, 26)) // any numbers: the test must hold for all
	var records []func(pipeline.Tx) error
	for i := range (store.LivesPage + 600) / 3 {
		records = append(records, b.record(randomRecord(rng, i)))
	}
	for some := range slices.Chunk(records, 500) {
		b.saves(some...)
	}
	cut := time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)
	fromRecords, fromLives := registry.NewFigures(cut), registry.NewFigures(cut)
	b.view(func(r pipeline.Reader) error {
		err := r.Records(b.ctx, "", func(rec implant.Record) error {
			lives := registry.Lives(rec)
			for _, id := range slices.Sorted(maps.Keys(lives)) {
				fromRecords.Add(rec.Patient, lives[id])
			}
			return nil
		})
		return errors.Join(err, r.Lives(b.ctx, func(patient string, l registry.Life, derived bool) error {
			if !derived {
				b.Errorf("a life of %s is not derived", patient)
			}
			fromLives.Add(patient, l)
			return nil
		}))
	})
	for _, least := range []int{1, registry.SmallCells} {
		want, got := drawn(b, fromRecords, least), drawn(b, fromLives, least)
		if least == 1 && len(want) < 500 {
			b.Errorf("only %d lines of figures: the test tries little", len(want))
		}
		b.same("figures", got, want)
	}
}

// drawn gives all lines of all figures and rates, and the charts.
func drawn(b *bench, f *registry.Figures, least int) (out []string) {
	figures, rates, err := f.Draw(least)
	if err != nil {
		b.Error(err)
	}
	for _, x := range figures {
		out = append(out, fmt.Sprintf("%s %+v %d", x.ID, x.LeftOut, x.Hidden), fmt.Sprintf("%+v", x.Chart))
		for _, r := range x.Rows {
			out = append(out, fmt.Sprintf("%q", r.Cells("")))
		}
	}
	for _, r := range rates {
		out = append(out, fmt.Sprintf("%q", r.Cells("")))
	}
	return out
}

func randomRecord(rng *rand.Rand, i int) implant.Record {
	pick := func(of ...string) string { return of[rng.IntN(len(of))] }
	when := func() implant.When {
		at := time.Date(2018, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rng.IntN(3000))
		return implant.When(pick("", at.Format("2006"), at.Format("2006-01"), at.Format(time.RFC3339), "["+at.Format(time.DateOnly)+",2020-02-03]",
			at.Format(time.DateOnly)+"/2026-01-01", at.Format(time.DateOnly), at.Format(time.DateOnly), at.Format(time.DateOnly), at.Format(time.DateOnly)))
	}
	rec := implant.Record{Patient: fmt.Sprintf("%s|Patient/%d", pick("a", "b\x1f", "é"), i), Person: implant.Person{Deceased: rng.IntN(9) == 0}}
	if rng.IntN(9) == 0 {
		rec.Person.Died = when()
	}
	for _, id := range []string{"a", "b\n", "\x01c|"} {
		rec.Parts = append(rec.Parts, implant.Part{ID: id, Implanted: when(), Told: when(), Since: when(),
			State: []implant.State{implant.Connected, implant.NeverImplanted, implant.RemovedWhole, implant.ReportedRemoved}[rng.IntN(40)/10],
			Component: implant.Component{Kind: implant.Kind(pick("lead", "generator")), Maker: pick("", "M", "M\x1f", "\"M\","),
				Model: pick("", " ", "L1", "L1|", "L\n1", "L1\x1f", "‰", "' || life --")}})
	}
	for range rng.IntN(3) {
		rec.Events = append(rec.Events, implant.Event{At: when(), Out: []string{rec.Parts[rng.IntN(3)].ID}, Parts: []string{rec.Parts[rng.IntN(3)].ID},
			Kind:    []implant.EventKind{implant.EventReplaced, implant.EventExplanted, implant.EventRepositioned, implant.EventReportedRemoved}[rng.IntN(4)],
			Reasons: [][]string{nil, {"upgrade"}, {"infection"}}[rng.IntN(3)]})
	}
	return rec
}
