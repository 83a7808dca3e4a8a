package mri_test

import (
	"encoding/json"
	"slices"
	"testing"

	"gaussline/mapping/mri"
)

// TestAgreesWithPlainEvaluator holds the engine against the evaluator of oracle_test.go on 105,000 random cases.
func TestAgreesWithPlainEvaluator(t *testing.T) {
	files, each := 420, 250
	if testing.Short() {
		files, each = 60, 100
	}
	kinds := map[mri.Kind]int{}
	changes, combined := 0, 0
	for f := range files {
		d := newDice(uint64(f) + 1)
		labels := []mri.Labelling{d.labelling(t, "a")}
		if d.chance(20) {
			labels = append(labels, d.labelling(t, "b"))
		}
		var scanners []mri.Scanner
		for i := range each {
			if i%25 == 0 {
				scanners = d.scanners(t)
			}
			w := d.world(labels, scanners)
			v, want := w.decide(), w.judge()
			kinds[v.Kind]++
			if v.EarliestChange != "" {
				changes++
			}
			if v.Combined {
				combined++
			}
			if why := differ(v, want); why != "" {
				t.Fatalf("file %d: %s\nverdict %s\nrecord %s\nexam %s\nscanners %s\nlabels %s", f, why, js(v), js(w.rec), js(w.exam), js(w.scanners), js(labels))
			}
		}
	}
	t.Logf("%d cases: %v, %d with an earliest change, %d combined", files*each, kinds, changes, combined)
	for _, k := range []mri.Kind{mri.KindUnsafe, mri.KindOutside, mri.KindNotEstablished, mri.KindWithinIf, mri.KindNothing} {
		if kinds[k] < files*each/200 {
			t.Errorf("only %d cases of %s: the cases are too one-sided to prove anything", kinds[k], k)
		}
	}
}

func js(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// differ says in what the engine's verdict differs from the plain evaluator's finding.
func differ(v mri.Verdict, want finding) string {
	if v.Kind != want.kind {
		return "kind: plain " + string(want.kind)
	}
	if v.Combined != want.combined {
		return "combined"
	}
	if string(v.EarliestChange) != want.change {
		return "change: plain " + want.change
	}
	if len(v.Scanners) != len(want.scanner) && len(v.Scanners) > 0 {
		return "number of scanners"
	}
	for _, s := range v.Scanners {
		if truth := map[tv]mri.Truth{no: mri.NotMet, dunno: mri.Unknown, yes: mri.Met}[want.scanner[s.ID]]; truth != s.Truth {
			return "scanner " + s.ID + ": plain " + truth.String()
		}
		if s.Truth == mri.Met && len(s.Ways) == 0 {
			return "scanner " + s.ID + ": no way"
		}
		for _, w := range s.Ways {
			if why := differWay(s.ID, w, want); why != "" {
				return "scanner " + s.ID + ": " + why
			}
		}
	}
	return ""
}

func differWay(id string, w mri.Way, want finding) string {
	plain, ok := want.ways[id+": "+key(w.Sets)]
	if !ok {
		return "a way that the plain evaluator does not have: " + key(w.Sets)
	}
	if len(w.Limits) != len(plain.limits) {
		return "number of limits"
	}
	for _, l := range w.Limits {
		p := plain.limits[l.Code]
		if p == nil {
			return "limit " + l.Code
		}
		got := rat(l.Amount.String()+" "+string(l.Unit), string(l.Unit))
		if got.Cmp(p) != 0 {
			return "limit " + l.Code + " is not " + p.FloatString(6)
		}
	}
	var codes []string
	for _, c := range w.Confirm {
		code := c.Code
		if c.Phase == mri.After {
			code = "after " + code
		}
		if code == mri.WhyLabelSilent {
			code += " " + c.Args[0]
		}
		if !slices.Contains(codes, code) {
			codes = append(codes, code)
		}
	}
	slices.Sort(codes)
	if !slices.Equal(codes, plain.confirm) {
		return "to confirm: plain " + js(plain.confirm) + " engine " + js(codes)
	}
	return ""
}
