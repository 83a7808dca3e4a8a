package opnote

import (
	"unicode"
	"unicode/utf8"
)

// tokKind is what a token is made of.
type tokKind uint8

const (
	tokWord   tokKind = iota // letters, or letters and digits mixed
	tokNumber                // digits, with a decimal point or not
	tokPunct                 // one mark
)

// gap says what stands between a token and the one before it.
type gap uint8

const (
	gapSpace  gap = 1 << iota // white space
	gapLine                   // a line break
	gapBlank                  // an empty line
	gapHyphen                 // a dash without white space, both sides letters or digits
	gapSlash                  // a slash without white space
	gapTab                    // a tab
)

// token is a word, number or mark of the text. word is its number in the lexicon's vocabulary, 0 if not there.
type token struct {
	start, end int32
	word       int32
	kind       tokKind
	gap        gap
	mark       byte // for marks: the byte, or 'x' for ×, '-' for any dash, '"' for any quote, '*' for a bullet
}

// charClass sorts ASCII bytes for the scanner.
var charClass = [128]uint8{
	' ': 1, '\t': 1, '\n': 1, '\r': 1, '\v': 1, '\f': 1,
	'0': 2, '1': 2, '2': 2, '3': 2, '4': 2, '5': 2, '6': 2, '7': 2, '8': 2, '9': 2,
	'a': 3, 'b': 3, 'c': 3, 'd': 3, 'e': 3, 'f': 3, 'g': 3, 'h': 3, 'i': 3, 'j': 3, 'k': 3, 'l': 3, 'm': 3,
	'n': 3, 'o': 3, 'p': 3, 'q': 3, 'r': 3, 's': 3, 't': 3, 'u': 3, 'v': 3, 'w': 3, 'x': 3, 'y': 3, 'z': 3,
	'A': 3, 'B': 3, 'C': 3, 'D': 3, 'E': 3, 'F': 3, 'G': 3, 'H': 3, 'I': 3, 'J': 3, 'K': 3, 'L': 3, 'M': 3,
	'N': 3, 'O': 3, 'P': 3, 'Q': 3, 'R': 3, 'S': 3, 'T': 3, 'U': 3, 'V': 3, 'W': 3, 'X': 3, 'Y': 3, 'Z': 3,
}

const (
	classMark  = 0
	classSpace = 1
	classDigit = 2
	classAlpha = 3
)

// classAt gives the class of the character at i and its width.
func classAt(s string, i int) (class uint8, r rune, width int) {
	if c := s[i]; c < utf8.RuneSelf {
		return charClass[c], rune(c), 1
	}
	r, width = utf8.DecodeRuneInString(s[i:])
	switch {
	case unicode.IsLetter(r) || unicode.IsMark(r):
		return classAlpha, r, width
	case unicode.IsSpace(r) || r == '\u200b' || r == '\ufeff':
		return classSpace, r, width
	}
	return classMark, r, width
}

// dash says whether r is one of the dashes people and word processors write.
func dash(r rune) bool { return r == '-' || r >= '\u2010' && r <= '\u2015' || r == '\u2212' }

// scanner cuts text into tokens.
type scanner struct {
	text  string
	lex   *Lexicon
	toks  []token
	lines int
	gap   gap
}

// tokenise cuts text into tokens in one pass.
func tokenise(text string, lex *Lexicon) []token {
	s := scanner{text: text, lex: lex, toks: make([]token, 0, len(text)/5+8)}
	for i := 0; i < len(text); {
		class, r, w := classAt(text, i)
		switch class {
		case classSpace:
			i = s.space(i, r, w)
		case classMark:
			i = s.punct(i, r, w)
		default:
			i = s.word(i)
		}
	}
	return s.toks
}

func (s *scanner) space(i int, r rune, w int) int {
	s.gap |= gapSpace
	switch r {
	case '\n', '\f', '\u2028', '\u2029':
		s.lines++
	case '\r':
		if i+1 >= len(s.text) || s.text[i+1] != '\n' {
			s.lines++
		}
	case '\t':
		s.gap |= gapTab
	}
	return i + w
}

func (s *scanner) add(t token) {
	if s.lines > 0 {
		s.gap |= gapLine
		if s.lines > 1 {
			s.gap |= gapBlank
		}
	}
	t.gap = s.gap
	s.gap, s.lines = 0, 0
	s.toks = append(s.toks, t)
}

