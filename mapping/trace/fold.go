package trace

import "strings"

// separators are left out when values are compared as people write them. The tables of the store fold in SQL with
// the same list: see postgres/trace.go there.
const separators = " -./_#"

// Fold brings an identifier to what people mean when they copy it: ASCII letters in capitals, no separators, no
// leading zeros. Two values with one fold are perhaps the same; only equal values surely are.
func Fold(s string) string {
	var b strings.Builder
	for i := range len(s) {
		c := s[i]
		switch {
		case strings.IndexByte(separators, c) >= 0:
		case c >= 'a' && c <= 'z':
			b.WriteByte(c - 'a' + 'A')
		default:
			b.WriteByte(c)
		}
	}
	return strings.TrimLeft(b.String(), "0")
}

// blanks are words, folded, that are entered where nothing is known. Common practice, no source.
var blanks = []string{"", "?", "??", "NA", "NIL", "NONE", "NOTKNOWN", "NOTRECORDED", "NULL", "TBD", "UNK", "UNKNOWN", "ILLEGIBLE", "UNREADABLE"}

// Blanks lists the folded words that mean that nothing is recorded.
func Blanks() []string { return append([]string(nil), blanks...) }

// Blank says whether a value records nothing.
func Blank(s string) bool {
	f := Fold(s)
	for _, b := range blanks {
		if f == b {
			return true
		}
	}
	return false
}

// numbered is a value as a range compares it.
type numbered struct{ prefix, digits string }

// split takes the digits off the end.
func split(s string) numbered {
	i := len(s)
	for i > 0 && s[i-1] >= '0' && s[i-1] <= '9' {
		i--
	}
	return numbered{s[:i], s[i:]}
}

// like says whether two values can be ordered: same prefix, same number of digits.
func (n numbered) like(m numbered) bool {
	return n.prefix == m.prefix && len(n.digits) == len(m.digits)
}

// family gives what the packaging levels of one product have in common: of a GTIN the twelve digits between the
// indicator and the check digit (GS1 General Specifications, 2.1.7: each level of packaging has an indicator of its
// own), of an HIBC labeler's and product code without the unit of measure (ANSI/HIBC 2.6, 2.2). "" none.
func family(di string) string {
	if allDigits(di) && len(di) >= 8 && len(di) <= 14 {
		return "gtin " + strings.Repeat("0", 14-len(di)) + di
	}
	if len(di) >= 6 && len(di) <= 23 && di[0] >= 'A' && di[0] <= 'Z' && allDigits(di[len(di)-1:]) {
		return "hibc " + di[:len(di)-1]
	}
	return ""
}

// sameProduct says whether two device identifiers are of one product at different packaging levels.
func sameProduct(a, b string) bool {
	fa, fb := family(a), family(b)
	if fa == "" || fb == "" {
		return false
	}
	if strings.HasPrefix(fa, "gtin ") && strings.HasPrefix(fb, "gtin ") {
		return fa[6:len(fa)-1] == fb[6:len(fb)-1]
	}
	return fa == fb
}

// Levels gives the device identifiers that a product may have at its packaging levels, the given one first, folded:
// what a search by device identifier must look for.
func Levels(di string) []string {
	out := []string{Fold(di)}
	f := family(di)
	for d := byte('0'); d <= '9'; d++ {
		switch {
		case strings.HasPrefix(f, "gtin "):
			body := string(d) + f[6:len(f)-1]
			out = append(out, Fold(body+string(checkDigit(body))))
		case strings.HasPrefix(f, "hibc "):
			out = append(out, Fold(f[5:]+string(d)))
		}
	}
	return out
}

// checkDigit is that of GS1 for thirteen digits: weights 3 and 1 from the right (GS1 General Specifications, 7.9).
func checkDigit(body string) byte {
	sum := 0
	for i := range len(body) {
		w := 3
		if (len(body)-1-i)%2 == 1 {
			w = 1
		}
		sum += w * int(body[i]-'0')
	}
	return '0' + byte((10-sum%10)%10)
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}
