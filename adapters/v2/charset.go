package v2

import (
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/japanese"
	"golang.org/x/text/encoding/korean"
	"golang.org/x/text/encoding/simplifiedchinese"
	"golang.org/x/text/encoding/traditionalchinese"
)

// charset is a character set of table 0211. enc nil: UTF-8, or ASCII, of which it is a superset.
type charset struct {
	name  string
	ascii bool // nothing above 0x7f
	enc   encoding.Encoding
}

// charsets is table 0211 (HL7 v2.5.1) as far as it is read, and names seen in the field for the same
// (common practice, no source: UTF-8, UTF8, ISO-8859-1, WINDOWS-1252).
var charsets = map[string]charset{
	"ASCII":          {ascii: true},
	"ISO IR6":        {ascii: true},
	"UNICODE UTF-8":  {},
	"UTF-8":          {},
	"UTF8":           {},
	"8859/1":         {enc: charmap.ISO8859_1},
	"8859/2":         {enc: charmap.ISO8859_2},
	"8859/3":         {enc: charmap.ISO8859_3},
	"8859/4":         {enc: charmap.ISO8859_4},
	"8859/5":         {enc: charmap.ISO8859_5},
	"8859/6":         {enc: charmap.ISO8859_6},
	"8859/7":         {enc: charmap.ISO8859_7},
	"8859/8":         {enc: charmap.ISO8859_8},
	"8859/9":         {enc: charmap.ISO8859_9},
	"8859/15":        {enc: charmap.ISO8859_15},
	"ISO-8859-1":     {enc: charmap.ISO8859_1},
	"ISO-8859-15":    {enc: charmap.ISO8859_15},
	"WINDOWS-1252":   {enc: charmap.Windows1252},
	"ISO IR14":       {enc: japanese.ShiftJIS},
	"ISO IR87":       {enc: japanese.ISO2022JP},
	"GB 18030-2000":  {enc: simplifiedchinese.GB18030},
	"BIG-5":          {enc: traditionalchinese.Big5},
	"KS X 1001":      {enc: korean.EUCKR},
	"KS C 5601-1987": {enc: korean.EUCKR},
}

// charsetOf picks the character set of a message. msh18 may repeat: the first is that of the message, others may
// be switched to by escape sequences, which are not followed. Without any, UTF-8 is taken: it is ASCII where the
// message is, and bytes that are something else are refused, not guessed at.
func charsetOf(msh18, fallback string) (charset, *Fault) {
	name, _, _ := strings.Cut(msh18, "~")
	if name = strings.ToUpper(strings.TrimSpace(name)); name == "" || name == `""` {
		name = strings.ToUpper(strings.TrimSpace(fallback))
	}
	if name == "" {
		name = "UNICODE UTF-8"
	}
	c, ok := charsets[name]
	if !ok {
		return charset{}, &Fault{Code: codeTable, Segment: "MSH", Seq: 1, Field: 18, Text: "this character set is not read"}
	}
	c.name = name
	return c, nil
}

func (c charset) decode(b []byte) (string, bool) {
	if c.enc == nil {
		if c.ascii {
			for _, x := range b {
				if x >= utf8.RuneSelf {
					return "", false
				}
			}
		}
		return string(b), utf8.Valid(b)
	}
	out, err := c.enc.NewDecoder().Bytes(b)
	if err != nil || strings.ContainsRune(string(out), utf8.RuneError) {
		return "", false
	}
	return string(out), true
}

// encode brings UTF-8 into the set; what it cannot say becomes "?".
func (c charset) encode(s string) []byte {
	if c.enc == nil {
		if !c.ascii {
			return []byte(s)
		}
		return []byte(strings.Map(func(r rune) rune {
			if r >= utf8.RuneSelf {
				return '?'
			}
			return r
		}, s))
	}
	out, err := encoding.ReplaceUnsupported(c.enc.NewEncoder()).Bytes([]byte(s))
	if err != nil {
		return charset{ascii: true}.encode(s)
	}
	return out
}
