package identity

import (
	"slices"
	"strings"
)

// Person is what one source says of who a patient is. Any field but Key may be empty.
type Person struct {
	Key         string
	Identifiers []ID
	// Links are keys of records that the source says are this person. Of FHIR's link types replaced-by, replaces
	// and seealso say so; the caller decides about refer. One direction is enough.
	Links  []string
	Birth  string // a date of year, month or day precision, or "[a,b]" for one of these
	Sex    string // administrative gender; "unknown" and "" say nothing
	Family string
	Given  string
}

// ID is a business identifier of a person. The caller leaves out identifiers that several people share
// on purpose: visit, account and insurance policy numbers.
type ID struct {
	System string
	Value  string
	Use    string // usual, official, secondary, old, temp or ""
}

// MaxSharers is how many records may share one identifier before it is taken for something that is no
// person's own (a placeholder, a department's number), and joins nobody.
const MaxSharers = 64

// placeholders are words entered where no identifier is known. Common practice, no source.
var placeholders = []string{
	"unknown", "unk", "none", "na", "nil", "null", "test", "tbd", "pending", "notavailable", "notknown",
	"notapplicable", "undefined", "xxx", "missing", "anonymous",
}

// Usable says whether an identifier can tell people apart: it has a system and a value that is no placeholder.
// All zeros, and four or more of one character, are placeholders. Runs such as 12345 are not: they occur as
// true numbers.
func (id ID) Usable() bool {
	if strings.TrimSpace(id.System) == "" {
		return false
	}
	bare := strings.Map(func(r rune) rune {
		if strings.ContainsRune(" .-_/:#", r) {
			return -1
		}
		return r
	}, strings.ToLower(id.Value))
	if bare == "" || slices.Contains(placeholders, bare) || strings.Trim(bare, "0") == "" {
		return false
	}
	return len(bare) < 4 || strings.Trim(bare, bare[:1]) != ""
}

// joins says how far a use goes: an identifier in use joins; an old one may have been given to somebody else
// since, and joins only where the birth dates are known and equal; a temporary one is reused by habit and joins
// nobody. What does not join comes back from [Probable].
func (id ID) joins(birth string) (key string, ok bool) {
	if !id.Usable() {
		return "", false
	}
	key = strings.TrimSpace(id.System) + "|" + strings.TrimSpace(id.Value)
	switch id.Use {
	case "temp":
		return "", false
	case "old":
		return key, len(birth) == len("2006-01-02")
	}
	return key, true
}

// Clusters gives the records that are one person: clusters by their least key, each sorted. extra are pairs
// known to be one, from a reviewer. Every key in people, in a link or in extra is in exactly one cluster; a
// person alone is a cluster of one. The outcome does not depend on the order of people or extra.
func Clusters(people []Person, extra [][2]string) [][]string {
	u := union{parent: map[string]string{}}
	for _, p := range people {
		u.find(p.Key)
		for _, other := range p.Links {
			if other != "" {
				u.join(p.Key, other)
			}
		}
	}
	for _, pair := range extra {
		u.join(pair[0], pair[1])
	}
	joinByIdentifier(&u, people)
	return u.clusters()
}

// holder is a record that carries an identifier.
type holder struct {
	key, birth string
	old        bool
}

func joinByIdentifier(u *union, people []Person) {
	holders := map[string][]holder{}
	for _, p := range people {
		for _, id := range p.Identifiers {
			if key, ok := id.joins(p.Birth); ok {
				holders[key] = append(holders[key], holder{p.Key, p.Birth, id.Use == "old"})
			}
		}
	}
	for _, hs := range holders { // joining is commutative: the order of the map does not matter
		if len(hs) > 1 && distinct(hs) <= MaxSharers {
			joinCurrent(u, hs)
			joinOld(u, hs)
		}
	}
}

// joinCurrent joins all who carry an identifier in use.
func joinCurrent(u *union, hs []holder) {
	first := ""
	for _, h := range hs {
		switch {
		case h.old:
		case first == "":
			first = h.key
		default:
			u.join(first, h.key)
		}
	}
}

// joinOld joins who carries an identifier as an old one with those of the same birth date who carry it at all.
func joinOld(u *union, hs []holder) {
	for _, o := range hs {
		if !o.old {
			continue
		}
		for _, h := range hs {
			if h.birth == o.birth {
				u.join(o.key, h.key)
			}
		}
	}
}

// distinct counts the records among the holders; below the limit their number is bound enough.
func distinct(hs []holder) int {
	if len(hs) <= MaxSharers {
		return len(hs)
	}
	keys := map[string]bool{}
	for _, h := range hs {
		keys[h.key] = true
	}
	return len(keys)
}

// union is a disjoint-set forest over keys; the root of a set is its least key.
type union struct{ parent map[string]string }

func (u *union) find(key string) string {
	p, ok := u.parent[key]
	if !ok {
		u.parent[key] = key
		return key
	}
	root := p
	for u.parent[root] != root {
		root = u.parent[root]
	}
	for key != root {
		key, u.parent[key] = u.parent[key], root
	}
	return root
}

func (u *union) join(a, b string) {
	ra, rb := u.find(a), u.find(b)
	if ra == rb {
		return
	}
	u.parent[max(ra, rb)] = min(ra, rb)
}

func (u *union) clusters() [][]string {
	keys := make([]string, 0, len(u.parent))
	for key := range u.parent {
		keys = append(keys, key)
	}
	slices.Sort(keys)
	at := map[string]int{}
	var out [][]string
	for _, key := range keys { // sorted, so that a root comes before its members
		root := u.find(key)
		i, seen := at[root]
		if !seen {
			i = len(out)
			at[root] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], key)
	}
	return out
}
