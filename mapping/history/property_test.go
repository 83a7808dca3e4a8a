package history

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"gaussline/mapping/implant"
	_ "gaussline/testdata/seed"
)

// genStatements draws the statements of a patient: devices, procedures and notes in several versions.
func genStatements(t *rapid.T) []implant.Statement {
	partKinds := []implant.Kind{implant.Generator, implant.Lead, implant.Extension, ""}
	factKinds := []implant.FactKind{implant.Implanted, implant.Removed, implant.RemovedPart, implant.WasCapped, implant.WasCut,
		implant.Disconnected, implant.LeftInPlace, implant.Repositioned, implant.Adjusted, implant.Exchanged, implant.SoughtAbsent,
		implant.Wasted, implant.ReportedGone, implant.PresentByWord, implant.Mentioned, implant.Planned, implant.Located,
		implant.MRLabel, implant.Function, implant.Doubt, implant.Unread, implant.Reason, implant.Complication}
	var ss []implant.Statement
	for i := range rapid.IntRange(0, 4).Draw(t, "devices") {
		ref := fmt.Sprintf("d/%d", i)
		s := device(ref, rapid.SampledFrom(partKinds).Draw(t, "kind"), rapid.SampledFrom([]string{"", "TB-1", "TB-2"}).Draw(t, "model"),
			rapid.SampledFrom([]string{"", "1", "2"}).Draw(t, "serial"))
		ss = append(ss, s)
	}
	for i := range rapid.IntRange(0, 5).Draw(t, "sources") {
		for v := range rapid.IntRange(1, 2).Draw(t, "versions") {
			var facts []implant.Fact
			for range rapid.IntRange(0, 4).Draw(t, "facts") {
				f := implant.Fact{Kind: rapid.SampledFrom(factKinds).Draw(t, "fact")}
				f.At = rapid.SampledFrom([]implant.When{"", "2026", "2026-02", day(3), day(40), day(41)}).Draw(t, "at")
				if rapid.Bool().Draw(t, "byRef") {
					f.Component.Ref = fmt.Sprintf("d/%d", rapid.IntRange(0, 5).Draw(t, "ref"))
				} else {
					f.Basis = implant.Read
					f.Component.Kind = rapid.SampledFrom(partKinds).Draw(t, "kind")
					f.Component.Count = rapid.IntRange(0, 2).Draw(t, "count")
				}
				f.Site.Side = rapid.SampledFrom([]implant.Side{"", implant.Left, implant.Right, implant.Bilateral}).Draw(t, "side")
				f.Site.Level = rapid.SampledFrom([]string{"", "L3", "L4"}).Draw(t, "level")
				f.Value = rapid.SampledFrom([]string{"", "whole", "MR Unsafe", "disabled", "states-conflict"}).Draw(t, "value")
				facts = append(facts, f)
			}
			s := st(fmt.Sprintf("p/%d", i), v+1, facts...)
			s.Version.ID = rapid.SampledFrom([]string{"", s.Version.ID}).Draw(t, "id")
			if rapid.Bool().Draw(t, "undated") {
				s.Version.LastUpdated = s.Version.MessageTime
			}
			ss = append(ss, s)
		}
	}
	return ss
}

func record(t interface{ Fatal(...any) }, ss []implant.Statement) string {
	b, err := json.Marshal(foldAll(ss...))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Any permutation and duplication of the same statements gives the same record, byte for byte.
func TestRecordDependsOnTheSetAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ss := genStatements(t)
		want := record(t, ss)
		again := slices.Clone(ss)
		for range rapid.IntRange(0, 3).Draw(t, "copies") {
			if len(ss) > 0 {
				again = append(again, ss[rapid.IntRange(0, len(ss)-1).Draw(t, "copy")])
			}
		}
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		r.Shuffle(len(again), func(i, j int) { again[i], again[j] = again[j], again[i] })
		if got := record(t, again); got != want {
			t.Fatalf("another order or number of copies gives another record:\n%s\n%s", want, got)
		}
	})
}

// Taking the evidence of a removal away never takes a part out of the body.
func TestLessEvidenceOfRemovalNeverRemoves(t *testing.T) {
	inBody := func(ss []implant.Statement) map[string]bool {
		m := map[string]bool{}
		for _, p := range foldAll(ss...).Parts {
			for _, r := range p.Refs {
				m[r] = p.State.InBody()
			}
		}
		return m
	}
	rapid.Check(t, func(t *rapid.T) {
		ss := genStatements(t)
		full := inBody(ss)
		var less []implant.Statement
		for _, s := range ss {
			s.Facts = slices.DeleteFunc(slices.Clone(s.Facts), func(f implant.Fact) bool {
				return f.Kind == implant.Removed || f.Kind == implant.Wasted
			})
			less = append(less, s)
		}
		for ref, in := range inBody(less) {
			if full[ref] && !in {
				t.Fatalf("%s left the body when removals were taken away", ref)
			}
		}
	})
}
