package opnote

import (
	"fmt"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"gaussline/mapping/implant"
)

// The format and the matching rules are those of testdata/notes/README.md.

const corpusDir = "../../testdata/notes"

// line is one line of an expect section.
type line struct {
	sort   string // kind, not, ask
	val    string
	keys   map[string]string
	quotes []string
	raw    string
}

// corpusNote is one file of the corpus.
type corpusNote struct {
	name  string
	note  Note
	lines []line
}

func loadCorpus(t testing.TB, half string) []corpusNote {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(corpusDir, half, "*.txtar"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no notes in %s: %v", half, err)
	}
	sort.Strings(files)
	var out []corpusNote
	for _, f := range files {
		out = append(out, loadNote(t, f))
	}
	return out
}

func loadNote(t testing.TB, file string) corpusNote {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	c := corpusNote{name: strings.TrimSuffix(filepath.Base(file), ".txtar")}
	types := map[string]string{"note.txt": "text/plain", "note.html": "text/html", "note.rtf": "text/rtf"}
	for _, f := range txtar.Parse(data).Files {
		switch {
		case types[f.Name] != "":
			if c.note.Text, err = Text(types[f.Name], f.Data); err != nil {
				t.Fatalf("%s: %v", file, err)
			}
		case f.Name == "meta":
			for _, l := range strings.Split(string(f.Data), "\n") {
				k, v, _ := strings.Cut(l, ":")
				v = strings.TrimSpace(v)
				switch strings.TrimSpace(k) {
				case "title":
					c.note.Title = v
				case "type":
					c.note.Type = v
				case "date":
					c.note.Date = implant.When(v)
				}
			}
		case f.Name == "expect":
			c.lines = expectations(t, file, f.Data)
		}
	}
	return c
}

// expectations gives the lines of an expect section.
func expectations(t testing.TB, file string, data []byte) (out []line) {
	t.Helper()
	for _, l := range strings.Split(string(data), "\n") {
		if l = strings.TrimSpace(l); l != "" && !strings.HasPrefix(l, "#") {
			out = append(out, parseLine(t, file, l))
		}
	}
	return out
}

func parseLine(t testing.TB, file, s string) line {
	t.Helper()
	l := line{keys: map[string]string{}, raw: s}
	for i, p := range strings.Split(s, " | ") {
		k, v, ok := strings.Cut(p, "=")
		if !ok {
			t.Fatalf("%s: bad pair %q", file, p)
		}
		switch {
		case i == 0:
			l.sort, l.val = k, v
		case k == "quote":
			l.quotes = append(l.quotes, strings.Trim(v, `"`))
		default:
			l.keys[k] = v
		}
	}
	return l
}

var familyPresent = map[string]bool{"reported-present": true, "left-in-place": true, "adjusted": true, "connected": true}
var presenceKinds = map[string]bool{"implanted": true, "reported-present": true, "left-in-place": true, "capped": true, "cut": true, "removed-in-part": true,
	"disconnected": true, "connected": true, "repositioned": true, "adjusted": true, "exchanged": true, "sought-not-found": true}

func kindMatch(want, got string) bool {
	return want == got || familyPresent[want] && familyPresent[got]
}

func partMatch(want string, got implant.Kind) bool {
	g := string(got)
	switch want {
	case "":
		return true
	case "system":
		return g == "" || g == "generator" || g == "other-active" || g == "unidentified"
	case "other-active":
		return g == "other-active" || g == "generator" || g == "unidentified"
	case "unidentified":
		return g == "" || g == "other-active" || g == "generator" || g == "unidentified" || g == "lead"
	}
	return want == g
}

// squash lowers text and drops blanks, dashes, slashes and "to", as rule 4 compares.
func squash(s string) string {
	s = strings.ToLower(s)
	return strings.NewReplacer(" to ", "", " ", "", "-", "", "/", "", "–", "", "\n", "").Replace(s)
}

// keyValue gives a finding's value for a key of a line.
func keyValue(f *Finding, k string) string {
	switch k {
	case "count":
		if f.Component.Count == 0 {
			return ""
		}
		return fmt.Sprint(f.Component.Count)
	case "side":
		return string(f.Site.Side)
	case "level":
		return f.Site.Level
	case "entry":
		return f.Site.Entry
	case "tip":
		return f.Site.Tip
	case "nerve":
		return f.Site.Nerve
	case "pocket":
		return f.Site.Pocket
	case "maker":
		return f.Component.Maker
	case "model":
		return f.Component.Model
	case "serial":
		return f.Component.Serial
	case "lot":
		return f.Component.Lot
	case "udi":
		return f.Component.UDI
	case "expiry":
		return string(f.Component.Expiry)
	case "at":
		return string(f.At)
	case "value":
		return f.Value
	case "certainty":
		return string(f.Certainty)
	}
	return ""
}

