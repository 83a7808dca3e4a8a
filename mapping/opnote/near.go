package opnote

// Spelling: a word that is in no lexicon, and is one or two keystrokes from exactly one name of a part or an act,
// is read as that word ("gennerator", "migratted"). Words that are themselves words, and so could be slips of
// dictation, are in slips.tsv and raise a question instead.

// minNear is the shortest word that is mended: short words have too many neighbours.
const minNear = 6

// realWords are words of their own that lie a keystroke from a word of the trade.
var realWords = wordSet("looped coiled lopping popping planed placed planted glazed closed closing devised revived slipping sliding leader leading leaders ladder plated plating parted parting tested tasted resting posted poster sheath sheathed shorting started stated status pumped pumping lumped bumped stamped cabled tables table capped tapped taped taping gapped mapped mapping battered bettering buttoned connects contract contracts extensor extensors distension extended intension generally generated generates general adapted adoption adopted remover moved proved improved probed robed wired wiped fired hired tired")

// nearKey reduces a word to its first letter and its consonants without repeats, so that most misspellings of a
// word have its key.
func nearKey(w string) string {
	var buf [maxWord]byte
	n := 0
	for i := 0; i < len(w) && n < maxWord; i++ {
		c := w[i]
		if c < 'a' || c > 'z' {
			return ""
		}
		vowel := c == 'a' || c == 'e' || c == 'i' || c == 'o' || c == 'u' || c == 'y'
		if i > 0 && (vowel || n > 0 && buf[n-1] == c) {
			continue
		}
		buf[n] = c
		n++
	}
	return string(buf[:n])
}

// buildNear indexes the single-word names of parts and acts.
func (l *Lexicon) buildNear() {
	l.near = map[string][]nearWord{}
	for _, r := range l.rows {
		if r.class != "part" && r.class != "act" {
			continue
		}
		for _, p := range r.phrases {
			if len(p) < minNear {
				continue
			}
			toks := tokenise(p, l)
			if len(toks) != 1 {
				continue
			}
			if e := l.entries[l.edges[uint64(toks[0].word)]]; e != nil {
				k := nearKey(p)
				l.near[k] = append(l.near[k], nearWord{p, e, r})
			}
		}
	}
}

type nearWord struct {
	word string
	e    *entry
	row  *row
}

// nearMiss gives the reading of a misspelt word at token i, nil if it is none.
func (r *reader) nearMiss(i int) *entry {
	t := r.toks[i]
	if t.word != 0 || t.kind != tokWord || t.end-t.start < minNear || t.end-t.start > maxWord {
		return nil
	}
	w := r.low[t.start:t.end]
	if realWords[w] {
		return nil
	}
	var found *entry
	var of *row
	for _, c := range r.lex.near[nearKey(w)] {
		limit := 1
		if len(c.word) >= 8 {
			limit = 2
		}
		if !within(w, c.word, limit) {
			continue
		}
		if found != nil && of != c.row {
			return nil
		}
		found, of = c.e, c.row
	}
	return found
}

// within says whether a becomes b by at most limit insertions, deletions, changes or swaps of neighbours
// (Damerau 1964, restricted). Both are at most maxWord bytes.
func within(a, b string, limit int) bool {
	if len(a)-len(b) > limit || len(b)-len(a) > limit {
		return false
	}
	var prev2, prev, cur [maxWord + 1]int
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		cur[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				cur[j] = min(cur[j], prev2[j-2]+1)
			}
		}
		prev2, prev = prev, cur
	}
	return prev[len(b)] <= limit
}
