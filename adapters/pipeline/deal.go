package pipeline

import (
	"slices"
	"strings"

	"gaussline/mapping/history"
	"gaussline/mapping/implant"
)

// shelf holds loaded statements so that each patient can be dealt theirs. Which version of a source counts is decided
// here over all its versions, whoever they name as patient: a source that was moved to another patient, or deleted
// without naming one, says nothing of the first any more.
type shelf struct {
	stored  []StoredStatement
	current map[string][]int // of each source key, the versions that count
	keysOf  map[string][]string
}

func newShelf(stored []StoredStatement) shelf {
	s := shelf{stored: stored, current: map[string][]int{}, keysOf: map[string][]string{}}
	versions := map[string][]int{}
	for i, st := range stored {
		versions[st.Key] = append(versions[st.Key], i)
		s.keysOf[st.Patient] = append(s.keysOf[st.Patient], st.Key)
		if st.Type == "Patient" && st.Patient != st.Key {
			s.keysOf[st.Key] = append(s.keysOf[st.Key], st.Key)
		}
	}
	for key, is := range versions {
		s.current[key] = s.counting(is)
	}
	return s
}

// counting picks the versions of one source that count.
func (s *shelf) counting(is []int) []int {
	if len(is) == 1 {
		return is
	}
	all := make([]implant.Statement, len(is))
	for i, j := range is {
		all[i] = s.stored[j].Statement
	}
	top, _ := history.Current(all)
	var out []int
	for _, t := range top {
		if i := slices.IndexFunc(is, func(j int) bool { return s.stored[j].Version == t.Version }); i >= 0 {
			out = append(out, is[i])
		}
	}
	return out
}

// deal collects the statements of one patient and those they refer to, each once.
type deal struct {
	*shelf
	patients []string // sorted
	taken    map[int]bool
	out      []StoredStatement
	looked   int // of out: whose mentions were followed
	doubts   []implant.Question
}

func (s *shelf) deal(patients []string) *deal {
	d := &deal{shelf: s, patients: patients, taken: map[int]bool{}}
	seen := map[string]bool{}
	for _, p := range patients {
		for _, k := range s.keysOf[p] {
			if !seen[k] {
				seen[k] = true
				d.takeOwn(k)
			}
		}
	}
	for range maxMentionHops {
		d.takeMentioned()
	}
	return d
}

// own says whether a statement is the patient's own or nobody else's.
func (d *deal) own(st StoredStatement) bool {
	_, ok := slices.BinarySearch(d.patients, st.Patient)
	return ok || st.Patient == ""
}

// takeOwn takes what a source that names the patient, or did so once, says now. What could not be read is asked about
// on both sides. Where nothing orders a version for this patient and one for another, each has its own and a question,
// and an order goes by the lesser patient key.
func (d *deal) takeOwn(key string) {
	var mine, others []int
	for _, i := range d.current[key] {
		if st := d.stored[i]; d.own(st) || unreadOnly(st.Statement) {
			mine = append(mine, i)
		} else {
			others = append(others, i)
		}
	}
	if len(mine) == 0 {
		return
	}
	lesser := false
	for _, i := range others {
		d.ask(implant.AskVersionsUnordered, key, key)
		lesser = lesser || d.stored[i].Patient < d.patients[0]
	}
	for _, i := range mine {
		if !lesser || d.stored[i].Referral == nil {
			d.take(i)
		}
	}
}

// unreadOnly says whether a statement only says that its resource could not be read.
func unreadOnly(st implant.Statement) bool {
	return len(st.Facts) > 0 && !slices.ContainsFunc(st.Facts, func(f implant.Fact) bool { return f.Kind != implant.Unread })
}

func (d *deal) take(i int) bool {
	if d.taken[i] {
		return false
	}
	d.taken[i] = true
	d.out = append(d.out, d.stored[i])
	return true
}

// takeMentioned follows references one step. What a source of another patient says is taken too, since a part must not
// be missed, and it is asked whose it is.
func (d *deal) takeMentioned() {
	end := len(d.out)
	for ; d.looked < end; d.looked++ {
		from := d.out[d.looked]
		for _, m := range from.Mentions {
			for _, i := range d.current[m] {
				st := d.stored[i]
				if st.Type == "Patient" || st.Type == "ServiceRequest" {
					continue
				}
				if d.take(i) && !d.own(st) && !st.Void {
					d.ask(implant.AskSourcesMerged, "patient", from.Key, m)
				}
			}
		}
	}
}

func (d *deal) ask(code implant.QuestionCode, detail string, keys ...string) {
	q := implant.Question{Code: code, Detail: detail, MR: true}
	for _, k := range keys {
		q.Sources = append(q.Sources, implant.Source{Key: k})
	}
	slices.SortFunc(q.Sources, func(a, b implant.Source) int { return strings.Compare(a.Key, b.Key) })
	d.doubts = append(d.doubts, q)
}
