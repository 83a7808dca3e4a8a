package udi

import (
	"slices"
	"strings"
)

// hasScheme says whether s begins with http:// or https://, in one case throughout; a mixed-case scheme is
// refused later by link.
func hasScheme(s string) bool {
	low := strings.ToLower(s[:min(len(s), 8)])
	return strings.HasPrefix(low, "http://") || strings.HasPrefix(low, "https://")
}

// primaryKeys are the application identifiers that can begin a GS1 Digital Link path (GS1 Barcode Syntax
// Dictionary, dlpkey).
var primaryKeys = []string{
	"00", "01", "253", "255", "401", "402", "414", "415", "417",
	"8003", "8004", "8006", "8010", "8013", "8017", "8018",
}

// qualifiers of 01 in the order the path must have; 235 stands alone.
var qualifiers = []string{"22", "10", "21"}

// segment is a piece of a path with its place.
type segment struct {
	text string
	at   int
}

// link reads a GS1 Digital Link URI (GS1 Digital Link Standard, URI Syntax).
func (p parser) link(s string, at int) []element {
	scheme, rest, _ := strings.Cut(s, "://")
	if scheme != strings.ToLower(scheme) && scheme != strings.ToUpper(scheme) {
		p.r.errorAt(at, CodeStructure, "scheme in mixed case")
	}
	at += len(scheme) + 3
	rest, _, _ = strings.Cut(rest, "#")
	path, query, _ := strings.Cut(rest, "?")
	segments := split(path, "/", at)[1:] // without the domain
	start, key := primary(segments)
	if start < 0 {
		p.noKey(segments, at)
		return nil
	}
	var out []element
	for i := start; i+1 < len(segments); i += 2 {
		out = append(out, element{segments[i].text, p.decode(segments[i+1], false), segments[i+1].at})
	}
	if key == "01" {
		p.pathOrder(segments[start+2:])
		out[0] = p.padPathGTIN(out[0])
	} else {
		p.r.errorAt(segments[start].at, CodeNotUDI, "primary key ("+key+") is no device identifier")
	}
	return append(out, p.query(query, at+len(path)+1)...)
}

// split cuts s and remembers where each piece stood.
func split(s, sep string, at int) []segment {
	var out []segment
	for _, t := range strings.Split(s, sep) {
		out = append(out, segment{t, at})
		at += len(t) + len(sep)
	}
	return out
}

// primary finds the rightmost primary key that leaves whole pairs behind it.
func primary(segments []segment) (int, string) {
	for i := len(segments) - 2; i >= 0; i -= 2 {
		if slices.Contains(primaryKeys, segments[i].text) {
			return i, segments[i].text
		}
	}
	return -1, ""
}

func (p parser) noKey(segments []segment, at int) {
	for _, s := range segments {
		if s.text == "gtin" {
			p.r.errorAt(s.at, CodeNotUDI, "alphabetic short names in the path are withdrawn; (01) expected")
			return
		}
	}
	p.r.Issuer = ""
	p.r.errorAt(at, CodeNotUDI, "a web address without a GS1 primary key and whole pairs after it")
}

// pathOrder checks the key qualifiers after the GTIN.
func (p parser) pathOrder(rest []segment) {
	next := 0
	for i := 0; i < len(rest); i += 2 {
		id := rest[i].text
		k := slices.Index(qualifiers, id)
		switch {
		case id == "235" && i == 0 && len(rest) == 2:
		case k < 0 || id == "235":
			p.r.errorAt(rest[i].at, CodeOrder, "not a key qualifier of (01): belongs in the query")
		case k < next:
			p.r.errorAt(rest[i].at, CodeOrder, "("+id+") out of order: path order is (22) (10) (21)")
		default:
			next = k + 1
		}
	}
}

// padPathGTIN keeps a GTIN-8, -12 or -13 as its 14 digits, and says that the path must carry all 14.
func (p parser) padPathGTIN(e element) element {
	if n := len(e.value); (n == 8 || n == 12 || n == 13) && allIn(e.value, isDigit) {
		p.r.errorAt(e.at, CodeTooShort, "(01) too short: a GTIN in a Digital Link has 14 digits")
		e.value = padGTIN(e.value)
	}
	return e
}

// query reads the attributes; keys that are not all digits are not GS1's and are left out.
func (p parser) query(query string, at int) []element {
	var out []element
	if query == "" {
		return nil
	}
	for _, pair := range split(strings.ReplaceAll(query, ";", "&"), "&", at) {
		key, value, _ := strings.Cut(pair.text, "=")
		if key == "" || !allIn(key, isDigit) {
			continue
		}
		if key == "01" || key == "235" || slices.Contains(qualifiers, key) {
			p.r.errorAt(pair.at, CodeOrder, "("+key+") belongs in the path, not in the query")
		}
		v := segment{value, pair.at + len(pair.text) - len(value)}
		out = append(out, element{key, p.decode(v, true), v.at})
	}
	return out
}

// decode undoes percent-encoding, and '+' for a space in a query. A broken escape stays as it is and is reported.
func (p parser) decode(s segment, query bool) string {
	var b strings.Builder
	for i := 0; i < len(s.text); i++ {
		c := s.text[i]
		switch {
		case c == '%' && i+2 < len(s.text) && unhex(s.text[i+1]) >= 0 && unhex(s.text[i+2]) >= 0:
			b.WriteByte(byte(unhex(s.text[i+1])<<4 | unhex(s.text[i+2])))
			i += 2
		case c == '%':
			p.r.errorAt(s.at+i, CodeCharset, "broken percent-encoding")
			b.WriteByte(c)
		case c == '+' && query:
			b.WriteByte(' ')
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// unhex is the value of a hexadecimal digit, -1 for anything else.
func unhex(c byte) int {
	switch {
	case isDigit(c):
		return int(c - '0')
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	}
	return -1
}
