package identity

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	_ "gaussline/testdata/seed"
)

const mrn = "urn:example:mrn"

func person(key string, ids ...ID) Person { return Person{Key: key, Identifiers: ids} }

func TestClusters(t *testing.T) {
	old := func(v string) ID { return ID{mrn, v, "old"} }
	for _, c := range []struct {
		name   string
		people []Person
		extra  [][2]string
		want   [][]string
	}{
		{"nobody", nil, nil, nil},
		{"shared identifier", []Person{person("b", ID{mrn, "7001", ""}), person("a", ID{mrn, " 7001 ", "official"}), person("c")}, nil,
			[][]string{{"a", "b"}, {"c"}}},
		{"same value, other system", []Person{person("a", ID{mrn, "7001", ""}), person("b", ID{"urn:example:other", "7001", ""})}, nil,
			[][]string{{"a"}, {"b"}}},
		{"no system", []Person{person("a", ID{"", "7001", ""}), person("b", ID{"", "7001", ""})}, nil,
			[][]string{{"a"}, {"b"}}},
		{"placeholders", []Person{
			person("a", ID{mrn, "0000", ""}, ID{mrn, "UNKNOWN", ""}, ID{mrn, "n/a", ""}, ID{mrn, "9999", ""}, ID{mrn, "0", ""}, ID{mrn, " - ", ""}),
			person("b", ID{mrn, "0000", ""}, ID{mrn, "UNKNOWN", ""}, ID{mrn, "n/a", ""}, ID{mrn, "9999", ""}, ID{mrn, "0", ""}, ID{mrn, " - ", ""})}, nil,
			[][]string{{"a"}, {"b"}}},
		{"a number that only looks made up", []Person{person("a", ID{mrn, "12345", ""}), person("b", ID{mrn, "12345", ""})}, nil,
			[][]string{{"a", "b"}}},
		{"links one way, chain, cycle, unseen target", []Person{
			{Key: "d", Links: []string{"c"}}, {Key: "c", Links: []string{"b"}}, {Key: "b", Links: []string{"d", "x"}}, {Key: "a"}}, nil,
			[][]string{{"a"}, {"b", "c", "d", "x"}}},
		{"pair from a reviewer", []Person{{Key: "a"}, {Key: "b"}}, [][2]string{{"b", "q"}}, [][]string{{"a"}, {"b", "q"}}},
		{"temporary identifiers", []Person{person("a", ID{mrn, "T1", "temp"}), person("b", ID{mrn, "T1", ""})}, nil,
			[][]string{{"a"}, {"b"}}},
		{"old identifier, birth dates equal", []Person{
			{Key: "a", Birth: "1960-05-01", Identifiers: []ID{old("7001")}}, {Key: "b", Birth: "1960-05-01", Identifiers: []ID{{mrn, "7001", ""}}}}, nil,
			[][]string{{"a", "b"}}},
		{"old identifier, given to somebody else", []Person{
			{Key: "a", Birth: "1960-05-01", Identifiers: []ID{old("7001")}}, {Key: "b", Birth: "1971-02-03", Identifiers: []ID{{mrn, "7001", ""}}}}, nil,
			[][]string{{"a"}, {"b"}}},
		{"old identifier, birth date missing", []Person{
			person("a", old("7001")), {Key: "b", Identifiers: []ID{{mrn, "7001", ""}}}}, nil,
			[][]string{{"a"}, {"b"}}},
		{"conflict of birth dates does not part what an identifier joins", []Person{
			{Key: "a", Birth: "1960-05-01", Identifiers: []ID{{mrn, "7001", ""}}}, {Key: "b", Birth: "1971-02-03", Identifiers: []ID{{mrn, "7001", ""}}}}, nil,
			[][]string{{"a", "b"}}},
	} {
		if got := Clusters(c.people, c.extra); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
}

func TestIdentifierSharedByTooManyJoinsNobody(t *testing.T) {
	var people []Person
	for i := range MaxSharers + 1 {
		people = append(people, person(string(rune('A'+i)), ID{mrn, "WARD-3", ""}))
	}
	if got := Clusters(people, nil); len(got) != len(people) {
		t.Errorf("%d clusters of %d people", len(got), len(people))
	}
	if got := Clusters(people[1:], nil); len(got) != 1 {
		t.Errorf("at the limit: %d clusters", len(got))
	}
}

// The outcome is a partition and does not depend on order or on copies.
func TestClustersProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		key := rapid.SampledFrom([]string{"a", "b", "c", "d", "e", "f", "g"})
		births := rapid.SampledFrom([]string{"", "1960", "1960-05-01", "1971-02-03"})
		people := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Person {
			return Person{
				Key: key.Draw(t, "key"), Birth: births.Draw(t, "birth"),
				Identifiers: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) ID {
					return ID{mrn, rapid.SampledFrom([]string{"1", "2", "3", "0"}).Draw(t, "value"),
						rapid.SampledFrom([]string{"", "old", "temp", "official"}).Draw(t, "use")}
				}), 0, 2).Draw(t, "ids"),
				Links: rapid.SliceOfN(key, 0, 1).Draw(t, "links"),
			}
		}), 0, 8).Draw(t, "people")
		want := Clusters(people, nil)
		again := append(people[:len(people):len(people)], people...)
		seed := rapid.Uint64().Draw(t, "seed")
		rand.New(rand.NewPCG(seed, 1)).Shuffle(len(again), func(i, j int) { again[i], again[j] = again[j], again[i] })
		if got := Clusters(again, nil); !reflect.DeepEqual(got, want) {
			t.Fatalf("shuffled copies: %v, want %v", got, want)
		}
		seen := map[string]int{}
		for _, c := range want {
			for _, k := range c {
				seen[k]++
			}
		}
		for _, p := range people {
			for _, k := range append([]string{p.Key}, p.Links...) {
				if seen[k] != 1 {
					t.Fatalf("%s is in %d clusters", k, seen[k])
				}
			}
		}
	})
}

func TestDoubts(t *testing.T) {
	people := []Person{
		{Key: "c", Birth: "1960-05-01", Sex: "female"}, {Key: "a", Birth: "1960-05", Sex: "unknown"},
		{Key: "b", Birth: "1971-02-03", Sex: "male"}, {Key: "d", Birth: "[1960-05-01,1960-01-05]"}, {Key: "e"},
	}
	want := []Doubt{{"a", "b", "birth date"}, {"b", "c", "birth date"}, {"b", "c", "sex"}, {"b", "d", "birth date"}}
	if got := Doubts(people); !reflect.DeepEqual(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if got := Doubts(people[3:]); got != nil {
		t.Errorf("nothing stated twice: %v", got)
	}
}
