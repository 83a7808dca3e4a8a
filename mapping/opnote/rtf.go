package opnote

import (
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/htmlindex"
)

// Limits of an RTF document: real ones nest a few dozen deep.
const (
	maxRTFDepth = 500
	maxRTFWord  = 64
)

// rtfSkipped are destinations whose text is not part of the note.
var rtfSkipped = wordSet("fonttbl colortbl stylesheet info pict object themedata colorschememapping latentstyles datastore listtable listoverridetable rsidtbl generator xmlnstbl filetbl revtbl fldinst bkmkstart bkmkend nonshppict shppict objdata panose falt pgptbl mmathPr template company comment docvar formfield ftnsep ftnsepc aftnsep")

// rtfState is what a group inherits from the one around it.
type rtfState struct {
	skip   bool // a destination that is not shown
	hidden bool // hidden text
	uc     int  // characters that stand for one \u
}

// rtfReader reads RTF (the published format, version 1.9.1) in one pass.
type rtfReader struct {
	data  []byte
	pos   int
	out   strings.Builder
	st    rtfState
	stack []rtfState
	chars *charmap.Charmap
	fill  int // characters still to be dropped after \u
	high  rune
}

func rtfText(data []byte) (string, error) {
	r := rtfReader{data: data, chars: charmap.Windows1252, st: rtfState{uc: 1}}
	for r.pos < len(data) {
		if err := r.step(); err != nil {
			return "", fmt.Errorf("rtf, byte %d: %w", r.pos, err)
		}
	}
	if len(r.stack) > 0 {
		return "", fmt.Errorf("rtf: %d groups are not closed: %w", len(r.stack), ErrMalformed)
	}
	return strings.TrimSpace(r.out.String()), nil
}

func (r *rtfReader) step() error {
	c := r.data[r.pos]
	r.pos++
	switch c {
	case '{':
		if len(r.stack) >= maxRTFDepth {
			return fmt.Errorf("nested over %d deep: %w", maxRTFDepth, ErrMalformed)
		}
		r.stack = append(r.stack, r.st)
		r.fill = 0
	case '}':
		if len(r.stack) == 0 {
			return fmt.Errorf("a group ends that never began: %w", ErrMalformed)
		}
		r.st = r.stack[len(r.stack)-1]
		r.stack = r.stack[:len(r.stack)-1]
		r.fill = 0
	case '\\':
		return r.control()
	case '\r', '\n':
	default:
		r.char(c)
	}
	return nil
}

// char writes one byte of text in the document's code page.
func (r *rtfReader) char(c byte) {
	if r.fill > 0 {
		r.fill--
		return
	}
	if c < 0x80 {
		r.rune(rune(c))
		return
	}
	r.rune(r.chars.DecodeByte(c))
}

func (r *rtfReader) rune(c rune) {
	if r.st.skip || r.st.hidden || c == 0 {
		return
	}
	r.out.WriteRune(c)
}

// control reads a control word or symbol.
func (r *rtfReader) control() error {
	if r.pos >= len(r.data) {
		return ErrMalformed
	}
	c := r.data[r.pos]
	if c < 'a' || c > 'z' {
		if c < 'A' || c > 'Z' {
			r.pos++
			return r.symbol(c)
		}
	}
	start := r.pos
	for r.pos < len(r.data) && r.pos-start < maxRTFWord && (r.data[r.pos]|0x20 >= 'a' && r.data[r.pos]|0x20 <= 'z') {
		r.pos++
	}
	word := string(r.data[start:r.pos])
	start = r.pos
	if r.pos < len(r.data) && r.data[r.pos] == '-' {
		r.pos++
	}
	for r.pos < len(r.data) && r.pos-start < 11 && r.data[r.pos] >= '0' && r.data[r.pos] <= '9' {
		r.pos++
	}
	n, err := strconv.Atoi(string(r.data[start:r.pos]))
	given := err == nil
	if r.pos < len(r.data) && r.data[r.pos] == ' ' {
		r.pos++
	}
	return r.word(word, n, given)
}

func (r *rtfReader) symbol(c byte) error {
	switch c {
	case '\'':
		if r.pos+2 > len(r.data) {
			return ErrMalformed
		}
		v, err := strconv.ParseUint(string(r.data[r.pos:r.pos+2]), 16, 8)
		if err != nil {
			return fmt.Errorf("bad character code: %w", ErrMalformed)
		}
		r.pos += 2
		r.char(byte(v))
	case '*':
		r.st.skip = true // an optional destination we do not know
	case '~':
		r.rune(' ')
	case '_':
		r.rune('-')
	case '\\', '{', '}':
		r.char(c)
	case '\n', '\r':
		r.rune('\n')
	}
	return nil
}

// rtfMarks are control words that stand for text.
var rtfMarks = map[string]string{
	"par": "\n", "line": "\n", "sect": "\n\n", "page": "\n\n", "row": "\n", "tab": "\t", "cell": " | ", "nestcell": " | ", "nestrow": "\n",
	"emdash": "—", "endash": "–", "lquote": "‘", "rquote": "’", "ldblquote": "“", "rdblquote": "”", "bullet": "•", "emspace": " ", "enspace": " ",
}

func (r *rtfReader) word(word string, n int, given bool) error {
	if s, ok := rtfMarks[word]; ok {
		if !r.st.skip && !r.st.hidden {
			r.out.WriteString(s)
		}
		return nil
	}
	switch word {
	case "u":
		r.unicode(n)
	case "uc":
		r.st.uc = max(0, min(n, 8))
	case "v":
		r.st.hidden = !given || n != 0
	case "deleted":
		r.st.hidden = !given || n != 0
	case "plain":
		r.st.hidden = false
	case "ansicpg":
		if enc, err := htmlindex.Get("windows-" + strconv.Itoa(n)); err == nil {
			if cm, ok := enc.(*charmap.Charmap); ok {
				r.chars = cm
			}
		}
	case "bin":
		if n < 0 || n > len(r.data)-r.pos {
			return fmt.Errorf("binary data longer than the document: %w", ErrMalformed)
		}
		r.pos += n
	default:
		if rtfSkipped[word] {
			r.st.skip = true
		}
	}
	return nil
}

// unicode writes a \u character, which is a signed 16-bit unit.
func (r *rtfReader) unicode(n int) {
	c := rune(uint16(n))
	r.fill = 0
	switch {
	case c >= 0xd800 && c < 0xdc00:
		r.high = c
	case c >= 0xdc00 && c < 0xe000:
		if r.high != 0 {
			r.rune((r.high-0xd800)<<10 + (c - 0xdc00) + 0x10000)
		}
		r.high = 0
	default:
		r.rune(c)
	}
	r.fill = r.st.uc
}
