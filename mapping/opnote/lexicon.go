package opnote

import (
	"embed"
	"fmt"
	"sort"
	"strings"

	"gaussline/mapping/implant"
)

//go:embed lexicon/*.tsv
var lexiconFiles embed.FS

// Limits of a lexicon, so that a bad file is refused and not used.
const (
	maxLexiconRows  = 20_000
	maxPhraseTokens = 10
)

// entry is one reading of a phrase: its class, its value in our words, and, for acts, its grammatical form.
type entry struct {
	class class
	value string
	form  form
	row   *row
	alt   *entry // the next reading of the same phrase
	goes  bool   // a verb whose meaning hangs on the direction
	mask  uint64 // classes of this reading and those after it
}

// row is one line of a lexicon file, kept for the tests and for explanations.
type row struct {
	file    string
	line    int
	class   string
	value   string
	phrases []string
	example string
}

// class is what a phrase is, as the rules see it. The text of a class is the first column of a lexicon file.
type class uint8

// form is the grammatical form of an act.
type form uint8

const (
	formNone       form = iota
	formActive          // remove, removes, removing
	formParticiple      // removed
	formNoun            // removal
	formState           // in situ, remains
	formPast            // took, came: never passive
)

// Lexicon is a set of phrases and what they mean. It is never written after [NewLexicon] returns and may be
// shared.
type Lexicon struct {
	vocab   map[string]int32
	starts  []bool           // by word: some phrase begins with it
	edges   map[uint64]int32 // node<<32|word -> node
	entries []*entry         // by node
	rows    []*row
	near    map[string][]nearWord            // misspellings: by nearKey
	parted  map[int32]*entry                 // by node: acts whose object may stand between verb and particle
	acts    map[string]*[formPast + 1]*entry // plain entries of each act, for verbs settled by their direction
}

var builtin = mustBuiltin()

func mustBuiltin() *Lexicon {
	l, err := NewLexicon()
	if err != nil {
		panic(err) // the files are part of the program; a test reads them all
	}
	return l
}

// Extra is a lexicon file of a clinic: its name, for messages, and its rows.
type Extra struct {
	Name string
	Data string
}

// NewLexicon makes a lexicon from the built-in files and a clinic's own. A row is tab-separated: class, value,
// phrases parted by "|" (with choices in brackets, see expand), and an example sentence that holds one of them; acts
// have three phrase columns (verb, participle, noun). A row of class verb gives verbs whose forms are made by code. A row that repeats a built-in phrase takes its place. The error names file and line.
func NewLexicon(extra ...Extra) (*Lexicon, error) {
	l := &Lexicon{vocab: map[string]int32{}, starts: []bool{false}, edges: map[uint64]int32{}, entries: []*entry{nil}}
	names, err := lexiconFiles.ReadDir("lexicon")
	if err != nil {
		return nil, err
	}
	for _, d := range names { // ReadDir sorts by name
		data, err := lexiconFiles.ReadFile("lexicon/" + d.Name())
		if err != nil {
			return nil, err
		}
		if err := l.load(Extra{d.Name(), string(data)}, false); err != nil {
			return nil, err
		}
	}
	for _, x := range extra {
		if err := l.load(x, true); err != nil {
			return nil, err
		}
	}
	for _, e := range l.entries {
		e.setMask()
	}
	l.buildNear()
	l.buildParted()
	l.buildActs()
	return l, nil
}

func (l *Lexicon) load(x Extra, replace bool) error {
	for i, line := range strings.Split(x.Data, "\n") {
		line = strings.TrimRight(line, "\r ")
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if len(l.rows) >= maxLexiconRows {
			return fmt.Errorf("lexicon %s: more than %d rows", x.Name, maxLexiconRows)
		}
		if err := l.row(x.Name, i+1, line, replace); err != nil {
			return fmt.Errorf("lexicon %s, line %d: %w", x.Name, i+1, err)
		}
	}
	return nil
}

