package v2

import (
	"bytes"
	"strings"
	"unicode/utf8"
)

// Limits of one message beside its size, which is the frame's.
const (
	maxSegments = 2000 // an order with its notes has some tens
	maxFields   = 400  // of a segment; the longest of 2.5.1 has about 50, sites add their own
)

// Delims are the delimiters that a message names in MSH-1 and MSH-2. A rune that is 0 is not in use.
type Delims struct{ Field, Comp, Rep, Esc, Sub byte }

// Message is a parsed message. Its text is UTF-8, whatever it came in.
type Message struct {
	Delims   Delims
	Segments []Segment // MSH first
	charset  charset
}

// Segment is one line of a message.
type Segment struct {
	Name   string
	Seq    int      // which of the segments of this name, 1 the first
	fields []string // as received; [0] is the name, MSH-1 and MSH-2 are at [1] and [2]
	m      *Message
}

// Field is a field, a repetition, a component or a sub-component, not taken apart yet.
type Field struct {
	raw string
	m   *Message
}

// Parse takes a message apart. charsetName is what is used where MSH-18 is empty. Segments may end in CR, LF or
// both; a line feed within a message that uses CR is text.
func Parse(raw []byte, charsetName string) (*Message, *Fault) {
	raw = bytes.TrimLeft(raw, "\r\n")
	d, f := delims(raw)
	if f != nil {
		return nil, f
	}
	m := &Message{Delims: d}
	if m.charset, f = charsetOf(msh18(raw, d), charsetName); f != nil {
		return nil, f
	}
	text, ok := m.charset.decode(raw)
	if !ok {
		return nil, &Fault{Code: codeType, Segment: "MSH", Seq: 1, Field: 18, Text: "the bytes are not of the character set " + m.charset.name}
	}
	return m, m.split(text)
}

func delims(raw []byte) (Delims, *Fault) {
	bad := func(field int, text string) (Delims, *Fault) {
		return Delims{}, &Fault{Code: codeSequence, Segment: "MSH", Seq: 1, Field: field, Text: text}
	}
	if !bytes.HasPrefix(raw, []byte("MSH")) || len(raw) < 5 {
		return bad(0, "the message does not start with MSH")
	}
	fs := raw[3]
	end := bytes.IndexByte(raw[4:], fs)
	if !punctuation(fs) || end < 1 || end > 5 {
		return bad(2, "MSH-1 and MSH-2 name no delimiters that can be used")
	}
	enc := raw[4 : 4+end]
	for i, c := range enc {
		if !punctuation(c) || bytes.IndexByte(enc[:i], c) >= 0 {
			return bad(2, "MSH-1 and MSH-2 name no delimiters that can be used")
		}
	}
	d := Delims{Field: fs}
	for i, p := range []*byte{&d.Comp, &d.Rep, &d.Esc, &d.Sub} {
		if i < len(enc) {
			*p = enc[i]
		}
	}
	return d, nil
}

// punctuation says whether a byte can be a delimiter: printable ASCII that is no letter, digit or blank.
func punctuation(c byte) bool {
	return c > ' ' && c < 0x7f && !('0' <= c && c <= '9') && !('A' <= c && c <= 'Z') && !('a' <= c && c <= 'z')
}

// msh18 finds the character set before anything is decoded: up to it, MSH is ASCII in every set we take.
func msh18(raw []byte, d Delims) string {
	line := raw
	if i := bytes.IndexAny(raw, "\r\n"); i >= 0 {
		line = raw[:i]
	}
	parts := bytes.SplitN(line, []byte{d.Field}, 19)
	if len(parts) < 18 {
		return ""
	}
	return string(parts[17])
}

