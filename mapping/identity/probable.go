package identity

import (
	"cmp"
	"math"
	"slices"
)

// Weight gives the Fellegi–Sunter weights, in bits, of a field that agrees in a share m of true matches and in a
// share u of chance pairs: what agreement adds and what disagreement takes away.
func Weight(m, u float64) (agree, differ float64) {
	return math.Log2(m / u), math.Log2((1 - m) / (1 - u))
}

// Posterior is the probability of a match whose prior probability was prior, after a weight in bits.
func Posterior(prior, weight float64) float64 {
	odds := prior / (1 - prior) * math.Exp2(weight)
	if math.IsInf(odds, 1) {
		return 1
	}
	return odds / (1 + odds)
}

// field is what one field tells.
type field struct {
	name string
	m, u float64
}

// The m and u of the fields. Sex, surname, birth year and month are the worked examples of the literature; given
// name, day and identifier are illustrative, no source. They order questions; nothing is joined by them.
var (
	surname    = field{"family name", .95, .001}
	given      = field{"given name", .90, .005}
	birthYear  = field{"birth year", .98, 1. / 80}
	birthMonth = field{"birth month", .95, 1. / 12}
	birthDay   = field{"birth day", .95, 1. / 30.4}
	sex        = field{"sex", .99, .5}
	identifier = field{"identifier no longer or not yet in use", .90, 1e-6}
)

// Bounds of the search for probable matches.
const (
	// AskFrom is the weight from which a pair is asked about: same given name, birth date and sex reach it when
	// only the family name differs; same birth date and sex alone do not (about 27 chance pairs to one match in
	// published hospital data).
	AskFrom = 18.0
	// MaxBlock is how many records that share a birth date or a name are compared with each other.
	MaxBlock = 200
	// MaxMatches is how many matches are reported, the heaviest first.
	MaxMatches = 10000
)

// Similarity of names from which they count as the same, and as half the same. Common practice, no source.
const (
	sameName    = 0.94
	similarName = 0.85
)

// Match is a pair of records that may be one person: a question for a person, never a join.
type Match struct {
	A, B   string  // keys, A before B
	Weight float64 // bits
	Agree  []string
	Differ []string
}

// Probable finds pairs of records, not in one of the clusters, that agree on more than chance explains; heaviest
// first. skipped counts groups larger than MaxBlock and matches beyond MaxMatches: when it is not 0 the list is
// not all.
func Probable(people []Person, clusters [][]string) (matches []Match, skipped int) {
	cluster := map[string]int{}
	for i, keys := range clusters {
		for _, key := range keys {
			cluster[key] = i + 1
		}
	}
	best := map[[2]string]Match{}
	for _, block := range blocks(people) {
		if len(block) > MaxBlock {
			skipped++
			continue
		}
		for i, x := range block {
			for _, y := range block[i+1:] {
				p, q := people[x], people[y]
				if p.Key == q.Key || cluster[p.Key] != 0 && cluster[p.Key] == cluster[q.Key] {
					continue
				}
				m := compare(p, q)
				pair := [2]string{m.A, m.B}
				if old, seen := best[pair]; m.Weight >= AskFrom && (!seen || better(m, old)) {
					best[pair] = m
				}
			}
		}
	}
	for _, m := range best {
		matches = append(matches, m)
	}
	slices.SortFunc(matches, func(x, y Match) int {
		return cmp.Or(cmp.Compare(y.Weight, x.Weight), cmp.Compare(x.A, y.A), cmp.Compare(x.B, y.B))
	})
	if len(matches) > MaxMatches {
		skipped += len(matches) - MaxMatches
		matches = matches[:MaxMatches]
	}
	return matches, skipped
}

// better orders two comparisons of one pair of keys, so that the outcome does not depend on the order of people.
func better(m, old Match) bool {
	return cmp.Or(cmp.Compare(m.Weight, old.Weight), slices.Compare(m.Agree, old.Agree)) > 0
}

// blocks groups people who share something, by what they share: only those are compared.
func blocks(people []Person) map[string][]int {
	out := map[string][]int{}
	for i, p := range people {
		keys := map[string]bool{}
		family, first := plainName(p.Family), plainName(p.Given)
		if len(p.Birth) == len("2006-01-02") {
			keys["birth "+p.Birth] = true
		}
		if family != "" && first != "" {
			keys["name "+min(family, first)+" "+max(family, first)] = true
		}
		if family != "" && len(p.Birth) >= 4 {
			keys["family "+family+" "+p.Birth[:4]] = true
		}
		for _, id := range p.Identifiers {
			if id.Usable() {
				keys["id "+id.System+"|"+id.Value] = true
			}
		}
		for k := range keys {
			out[k] = append(out[k], i)
		}
	}
	return out
}

// compare adds up the weights of two records; a field that one of them lacks counts nothing.
func compare(p, q Person) Match {
	if q.Key < p.Key {
		p, q = q, p
	}
	m := Match{A: p.Key, B: q.Key}
	m.names(p, q)
	m.births(p.Birth, q.Birth)
	if a, b := known(p.Sex), known(q.Sex); a != "" && b != "" {
		m.add(sex, boolShare(a == b))
	}
	if shareIdentifier(p, q) {
		m.add(identifier, 1)
	}
	return m
}

// add counts a field that agrees wholly (1), by half, or not (0).
func (m *Match) add(f field, share float64) {
	agree, differ := Weight(f.m, f.u)
	switch {
	case share >= 1:
		m.Weight += agree
		m.Agree = append(m.Agree, f.name)
	case share > 0:
		m.Weight += share * agree
		m.Agree = append(m.Agree, f.name+" (similar)")
	default:
		m.Weight += differ
		m.Differ = append(m.Differ, f.name)
	}
}

func boolShare(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// names compares names straight and exchanged, and keeps what fits better.
func (m *Match) names(p, q Person) {
	pf, pg, qf, qg := plainName(p.Family), plainName(p.Given), plainName(q.Family), plainName(q.Given)
	if pf != "" && pg != "" && qf != "" && qg != "" && nameShare(pf, qg)+nameShare(pg, qf) > nameShare(pf, qf)+nameShare(pg, qg) {
		qf, qg = qg, qf
	}
	if pf != "" && qf != "" {
		m.add(surname, nameShare(pf, qf))
	}
	if pg != "" && qg != "" {
		m.add(given, nameShare(pg, qg))
	}
}

func nameShare(a, b string) float64 {
	switch s := JaroWinkler(a, b); {
	case s >= sameName:
		return 1
	case s >= similarName:
		return 0.5
	}
	return 0
}

// births compares as much of two dates as both have; one that is not settled counts nothing.
func (m *Match) births(a, b string) {
	for _, part := range []struct {
		f        field
		from, to int
	}{{birthYear, 0, 4}, {birthMonth, 5, 7}, {birthDay, 8, 10}} {
		if len(a) < part.to || len(b) < part.to || a[0] == '[' || b[0] == '[' {
			return
		}
		m.add(part.f, boolShare(a[part.from:part.to] == b[part.from:part.to]))
	}
}

func shareIdentifier(p, q Person) bool {
	for _, x := range p.Identifiers {
		for _, y := range q.Identifiers {
			if x.Usable() && x.System == y.System && x.Value == y.Value {
				return true
			}
		}
	}
	return false
}
