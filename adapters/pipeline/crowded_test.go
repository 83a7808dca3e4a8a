package pipeline_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/identity"
	"gaussline/mapping/implant"
)

// desk is a patient message with the number of a registration desk, and with one that only this patient has.
func deskPatient(i int) pipeline.Message {
	return resourceMessage("hillside", fmt.Sprintf(`{"resourceType":"Patient","id":"p%05d","identifier":[{"system":"urn:desk","value":"17"},{"system":"urn:mrn","value":"N%05d"}]}`, i, i))
}

func (w workbench) aliasesOf(t testing.TB) (out [][]string) {
	t.Helper()
	ctx := context.Background()
	err := w.Store.View(ctx, func(r pipeline.Reader) error {
		return r.Records(ctx, "", func(rec implant.Record) error { out = append(out, rec.Aliases); return nil })
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// An identifier that more patients share than one person can have joins nobody, whatever the order and the size of the
// batches in which they come; one that fewer share does. The limit is that of package identity.
func TestCrowdedIdentifierJoinsNobody(t *testing.T) {
	n := identity.MaxSharers + 8
	for _, seed := range []uint64{1, 2, 3} {
		w := newWorkbench(t)
		r := rand.New(rand.NewPCG(seed, 9))
		order := r.Perm(n)
		w.tell(t, batch(order[:identity.MaxSharers-4])...)
		if got := w.aliasesOf(t); len(got) != 1 {
			t.Fatalf("below the limit: %d records, want 1", len(got))
		}
		for rest := order[identity.MaxSharers-4:]; len(rest) > 0; {
			k := min(len(rest), 1+r.IntN(12))
			w.tell(t, batch(rest[:k])...)
			rest = rest[k:]
		}
		got := w.aliasesOf(t)
		if len(got) != n {
			t.Fatalf("seed %d: above the limit: %d records, want %d", seed, len(got), n)
		}
		for _, a := range got {
			if slices.Contains(a, "id:urn:desk|17") || len(a) != 2 {
				t.Fatalf("seed %d: a record is known as %q", seed, a)
			}
		}
	}
}

func batch(order []int) (ms []pipeline.Message) {
	for _, i := range order {
		ms = append(ms, deskPatient(i))
	}
	return ms
}

// A temporary number is reused by habit and joins nobody (HL7 v2 and FHIR identifier-use "temp"); what a source says of
// somebody it knows by that number alone is still shown with whoever had it.
func TestTemporaryNumberJoinsNobody(t *testing.T) {
	w := newWorkbench(t)
	for _, p := range []string{"a", "b"} {
		w.tell(t, resourceMessage("hillside", fmt.Sprintf(`{"resourceType":"Patient","id":%q,"identifier":[{"system":"urn:bed","value":"T-17","use":"temp"}]}`, p)))
	}
	if got := w.aliasesOf(t); len(got) != 2 {
		t.Fatalf("%d records, want 2: %q", len(got), got)
	}
}
