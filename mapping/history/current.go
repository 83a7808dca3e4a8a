package history

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"gaussline/mapping/implant"
)

// maxOrdered bounds the versions of one source that are compared pair by pair. A source with more keeps them all
// in the store, but only the newest maxOrdered by the order of sortVersions take part.
const maxOrdered = 128

// Current picks, for each source, the statements that count: those that no other version of the source
// supersedes. Newest is decided by what the source says (last updated, then a numeric version id, then the time
// of the message), never by arrival. Two different bodies that nothing orders both count; the second result
// names the keys of such sources. Both results are sorted.
func Current(all []implant.Statement) (current []implant.Statement, unordered []string) {
	byKey := map[string][]implant.Statement{}
	for _, s := range all {
		byKey[s.Key] = append(byKey[s.Key], s)
	}
	keys := make([]string, 0, len(byKey))
	for k := range byKey {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		top, twoBodies := currentOf(byKey[k])
		if twoBodies {
			unordered = append(unordered, k)
		}
		current = append(current, top...)
	}
	return current, unordered
}

// currentOf adds the refused versions that no read version supersedes to the newest read ones: what could not be
// read is asked about, and takes away nothing of what an older version said.
func currentOf(vs []implant.Statement) (top []implant.Statement, twoBodies bool) {
	var read, unread []implant.Statement
	for _, s := range vs {
		if refused(s) {
			unread = append(unread, s)
		} else {
			read = append(read, s)
		}
	}
	if len(read) > 0 {
		top = newest(read)
	}
	twoBodies = len(top) > 1
	if len(unread) == 0 {
		return top, twoBodies
	}
	for _, u := range newest(unread) {
		if !slices.ContainsFunc(top, func(s implant.Statement) bool {
			return supersedes(s.Version, u.Version) || sameVersion(s.Version, u.Version)
		}) {
			top = append(top, u)
		}
	}
	return top, twoBodies
}

// sameVersion says whether two bodies state that they are one version: a copy that could be read settles one that
// could not.
func sameVersion(a, b implant.Version) bool {
	return !a.LastUpdated.IsZero() && a.LastUpdated.Equal(b.LastUpdated) && a.ID == b.ID
}

// refused says whether a statement only says that its resource could not be read.
func refused(s implant.Statement) bool {
	return len(s.Facts) > 0 && !s.Void && s.Person == nil && s.Referral == nil &&
		!slices.ContainsFunc(s.Facts, func(f implant.Fact) bool { return f.Kind != implant.Unread })
}

// newest gives the versions that are in a topmost group: everything that supersedes one of them, however
// indirectly, is itself superseded by it. With orders that agree this is the one newest version.
func newest(vs []implant.Statement) []implant.Statement {
	vs = slices.Clone(vs)
	slices.SortFunc(vs, sortVersions)
	if len(vs) > maxOrdered {
		vs = vs[len(vs)-maxOrdered:]
	}
	n := len(vs)
	if n == 1 {
		return vs
	}
	over := make([][]bool, n) // over[i][j]: i supersedes j, directly or not
	for i := range vs {
		over[i] = make([]bool, n)
		for j := range vs {
			over[i][j] = supersedes(vs[i].Version, vs[j].Version)
		}
	}
	for k := range n {
		for i := range n {
			for j := range n {
				over[i][j] = over[i][j] || over[i][k] && over[k][j]
			}
		}
	}
	var top []implant.Statement
	seen := map[string]bool{}
	for i := n - 1; i >= 0; i-- { // from the newest by sortVersions, so that of equal bodies the newest copy stands
		beaten := slices.ContainsFunc(index(n), func(j int) bool { return over[j][i] && !over[i][j] })
		if !beaten && !seen[vs[i].Version.Hash] {
			seen[vs[i].Version.Hash] = true
			top = append(top, vs[i])
		}
	}
	slices.SortFunc(top, sortVersions)
	return top
}

func index(n int) []int {
	ix := make([]int, n)
	for i := range ix {
		ix[i] = i
	}
	return ix
}

// supersedes says whether a is certainly newer than b by the strongest thing both state.
func supersedes(a, b implant.Version) bool {
	if !a.LastUpdated.IsZero() && !b.LastUpdated.IsZero() && !a.LastUpdated.Equal(b.LastUpdated) {
		return a.LastUpdated.After(b.LastUpdated)
	}
	na, errA := strconv.ParseUint(a.ID, 10, 64)
	nb, errB := strconv.ParseUint(b.ID, 10, 64)
	if errA == nil && errB == nil && na != nb {
		return na > nb
	}
	if !a.MessageTime.IsZero() && !b.MessageTime.IsZero() {
		return a.MessageTime.After(b.MessageTime)
	}
	return false
}

// sortVersions is a total order on the versions of one source, for output and for bounding; it decides nothing.
func sortVersions(a, b implant.Statement) int {
	return cmp.Or(
		a.Version.LastUpdated.Compare(b.Version.LastUpdated),
		a.Version.MessageTime.Compare(b.Version.MessageTime),
		cmp.Compare(len(a.Version.ID), len(b.Version.ID)),
		cmp.Compare(a.Version.ID, b.Version.ID),
		cmp.Compare(a.Version.Hash, b.Version.Hash),
	)
}

// toldAt gives, for each source, when its earliest version was stated by its own clock: what it says of its last
// update, or else the time of the message. A correction does not make a source younger.
func toldAt(all []implant.Statement) map[string]time.Time {
	out := map[string]time.Time{}
	for _, s := range all {
		t := s.Version.LastUpdated
		if t.IsZero() {
			t = s.Version.MessageTime
		}
		if first, ok := out[s.Key]; !t.IsZero() && (!ok || t.Before(first)) {
			out[s.Key] = t
		}
	}
	return out
}

// firstTold gives the day on which the earliest of the sources was first stated, "" when none says.
func (f *fold) firstTold(sources []implant.Source) implant.When {
	var first time.Time
	for _, s := range sources {
		if t, ok := f.told[s.Key]; ok && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	if first.IsZero() {
		return ""
	}
	return implant.Day(first)
}
