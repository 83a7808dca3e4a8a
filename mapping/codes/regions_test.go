package codes

import (
	"math/rand/v2"
	"slices"
	"sort"
	"strings"
	"testing"
)

// A text gone through word by word names the same regions as one in which each phrase is looked for.
func TestRegionsAreThoseOfThePhrases(t *testing.T) {
	var vocabulary []string
	for _, e := range regionWords {
		for _, w := range e.words {
			vocabulary = append(vocabulary, w)
			vocabulary = append(vocabulary, strings.Fields(w)...)
		}
	}
	vocabulary = append(vocabulary, "and", "of", "L4", "MRI", "Rücken")
	rng, named := rand.New(rand.NewPCG(1, 2)), 0
	for range 5000 {
		var text strings.Builder
		for range rng.IntN(8) {
			text.WriteString(vocabulary[rng.IntN(len(vocabulary))] + []string{" ", ", ", "/", "-", "S "}[rng.IntN(5)])
		}
		label := text.String()
		var want []string
		first := ""
		for _, e := range regionWords {
			if slices.ContainsFunc(e.words, func(w string) bool { return strings.Contains(phrase(label), " "+w+" ") }) {
				want = append(want, e.region)
				if first == "" {
					first = e.region
				}
			}
		}
		sort.Strings(want)
		if got := Regions(label); !slices.Equal(got, want) || region(label) != first {
			t.Fatalf("%q: %q, first %q; want %q, first %q", label, got, region(label), want, first)
		}
		named += len(want)
	}
	if named < 5000 {
		t.Fatalf("only %d regions named: the test says little", named)
	}
}
