package v2

import (
	"encoding/hex"
	"strconv"
	"strings"
)

// unescape undoes the escape sequences of a text: the delimiters, \Xdd..\ (bytes in the character set of the
// message), and the breaks of formatted text. Highlighting is dropped. What is not understood stays as it is, so
// that no word is lost. Source of the sequences: HL7 v2.5.1 chapter 2, from memory; the stored tables lack them.
func (m *Message) unescape(s string) string {
	esc := m.delim().Esc
	if esc == 0 || strings.IndexByte(s, esc) < 0 {
		return valid(s)
	}
	var out strings.Builder
	for {
		i := strings.IndexByte(s, esc)
		if i < 0 {
			break
		}
		out.WriteString(s[:i])
		s = s[i:]
		end := strings.IndexByte(s[1:], esc)
		if end < 0 {
			break
		}
		text, ok := m.sequence(s[1 : 1+end])
		if !ok { // not a sequence: the character stands for itself, its partner may start a real one
			out.WriteByte(esc)
			s = s[1:]
			continue
		}
		out.WriteString(text)
		s = s[end+2:]
	}
	out.WriteString(s)
	return valid(out.String())
}

func (m *Message) sequence(seq string) (string, bool) {
	if seq == "" {
		return "", false
	}
	d := m.Delims
	switch seq {
	case "F":
		return string(rune(d.Field)), true
	case "S":
		return string(rune(d.Comp)), true
	case "T":
		return string(rune(d.Sub)), d.Sub != 0
	case "R":
		return string(rune(d.Rep)), d.Rep != 0
	case "E":
		return string(rune(d.Esc)), true
	case "H", "N", ".fi", ".nf":
		return "", true
	case ".br", ".ce", ".sp":
		return "\n", true
	}
	switch {
	case seq[0] == 'X':
		b, err := hex.DecodeString(seq[1:])
		if err != nil || len(b) == 0 {
			return "", false
		}
		return m.charset.decode(b)
	case strings.HasPrefix(seq, ".sp"):
		n, err := strconv.Atoi(strings.TrimLeft(seq[3:], "+ "))
		if err != nil || n < 1 || n > 100 {
			return "", false
		}
		return strings.Repeat("\n", n), true
	case strings.HasPrefix(seq, ".in"), strings.HasPrefix(seq, ".ti"), strings.HasPrefix(seq, ".sk"):
		return " ", true
	}
	return "", false
}

// escape writes a text so that it can stand in a field. Line breaks become \.br\.
func escape(d Delims, s string) string {
	var out strings.Builder
	for _, r := range s {
		switch r {
		case rune(d.Esc):
			out.WriteString(seq(d, "E"))
		case rune(d.Field):
			out.WriteString(seq(d, "F"))
		case rune(d.Comp):
			out.WriteString(seq(d, "S"))
		case rune(d.Sub):
			out.WriteString(seq(d, "T"))
		case rune(d.Rep):
			out.WriteString(seq(d, "R"))
		case '\n':
			out.WriteString(seq(d, ".br"))
		default:
			if !control(r) {
				out.WriteRune(r)
			}
		}
	}
	return out.String()
}

func seq(d Delims, s string) string { return string(rune(d.Esc)) + s + string(rune(d.Esc)) }
