package storetest

import (
	"cmp"
	"fmt"
	"slices"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/mapping/implant"
	"gaussline/mapping/trace"
)

// testParts: every question to the table of parts gives what the model gives, for values written in every way that
// trace.Fold knows: the folding in SQL is that of the core.
func testParts(b *bench) {
	values := []string{"", "L-0042", "l 42", "L42", "0L0042", "0000", "N/A", "unknown", "Ä.1", "a#b_c", "7", "07"}
	m := model.New()
	for i, v := range values {
		w := values[(i+5)%len(values)]
		rec := implant.Record{Patient: fmt.Sprintf("p%02d", i), Parts: []implant.Part{
			{ID: "a", State: implant.Connected, Implanted: "2026-01", Removed: "2027", Component: implant.Component{Kind: implant.Lead, Maker: "M", Model: v,
				Lot: w, Serial: v, DI: w, Expiry: "2030-01"}},
			{ID: "b", State: implant.RemovedWhole, Component: implant.Component{Model: w, Lot: v}}}}
		if i%3 == 0 {
			rec.Questions = []implant.Question{{Code: implant.AskIdentityConflict, Parts: []string{"b"}}, {Code: implant.AskNoteUnread, Parts: []string{"a"}}}
		}
		b.saves(b.record(rec))
		if err := m.SaveRecord(b.ctx, rec); err != nil {
			b.Fatal(err)
		}
	}
	ask := func(r pipeline.Reader, q pipeline.PartsQuery) (out []pipeline.TracedPart) {
		more, err := r.Parts(b.ctx, q, func(p pipeline.TracedPart) { out = append(out, p) })
		if err != nil || more {
			b.Errorf("parts %+v: more %v, %v", q, more, err)
		}
		slices.SortFunc(out, func(x, y pipeline.TracedPart) int {
			return cmp.Or(cmp.Compare(x.Patient, y.Patient), cmp.Compare(x.ID, y.ID))
		})
		return out
	}
	some := func(v string) []string { return []string{trace.Fold(v), "nothing has this"} }
	b.view(func(r pipeline.Reader) error {
		for _, v := range values {
			for _, q := range []pipeline.PartsQuery{{Lots: some(v)}, {Models: some(v)}, {DIs: some(v)}, {Serials: some(v)},
				{Models: some(v), Lots: trace.Blanks()}, {DIs: trace.Blanks(), Lots: some(v)}} {
				q.Limit = 100
				b.same(fmt.Sprintf("parts %+v", q), ask(r, q), ask(m, q))
			}
		}
		for _, q := range []pipeline.PartsQuery{{Limit: 100}, {Doubtful: true, Limit: 100}} {
			b.same(fmt.Sprintf("parts %+v", q), ask(r, q), ask(m, q))
		}
		for _, q := range []pipeline.PartsQuery{{Limit: 3}, {Doubtful: true, Limit: 3}, {Models: trace.Blanks(), Limit: 3}} {
			n := 0
			more, err := r.Parts(b.ctx, q, func(pipeline.TracedPart) { n++ })
			if err != nil || !more || n != 3 {
				b.Errorf("parts %+v: %d, more %v, %v", q, n, more, err)
			}
		}
		return nil
	})
}