// keysMatch says whether all keys are equal; contradicts whether some key differs from one the finding states. A
// level told as the tip's, or a tip as a level, is the same bony level; a maker may be left out beside the model.
func keysMatch(l *line, f *Finding) (match, contradicts bool) {
	match = true
	for k, v := range l.keys {
		if k == "part" || k == "scope" {
			continue
		}
		got := keyValue(f, k)
		switch {
		case squash(sameWord(l.val, got)) == squash(sameWord(l.val, v)):
		case got == "" && k == "maker" && l.keys["model"] != "":
		case got == "" && k == "level" && squash(f.Site.Tip) == squash(v):
		case got == "" && k == "tip" && squash(f.Site.Level) == squash(v):
		default:
			match = false
			contradicts = contradicts || got != ""
		}
	}
	return match, contradicts
}

// overlaps says whether the span shares a letter or digit with an occurrence of one of the quotes.
func overlaps(text string, start, end int, quotes []string) bool {
	if len(quotes) == 0 {
		return true
	}
	norm, pos := normalSpace(text)
	for _, q := range quotes {
		q, _ := normalSpace(q)
		for from := 0; ; {
			i := strings.Index(norm[from:], q)
			if i < 0 {
				break
			}
			i += from
			for k := i; k < i+len(q); k++ {
				c := norm[k]
				alnum := c >= '0' && c <= '9' || c|0x20 >= 'a' && c|0x20 <= 'z' || c >= 0x80
				if alnum && pos[k] >= start && pos[k] < end {
					return true
				}
			}
			from = i + 1
		}
	}
	return false
}

func normalSpace(s string) (string, []int) {
	var b []byte
	var pos []int
	space := true
	for i := 0; i < len(s); i++ {
		if s[i] == ' ' || s[i] == '\n' || s[i] == '\t' || s[i] == '\r' {
			if !space {
				b, pos = append(b, ' '), append(pos, i)
			}
			space = true
			continue
		}
		space = false
		b, pos = append(b, s[i]), append(pos, i)
	}
	return strings.TrimRight(string(b), " "), pos
}

// fact says whether a finding is one that intake makes a fact of, or shows as plan or denial.
func fact(f *Finding) bool {
	switch f.Scope {
	case ScopeCurrent, ScopeHistory:
		return true
	case ScopePlan, ScopeConsent:
		return f.Kind == implant.Planned
	case ScopeNegated:
		return f.Kind == implant.DeniedPresence
	}
	return false
}

// tally counts for one kind.
type tally struct{ want, found, false int }

// score is the score of a half.
type score struct {
	kinds            map[string]*tally
	presentWant      int
	missed, invented []string
	misses, falses   []string
	reasons          map[string]int // why lines were missed, counted
}

func (s *score) at(kind string) *tally {
	if s.kinds[kind] == nil {
		s.kinds[kind] = &tally{}
	}
	return s.kinds[kind]
}

func scoreHalf(t testing.TB, half string) *score {
	s := &score{kinds: map[string]*tally{}}
	for _, c := range loadCorpus(t, half) {
		if c.name < os.Getenv("OPNOTE_FROM") {
			continue
		}
		scoreNote(s, c)
	}
	return s
}

func scoreNote(s *score, c corpusNote) {
	rd := Read(c.note)
	var fs []*Finding
	for i := range rd.Findings {
		if fact(&rd.Findings[i]) {
			fs = append(fs, &rd.Findings[i])
		}
	}
	scoreFindings(s, c, fs, rd.Questions)
}

// scoreFindings scores what somebody took from a note, a reader or a second annotator, against its lines.
func scoreFindings(s *score, c corpusNote, fs []*Finding, qs []Question) {
	matched := matchLines(s, c, fs)
	scoreFalse(s, c, fs, matched)
	scoreSafety(s, c, fs)
	scoreAsks(s, c, qs)
}

