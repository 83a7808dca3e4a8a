package storetest

import (
	"context"
	"fmt"

	"pgregory.net/rapid"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/mapping/history"
	"gaussline/mapping/implant"
)

// holder is a record with some Devices, by the keys that senders give them.
func holder(patient string, refs ...string) implant.Record {
	rec := implant.Record{Patient: patient, Aliases: []string{patient}}
	for i, r := range refs {
		rec.Parts = append(rec.Parts, implant.Part{ID: fmt.Sprint("part ", i), State: implant.Connected, Refs: []string{r}})
	}
	return rec
}

// keyOf gives the device key of a Device.
func keyOf(ref string) string { return history.DeviceKeys(holder("", ref))[0] }

// testSharers: who has a device is found by the keys asked for and by those of the records in hand as they were kept.
// Records that are joined, dropped or saved with less have no more of it, and a full list says no more than that.
func testSharers(b *bench) {
	ask := func(what string, hand, refs []string, limit int, want map[string][]string) {
		b.Helper()
		keys := make([]string, len(refs))
		for i, r := range refs {
			keys[i] = keyOf(r)
		}
		expected := map[string][]string{}
		for r, holders := range want {
			expected[keyOf(r)] = holders
		}
		b.view(func(r pipeline.Reader) error {
			got, err := r.Sharers(b.ctx, hand, keys, limit)
			b.same(what, got, expected)
			return err
		})
	}
	none := map[string][]string{}
	b.saves(b.record(holder("a", "g", "h")), b.record(holder("b", "g")), b.record(holder("c", "g")), b.record(holder("é", "h")))
	ask("nothing asked", nil, nil, 9, none)
	ask("a device that nobody has", nil, []string{"x"}, 9, none)
	ask("one device", nil, []string{"g"}, 9, map[string][]string{"g": {"a", "b", "c"}})
	ask("without those in hand", []string{"b", "nobody"}, []string{"g"}, 9, map[string][]string{"g": {"a", "c"}})
	ask("of what those in hand had", []string{"a"}, nil, 9, map[string][]string{"g": {"b", "c"}, "h": {"é"}})
	ask("up to a limit", []string{"a"}, nil, 1, map[string][]string{"g": {"b"}, "h": {"é"}})
	ask("all in hand", []string{"a", "b", "c", "é"}, []string{"g", "h"}, 9, none)

	joined := holder("a", "g")
	joined.Aliases = []string{"a", "b"}
	b.saves(b.record(joined)) // b is a, and h is no longer there
	ask("joined", nil, []string{"g", "h"}, 9, map[string][]string{"g": {"a", "c"}, "h": {"é"}})
	b.saves(func(tx pipeline.Tx) error { return tx.DropRecord(b.ctx, "c") }, b.record(holder("é")))
	ask("dropped, and saved with less", nil, []string{"g", "h"}, 9, map[string][]string{"g": {"a"}})
	b.view(func(r pipeline.Reader) error {
		got, err := r.Unlisted(b.ctx, "", 9)
		if len(got) > 0 {
			b.Errorf("records whose device keys are not kept: %q", got)
		}
		return err
	})
	b.update(func(tx pipeline.Tx) error { // a transaction sees its own writes
		if err := tx.SaveRecord(b.ctx, holder("z", "g")); err != nil {
			return err
		}
		got, err := tx.Sharers(b.ctx, []string{"a"}, nil, 9)
		b.same("own writes", got, map[string][]string{keyOf("g"): {"z"}})
		return err
	})
}

// testSharersProperty holds any writes of records against the model.
func testSharersProperty(b *bench) {
	names := []string{"a", "b", "c", "d"}
	some := rapid.SliceOfDistinct(rapid.SampledFrom(names), rapid.ID[string])
	rapid.Check(b.T, func(t *rapid.T) {
		m := model.New()
		for _, n := range names {
			b.saves(func(tx pipeline.Tx) error { return tx.DropRecord(b.ctx, n) })
		}
		for range rapid.IntRange(1, 6).Draw(t, "writes") {
			rec := holder(rapid.SampledFrom(names).Draw(t, "patient"), some.Draw(t, "devices")...)
			rec.Aliases = some.Draw(t, "aliases")
			write := func(ctx context.Context, tx pipeline.Tx) error { return tx.SaveRecord(ctx, rec) }
			if rapid.IntRange(0, 4).Draw(t, "drop") == 0 {
				write = func(ctx context.Context, tx pipeline.Tx) error { return tx.DropRecord(ctx, rec.Patient) }
			}
			b.update(func(tx pipeline.Tx) error { return write(b.ctx, tx) })
			_ = write(b.ctx, m)
		}
		var keys []string
		for _, r := range some.Draw(t, "asked") {
			keys = append(keys, keyOf(r))
		}
		hand, limit := some.Draw(t, "hand"), rapid.IntRange(1, 4).Draw(t, "limit")
		want, _ := m.Sharers(b.ctx, hand, keys, limit)
		b.view(func(r pipeline.Reader) error {
			got, err := r.Sharers(b.ctx, hand, keys, limit)
			b.same("sharers", got, want)
			return err
		})
	})
}
