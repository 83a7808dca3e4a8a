package history

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"gaussline/mapping/implant"
)

// What identifies one object is the project's own choice: FHIR R4 Device says that UDI device identifier with serial number
// does, and that a lot number is shared by many. Placeholder words: common practice, no source.
func TestDeviceKeys(t *testing.T) {
	rec := func(refs []string, c implant.Component) implant.Record {
		return implant.Record{Parts: []implant.Part{{Refs: refs, Component: c}}}
	}
	share := func(a, b implant.Record) bool {
		return slices.ContainsFunc(DeviceKeys(a), func(k string) bool { return slices.Contains(DeviceKeys(b), k) })
	}
	base := rec([]string{"s|Device/1"}, implant.Component{Model: "TB-G210", DI: "07654321098765", Serial: "EL-42"})
	for name, c := range map[string]struct {
		other implant.Record
		want  bool
	}{
		"the same Device":                   {rec([]string{"s|Device/1"}, implant.Component{}), true},
		"another Device":                    {rec([]string{"s|Device/2"}, implant.Component{}), false},
		"model and serial":                  {rec(nil, implant.Component{Model: "tb g210", Serial: "el42"}), true},
		"device identifier and serial":      {rec(nil, implant.Component{DI: "07654321098765", Serial: "EL 42"}), true},
		"another serial":                    {rec(nil, implant.Component{Model: "TB-G210", DI: "07654321098765", Serial: "EL-43"}), false},
		"another model":                     {rec(nil, implant.Component{Model: "TB-G220", Serial: "EL-42"}), false},
		"a serial alone":                    {rec(nil, implant.Component{Serial: "EL-42"}), false},
		"a lot":                             {rec(nil, implant.Component{Model: "TB-G210", Lot: "EL-42"}), false},
		"a Device in its resource":          {rec([]string{"s|Procedure/1#d"}, implant.Component{}), false},
		"a device identifier is no model":   {rec(nil, implant.Component{Model: "07654321098765", Serial: "EL-42"}), false},
		"a serial is not part of the model": {rec(nil, implant.Component{Model: "TB-G210EL", Serial: "42"}), false},
	} {
		if got := share(base, c.other); got != c.want {
			t.Errorf("%s: one device: %v", name, got)
		}
	}
	for _, blank := range []string{"", "0", "000-000", "1111", "N/A", "unknown", "?", "x", "not available", "T.B.D."} {
		for _, c := range []implant.Component{{Model: "M-1", Serial: blank}, {Model: blank, DI: blank, Serial: "S1"}} {
			if k := DeviceKeys(rec(nil, c)); len(k) > 0 {
				t.Errorf("%+v identifies something", c)
			}
		}
	}
}

// Whatever others say of devices, in any order, changes no more of a record than its questions, and asks only about parts
// that are theirs too.
func TestElsewhereChangesOnlyQuestions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ss := genStatements(t)
		var others []Held
		for range rapid.IntRange(1, 3).Draw(t, "others") {
			rec := foldAll(genStatements(t)...)
			others = append(others, HeldOf(rec)...)
		}
		var crowded []string
		if keys := DeviceKeys(foldAll(ss...)); len(keys) > 0 && rapid.Bool().Draw(t, "crowded") {
			crowded = keys[:1]
		}
		plain := foldAll(ss...)
		rec := Fold(Input{Patients: []string{pat}, Statements: ss, Elsewhere: others, Crowded: crowded})
		if d := cmp.Diff(plain, rec, cmpopts.IgnoreFields(implant.Record{}, "Questions")); d != "" {
			t.Fatal(d)
		}
		rand.New(rand.NewPCG(1, 2)).Shuffle(len(others), func(i, j int) { others[i], others[j] = others[j], others[i] })
		if d := cmp.Diff(rec, Fold(Input{Patients: []string{pat}, Statements: ss, Elsewhere: others, Crowded: crowded})); d != "" {
			t.Fatalf("the order of others matters: %s", d)
		}
		theirs := strings.Join(crowded, " ")
		for _, h := range others {
			theirs += " " + strings.Join(h.Keys, " ")
		}
		asked := map[string]bool{}
		for _, q := range rec.Questions {
			for _, id := range q.Parts {
				asked[id] = asked[id] || q.Code == implant.AskDeviceElsewhere && q.MR
			}
		}
		for _, p := range rec.Parts {
			shared := slices.ContainsFunc(deviceKeys(p), func(k string) bool { return strings.Contains(theirs, k) })
			if shared != asked[p.ID] {
				t.Fatalf("part %s: shared %v, asked %v", p.ID, shared, asked[p.ID])
			}
		}
	})
}