// full says whether a finding matches a line by all rules.
func full(c *corpusNote, l *line, f *Finding) bool {
	if l.sort != "kind" || !partMatch(l.keys["part"], f.Component.Kind) || !overlaps(c.note.Text, f.Start, f.End, l.quotes) {
		return false
	}
	if !attribute(l) && !kindMatch(l.val, string(f.Kind)) && !pairOf(c, l, f) {
		return false
	}
	if pairOf(c, l, f) {
		return true
	}
	ok, _ := keysMatch(l, f)
	return ok
}

// pairOf: an exchanged finding takes an implanted line when the same part has a removed line too (rule 1).
func pairOf(c *corpusNote, l *line, f *Finding) bool {
	return f.Kind == implant.Exchanged && l.val == "implanted" && hasLine(c, l.keys["part"], "removed")
}

func hasLine(c *corpusNote, part string, kinds ...string) bool {
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "kind" || l.keys["part"] != part {
			continue
		}
		for _, k := range kinds {
			if l.val == k {
				return true
			}
		}
	}
	return false
}

// matchLines pairs lines and findings, as many as can be, and says which findings fit some line.
func matchLines(s *score, c corpusNote, fs []*Finding) map[*Finding]bool {
	fits := map[*Finding]bool{}
	taken := map[*Finding]*line{}
	by := map[*line]*Finding{}
	var try func(l *line, seen map[*Finding]bool) bool
	try = func(l *line, seen map[*Finding]bool) bool {
		for _, f := range fs {
			if seen[f] || !full(&c, l, f) {
				continue
			}
			seen[f] = true
			if taken[f] == nil || try(taken[f], seen) {
				taken[f], by[l] = l, f
				return true
			}
		}
		return false
	}
	excused := map[string]bool{}
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "kind" {
			continue
		}
		for _, f := range fs {
			if full(&c, l, f) {
				fits[f] = true
			}
		}
		if !attribute(l) {
			try(l, map[*Finding]bool{})
		}
	}
	for l, f := range by {
		if pairOf(&c, l, f) {
			excused[l.keys["part"]] = true
		}
	}
	for i := range c.lines {
		l := &c.lines[i]
		if l.sort != "kind" {
			continue
		}
		ok := by[l] != nil
		if attribute(l) {
			for _, f := range fs {
				ok = ok || carries(&c, l, f)
			}
		} else if !ok {
			ok = twoSides(&c, l, fs, taken, fits)
		}
		if !ok && l.val == "removed" && excused[l.keys["part"]] {
			continue
		}
		s.at(l.val).want++
		if ok {
			s.at(l.val).found++
		} else {
			s.misses = append(s.misses, c.name+": "+l.raw+nearBy(&c, l, fs))
			s.why(&c, l, fs)
		}
	}
	return fits
}

// why counts, for a missed line, what came closest: which keys were wrong, which kind it got, or nothing.
func (s *score) why(c *corpusNote, l *line, fs []*Finding) {
	if s.reasons == nil {
		s.reasons = map[string]int{}
	}
	best, n := l.val+": nothing there", 1<<30
	for _, f := range fs {
		if !partMatch(l.keys["part"], f.Component.Kind) || !overlaps(c.note.Text, f.Start, f.End, l.quotes) {
			continue
		}
		var bad []string
		if !kindMatch(l.val, string(f.Kind)) && l.val != "located" && l.val != "described" {
			bad = append(bad, "is "+string(f.Kind))
		}
		for k, v := range l.keys {
			if got := keyValue(f, k); k != "part" && k != "scope" && squash(got) != squash(v) {
				if got == "" {
					bad = append(bad, "no "+k)
				} else {
					bad = append(bad, "wrong "+k)
				}
			}
		}
		sort.Strings(bad)
		if len(bad) < n {
			best, n = l.val+": "+strings.Join(bad, ", "), len(bad)
		}
	}
	s.reasons[best]++
}

// nearBy tells which findings came close to a missed line, and in what they differ.
func nearBy(c *corpusNote, l *line, fs []*Finding) string {
	out := ""
	for _, f := range fs {
		if !partMatch(l.keys["part"], f.Component.Kind) || !overlaps(c.note.Text, f.Start, f.End, l.quotes) {
			continue
		}
		out += "\n      > " + string(f.Kind) + " " + string(f.Component.Kind)
		for k, v := range l.keys {
			if got := keyValue(f, k); k != "part" && k != "scope" && squash(got) != squash(v) {
				out += " " + k + "=" + got
			}
		}
		out += fmt.Sprintf(" %q %s", f.Quote, f.Why)
	}
	return out
}