func (l *Lexicon) row(file string, n int, line string, replace bool) error {
	cols := strings.Split(line, "\t")
	if cols[0] == "verb" {
		return l.verbs(file, n, cols, replace)
	}
	cl, ok := classByName[cols[0]]
	if !ok {
		return fmt.Errorf("unknown class %q", cols[0])
	}
	want := 4
	if cl == classAct {
		want = 6
	}
	if len(cols) != want {
		return fmt.Errorf("%d columns, want %d", len(cols), want)
	}
	r := &row{file: file, line: n, class: cols[0], value: cols[1], example: cols[want-1]}
	if cl == classAct {
		if _, ok := actKinds[r.value]; !ok {
			return fmt.Errorf("unknown act %q", r.value)
		}
	}
	for c := 2; c < want-1; c++ {
		f := formNone
		if cl == classAct {
			f = form(c-2) + formActive
		}
		for _, p := range strings.Split(cols[c], "|") {
			if p = strings.TrimSpace(p); p == "" {
				continue
			}
			if strings.HasPrefix(p, "=") {
				p, f = p[1:], formState
			}
			all, err := expand(p)
			if err != nil {
				return err
			}
			for _, p := range all {
				r.phrases = append(r.phrases, p)
				if err := l.phrase(p, &entry{class: cl, value: r.value, form: f, row: r}, replace); err != nil {
					return err
				}
			}
		}
	}
	if len(r.phrases) == 0 {
		return fmt.Errorf("no phrase")
	}
	if cl == classPart {
		if err := l.plurals(r, replace); err != nil {
			return err
		}
	}
	l.rows = append(l.rows, r)
	return nil
}

// plurals adds the regular plural of every name of a part that ends in a word of four letters or more.
func (l *Lexicon) plurals(r *row, replace bool) error {
	for _, p := range r.phrases[:len(r.phrases):len(r.phrases)] {
		last := p[strings.LastIndexByte(p, ' ')+1:]
		if len(last) < 4 || last[len(last)-1] == 's' || strings.HasSuffix(last, "ed") || strings.HasSuffix(last, "ing") || prepositions[last] || last == "connector" || strings.Contains(p, " of ") || r.value == string(implant.Hardware) {
			continue
		}
		many := inflect(p, "s")
		if l.lookup(many) != nil {
			continue
		}
		r.phrases = append(r.phrases, many)
		if err := l.phrase(many, &entry{class: classPart, value: r.value, row: r}, replace); err != nil {
			return err
		}
	}
	return nil
}

// lookup gives the readings of a phrase, nil if it is none.
func (l *Lexicon) lookup(p string) *entry {
	node := int32(0)
	for _, t := range tokenise(p, l) {
		next, ok := l.edges[uint64(node)<<32|uint64(t.word)]
		if t.word == 0 || !ok {
			return nil
		}
		node = next
	}
	return l.entries[node]
}

// maxExpanded bounds how many phrases one pattern may stand for.
const maxExpanded = 600

// expand gives the phrases that a pattern stands for: "[drawn/pulled] [out/free]" stands for four. A choice may be
// empty: "[/very] high".
func expand(p string) ([]string, error) {
	i := strings.IndexByte(p, '[')
	if i < 0 {
		return []string{strings.Join(strings.Fields(p), " ")}, nil
	}
	j := strings.IndexByte(p[i:], ']')
	if j < 0 {
		return nil, fmt.Errorf("phrase %q has an open bracket", p)
	}
	tails, err := expand(p[i+j+1:])
	if err != nil {
		return nil, err
	}
	var out []string
	for _, choice := range strings.Split(p[i+1:i+j], "/") {
		for _, t := range tails {
			if out = append(out, strings.Join(strings.Fields(p[:i]+choice+" "+t), " ")); len(out) > maxExpanded {
				return nil, fmt.Errorf("phrase %q stands for more than %d", p, maxExpanded)
			}
		}
	}
	return out, nil
}

// phrase adds one phrase to the trie. Its words are cut by the scanner that cuts notes.
func (l *Lexicon) phrase(p string, e *entry, replace bool) error {
	toks := tokenise(p, l)
	if len(toks) == 0 || len(toks) > maxPhraseTokens {
		return fmt.Errorf("phrase %q has %d words, want 1 to %d", p, len(toks), maxPhraseTokens)
	}
	node := int32(0)
	for i, t := range toks {
		if t.kind == tokPunct {
			return fmt.Errorf("phrase %q holds a mark", p)
		}
		id := t.word
		if id == 0 {
			key := normalWord(p[t.start:t.end])
			if len(key) > maxWord {
				return fmt.Errorf("phrase %q has a word over %d bytes", p, maxWord)
			}
			id = int32(len(l.starts))
			l.vocab[key] = id
			l.starts = append(l.starts, false)
		}
		if i == 0 {
			l.starts[id] = true
		}
		k := uint64(node)<<32 | uint64(id)
		next, ok := l.edges[k]
		if !ok {
			next = int32(len(l.entries))
			l.edges[k] = next
			l.entries = append(l.entries, nil)
		}
		node = next
	}
	if !replace {
		e.alt = l.entries[node]
	}
	l.entries[node] = e
	return nil
}