func (m *Message) split(text string) *Fault {
	end := "\r"
	if !strings.Contains(text, "\r") {
		end = "\n"
	}
	seen := map[string]int{}
	for _, line := range strings.Split(text, end) {
		line = strings.TrimLeft(line, "\n")
		if strings.Trim(line, "\x00 \n\t") == "" {
			continue
		}
		if len(m.Segments) == maxSegments {
			return &Fault{Code: codeSequence, Text: "too many segments"}
		}
		s := Segment{m: m, fields: strings.SplitN(line, string(m.Delims.Field), maxFields+1)}
		s.Name = s.fields[0]
		if !segmentName(s.Name) {
			return &Fault{Code: codeSequence, Text: "a line does not start with the name of a segment"}
		}
		if len(s.fields) > maxFields {
			return &Fault{Code: codeSequence, Segment: s.Name, Seq: seen[s.Name] + 1, Text: "too many fields"}
		}
		if s.Name == "MSH" {
			s.fields = append([]string{"MSH", string(m.Delims.Field)}, s.fields[1:]...)
		}
		seen[s.Name]++
		s.Seq = seen[s.Name]
		m.Segments = append(m.Segments, s)
	}
	if seen["MSH"] != 1 {
		return &Fault{Code: codeSequence, Segment: "MSH", Seq: max(seen["MSH"], 1), Text: "a frame holds one message"}
	}
	return nil
}

func segmentName(s string) bool {
	if len(s) != 3 || s[0] < 'A' || s[0] > 'Z' {
		return false
	}
	for i := 1; i < 3; i++ {
		if !('A' <= s[i] && s[i] <= 'Z' || '0' <= s[i] && s[i] <= '9') {
			return false
		}
	}
	return true
}

// Field gives field n, 1 the first; empty where there is none.
func (s Segment) Field(n int) Field {
	if n < 1 || n >= len(s.fields) {
		return Field{"", s.m}
	}
	return Field{s.fields[n], s.m}
}

// Reps gives the repetitions, the empty ones left out.
func (f Field) Reps() []Field {
	var out []Field
	for _, r := range f.cut(f.m.delim().Rep) {
		if !r.Empty() {
			out = append(out, r)
		}
	}
	return out
}

// Comp gives component n of the first repetition, 1 the first.
func (f Field) Comp(n int) Field { return f.part(f.m.delim().Rep, 1).part(f.m.delim().Comp, n) }

// Sub gives sub-component n of a component, 1 the first.
func (f Field) Sub(n int) Field { return f.part(f.m.delim().Sub, n) }

// Empty says whether nothing is stated. The two quotation marks of an explicit deletion state nothing either.
func (f Field) Empty() bool { return f.Text() == "" }

// Text is the whole of it with escapes undone and blanks around it cut. Delimiters that a sender did not escape in
// free text stay in it.
func (f Field) Text() string {
	t := strings.TrimSpace(f.m.unescape(f.raw))
	if t == `""` {
		return ""
	}
	return t
}

// Value is the first sub-component of the first component of the first repetition, as text.
func (f Field) Value() string { return f.Comp(1).Sub(1).Text() }

func (f Field) cut(by byte) []Field {
	if by == 0 || strings.IndexByte(f.raw, by) < 0 {
		return []Field{f}
	}
	parts := strings.Split(f.raw, string(rune(by)))
	out := make([]Field, len(parts))
	for i, p := range parts {
		out[i] = Field{p, f.m}
	}
	return out
}

func (f Field) part(by byte, n int) Field {
	parts := f.cut(by)
	if n < 1 || n > len(parts) {
		return Field{"", f.m}
	}
	return parts[n-1]
}

// delim gives the delimiters; those of nothing are none.
func (m *Message) delim() Delims {
	if m == nil {
		return Delims{}
	}
	return m.Delims
}

// first gives the first segment of a name, an empty one where there is none.
func (m *Message) first(name string) Segment {
	for _, s := range m.Segments {
		if s.Name == name {
			return s
		}
	}
	return Segment{Name: name, m: m}
}

// valid keeps what JSON can carry: no control characters but line breaks and tabs, no broken runes.
func valid(s string) string {
	if utf8.ValidString(s) && !strings.ContainsFunc(s, control) {
		return s
	}
	return strings.Map(func(r rune) rune {
		if control(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}

func control(r rune) bool { return r < ' ' && r != '\n' && r != '\t' || r == 0x7f }
