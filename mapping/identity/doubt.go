package identity

import (
	"cmp"
	"slices"
	"strings"
)

// Doubt says that two records joined as one person contradict each other. What is "birth date" or "sex"; the
// values are left out, so that a doubt may be logged.
type Doubt struct{ A, B, What string }

// maxValues bounds how many different values of one field are compared within a cluster; more say the same.
const maxValues = 16

// Doubts gives the contradictions within one cluster, sorted: for each pair of values that exclude each other,
// the least keys that state them. Dates of different precision agree when one contains the other.
func Doubts(cluster []Person) []Doubt {
	out := conflicts(cluster, "birth date", func(p Person) string { return p.Birth },
		func(a, b string) bool { return !datesAgree(a, b) })
	out = append(out, conflicts(cluster, "sex", func(p Person) string { return known(p.Sex) },
		func(a, b string) bool { return a != b })...)
	slices.SortFunc(out, func(x, y Doubt) int {
		return cmp.Or(cmp.Compare(x.A, y.A), cmp.Compare(x.B, y.B), cmp.Compare(x.What, y.What))
	})
	return out
}

func known(sex string) string {
	if sex == "unknown" {
		return ""
	}
	return sex
}

func conflicts(people []Person, what string, value func(Person) string, differ func(a, b string) bool) []Doubt {
	least := map[string]string{} // value -> least key that states it
	var values []string
	for _, p := range people {
		v := value(p)
		if v == "" {
			continue
		}
		if key, seen := least[v]; !seen || p.Key < key {
			least[v] = p.Key
			if !seen {
				values = append(values, v)
			}
		}
	}
	slices.Sort(values)
	values = values[:min(len(values), maxValues)]
	var out []Doubt
	for i, a := range values {
		for _, b := range values[i+1:] {
			if differ(a, b) {
				x, y := least[a], least[b]
				out = append(out, Doubt{min(x, y), max(x, y), what})
			}
		}
	}
	return out
}

// datesAgree says whether two dates can be the same: one of the alternatives of each contains the other.
func datesAgree(a, b string) bool {
	for _, x := range alternatives(a) {
		for _, y := range alternatives(b) {
			if strings.HasPrefix(x, y) || strings.HasPrefix(y, x) {
				return true
			}
		}
	}
	return false
}

func alternatives(date string) []string {
	return strings.Split(strings.Trim(date, "[]"), ",")
}