// normalWord is a word as the scanner looks it up: lower case, without the points of an abbreviation.
func normalWord(s string) string {
	var b strings.Builder
	for i, r := range s {
		if r == '.' && (i == 0 || s[i-1] < '0' || s[i-1] > '9') {
			continue
		}
		b.WriteRune(r)
	}
	return strings.ToLower(b.String())
}

// setMask notes in e the classes of all its readings.
func (e *entry) setMask() {
	if e == nil {
		return
	}
	e.mask = 0
	for x := e; x != nil; x = x.alt {
		e.mask |= 1 << x.class
	}
}

// hit is a phrase found in the text: tokens first to last, inclusive.
type hit struct {
	first, last int32
	e           *entry
}

// match finds phrases, the longest at each place, none inside another. It is linear: a phrase has at most
// maxPhraseTokens words.
func (l *Lexicon) match(toks []token) []hit {
	hits := make([]hit, 0, len(toks)/3+4)
	for i := 0; i < len(toks); {
		w := toks[i].word
		if w == 0 || !l.starts[w] {
			i++
			continue
		}
		node, end := int32(0), -1
		var best *entry
		for j := i; j < len(toks) && toks[j].word != 0; j++ {
			if j > i && toks[j].gap&gapBlank != 0 {
				break
			}
			next, ok := l.edges[uint64(node)<<32|uint64(toks[j].word)]
			if !ok {
				break
			}
			node = next
			if e := l.entries[node]; e != nil {
				best, end = e, j
			}
		}
		if best == nil {
			i++
			continue
		}
		hits = append(hits, hit{int32(i), int32(end), best})
		i = end + 1
	}
	return hits
}

// longest gives the longest phrase that begins at token i, ends at or before last and is shorter than limit tokens.
func (l *Lexicon) longest(toks []token, i, last, limit int) (end int, best *entry) {
	if w := toks[i].word; w == 0 || !l.starts[w] {
		return i, nil
	}
	node := int32(0)
	for j := i; j <= last && j-i+1 < limit && toks[j].word != 0; j++ {
		next, ok := l.edges[uint64(node)<<32|uint64(toks[j].word)]
		if !ok {
			break
		}
		node = next
		if e := l.entries[node]; e != nil {
			end, best = j, e
		}
	}
	return end, best
}

// pair gives the active reading of an act of two words, verb and particle, nil if there is none.
func (l *Lexicon) pair(a, b int32) *entry {
	if a == 0 || b == 0 || !l.starts[a] {
		return nil
	}
	n, ok := l.edges[uint64(uint32(a))]
	if !ok {
		return nil
	}
	if n, ok = l.edges[uint64(n)<<32|uint64(b)]; !ok {
		return nil
	}
	return l.parted[n]
}

// buildParted makes the active readings of acts of two words for where their object stands between the two.
func (l *Lexicon) buildParted() {
	l.parted = map[int32]*entry{}
	for first, n := range l.edges {
		if first>>32 != 0 {
			continue
		}
		for w := range particles {
			m, ok := l.edges[uint64(n)<<32|uint64(l.vocab[w])]
			if !ok || l.vocab[w] == 0 {
				continue
			}
			if e := l.entries[m].readAs(classAct); e != nil && e.form != formNoun {
				p := &entry{class: classAct, value: e.value, form: formActive, row: e.row}
				p.setMask()
				l.parted[m] = p
			}
		}
	}
}

// has says whether the phrase can be read as class c, and gives that reading.
func (h hit) has(c class) *entry {
	for e := h.e; e != nil; e = e.alt {
		if e.class == c {
			return e
		}
	}
	return nil
}

// Entries gives every row of the lexicon as "file:line class value", sorted, for `gaussline read -lexicon`.
func (l *Lexicon) Entries() []string {
	out := make([]string, 0, len(l.rows))
	for _, r := range l.rows {
		out = append(out, fmt.Sprintf("%s:%d\t%s\t%s\t%s", r.file, r.line, r.class, r.value, strings.Join(r.phrases, "|")))
	}
	sort.Strings(out)
	return out
}
