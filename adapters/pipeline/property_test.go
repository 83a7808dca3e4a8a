package pipeline_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// allMessages are the messages of every story, in order.
func allMessages(t testing.TB) []pipeline.Message {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(casesDir, "*.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	var ms []pipeline.Message
	for _, p := range paths {
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range inputs(txtar.Parse(b)) {
			ms = append(ms, message(f, storyTime))
		}
	}
	return ms
}

// inForce is what must not depend on how messages came: the records, and the banners in force by what they say.
func (w workbench) inForce(t testing.TB) string {
	t.Helper()
	var state struct {
		Records  []implant.Record
		Verdicts []string
		Rejects  []string
	}
	ctx := context.Background()
	err := w.Store.View(ctx, func(r pipeline.Reader) error {
		if err := r.Records(ctx, "", func(rec implant.Record) error { state.Records = append(state.Records, rec); return nil }); err != nil {
			return err
		}
		vs, err := r.Verdicts(ctx, "", pipeline.VerdictInForce)
		if err != nil {
			return err
		}
		for _, v := range vs {
			state.Verdicts = append(state.Verdicts, fmt.Sprint(v.Referral, v.Site, v.Kind, v.Digest))
		}
		rs, err := r.Rejects(ctx, "")
		for _, x := range rs {
			state.Rejects = append(state.Rejects, x.ID)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.MarshalIndent(state, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Any permutation and duplication of the messages, in batches of any size, leaves the same records and the same
// banners in force, byte for byte.
func TestOrderAndCopiesChangeNothing(t *testing.T) {
	ms := allMessages(t)
	straight := newWorkbench(t)
	for _, m := range ms {
		straight.tell(t, m)
	}
	want := straight.inForce(t)
	rounds := 12
	if testing.Short() {
		rounds = 3
	}
	for seed := range rounds {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(uint64(seed), 7))
			mixed := append([]pipeline.Message(nil), ms...)
			for range len(ms) / 3 {
				mixed = append(mixed, ms[r.IntN(len(ms))])
			}
			r.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
			w := newWorkbench(t)
			for len(mixed) > 0 {
				n := min(len(mixed), 1+r.IntN(20))
				w.tell(t, mixed[:n]...)
				mixed = mixed[n:]
			}
			if diff := cmp.Diff(want, w.inForce(t)); diff != "" {
				t.Errorf("another order gives another state (-straight +mixed):\n%s", diff)
			}
		})
	}
}