// punct handles a mark. A dash or slash with a letter or digit on either side joins them: it is kept as the gap
// of the next token.
func (s *scanner) punct(i int, r rune, w int) int {
	joined := s.gap == 0 && s.lines == 0 && len(s.toks) > 0 && s.toks[len(s.toks)-1].kind != tokPunct &&
		int(s.toks[len(s.toks)-1].end) == i
	if joined && i+w < len(s.text) {
		if class, _, _ := classAt(s.text, i+w); class >= classDigit {
			if dash(r) {
				s.gap |= gapHyphen
				return i + w
			}
			if r == '/' {
				s.gap |= gapSlash
				return i + w
			}
		}
		if r == '\'' || r == '\u2019' {
			return i + w // "patient's": the s is dropped by word
		}
	}
	m := byte('?')
	switch {
	case r < utf8.RuneSelf:
		m = byte(r)
	case dash(r):
		m = '-'
	case r == '×':
		m = 'x'
	case r == '•' || r == '·' || r == '▪' || r == '●' || r == '◦' || r == '–':
		m = '*'
	case r == '“' || r == '”' || r == '„' || r == '«' || r == '»':
		m = '"'
	}
	s.add(token{start: int32(i), end: int32(i + w), kind: tokPunct, mark: m})
	return i + w
}

// word takes a run of letters and digits; "3.5" is one number and "i.p.g." one word.
func (s *scanner) word(i int) int {
	var buf [maxWord]byte
	n, letters, digits := 0, 0, 0
	j := i
	for j < len(s.text) {
		class, r, w := classAt(s.text, j)
		if class < classDigit {
			if !s.inner(i, j, r, letters, digits) {
				break
			}
			if r == '.' && digits > 0 && n < maxWord {
				buf[n] = '.'
				n++
			}
			j += w
			continue
		}
		if class == classDigit {
			digits++
		} else {
			letters++
		}
		n = lower(&buf, n, r)
		j += w
	}
	kind := tokWord
	if letters == 0 {
		kind = tokNumber
	}
	if letters == 1 && digits == 0 && i > 0 && buf[0] == 's' && (s.text[i-1] == '\'' || s.text[i-1] == 0x99) {
		s.gap = 0
		return j // the s of a possessive
	}
	if letters > 0 && digits > 0 && letters <= 5 {
		if cut := unitCut(s.text[i:j]); cut > 0 { // "72mm": a number and its unit
			s.add(token{start: int32(i), end: int32(i + cut), kind: tokNumber, word: s.lex.vocab[s.text[i:i+cut]]})
			return s.word(i + cut)
		}
	}
	t := token{start: int32(i), end: int32(j), kind: kind}
	if n <= maxWord {
		t.word = s.lex.vocab[string(buf[:n])]
	}
	s.add(t)
	return j
}

// unitCut gives where the number ends in a run of digits with a unit behind it, 0 if it is none.
func unitCut(w string) int {
	i := 0
	for i < len(w) && (w[i] >= '0' && w[i] <= '9' || w[i] == '.') {
		i++
	}
	if i == 0 || i == len(w) || w[i-1] == '.' {
		return 0
	}
	var buf [5]byte
	n := 0
	for ; n < len(w)-i && n < len(buf); n++ {
		buf[n] = w[i+n] | 0x20
	}
	if n != len(w)-i {
		return 0
	}
	switch string(buf[:n]) {
	case "mm", "cm", "h", "hr", "hrs", "hours", "ml", "ma", "hz", "us", "mg", "mcg", "min", "mins", "k", "kohm", "ohm", "ohms":
		return i
	}
	return 0
}

// maxWord is the longest word, in bytes, that is looked up; longer ones are kept but mean nothing.
const maxWord = 40

func lower(buf *[maxWord]byte, n int, r rune) int {
	switch {
	case n >= maxWord:
		return maxWord + 1
	case r < utf8.RuneSelf:
		if 'A' <= r && r <= 'Z' {
			r += 'a' - 'A'
		}
		buf[n] = byte(r)
		return n + 1
	}
	r = unicode.ToLower(r)
	if n+utf8.RuneLen(r) > maxWord {
		return maxWord + 1
	}
	return n + utf8.EncodeRune(buf[n:], r)
}

// inner says whether the mark at j belongs inside the word that began at i: the point of a decimal, or the points
// of an abbreviation of single letters.
func (s *scanner) inner(i, j int, r rune, letters, digits int) bool {
	if r != '.' || j+1 >= len(s.text) {
		return false
	}
	next, _, _ := classAt(s.text, j+1)
	if letters == 0 && digits > 0 {
		return next == classDigit
	}
	// i.p.g: exactly one letter since the last point (or the start), one letter and then no letter after it.
	if digits > 0 || next != classAlpha || j-i != 2*letters-1 {
		return false
	}
	if j+2 >= len(s.text) {
		return true
	}
	after, _, _ := classAt(s.text, j+2)
	return after < classDigit
}
