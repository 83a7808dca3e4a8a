package udi

import "strings"

// MaxLength is the longest string Parse reads, in bytes: above the capacity of a GS1 DataMatrix (2335
// characters) and of any label seen.
const MaxLength = 4096

const gs = '\x1d' // group separator: FNC1 as transmitted

// gs1AIM are the AIM symbology identifiers (ISO/IEC 15424) that announce a GS1 element string. Case matters.
var gs1AIM = []string{"]C1", "]d2", "]Q3", "]e0", "]J1"}

// Parse reads raw, which may be scanned or typed. refYear is the year in which it is read: two-digit years are
// resolved against it (see [Date]). The caller keeps raw; Result does not.
func Parse(raw string, refYear int) Result {
	r := Result{Check: CheckNone}
	if len(raw) > MaxLength {
		r.errorAt(MaxLength, CodeTooLong, "longer than any carrier; not read")
		return r
	}
	s := strings.TrimRight(raw, "\r\n\t\x00")
	s, at := trimLeft(s)
	if s == "" {
		r.errorAt(0, CodeEmpty, "empty")
		return r
	}
	p := parser{r: &r, refYear: refYear}
	p.any(s, at)
	return r
}

// parser carries what every reader needs.
type parser struct {
	r       *Result
	refYear int
}

func trimLeft(s string) (string, int) {
	t := strings.TrimLeft(s, " \r\n\t")
	return t, len(s) - len(t)
}

// any finds the issuing agency from the first characters (HL7 v2.9 PRT-10) and hands over.
func (p parser) any(s string, at int) {
	for _, aim := range gs1AIM {
		if strings.HasPrefix(s, aim) {
			p.r.Issuer, p.r.Form = GS1, FormAIDC
			p.gs1(p.scan(s[3:], at+3))
			return
		}
	}
	if len(s) >= 3 && s[0] == ']' && isAlnum(s[1]) && isAlnum(s[2]) {
		p.plainSymbol(s, at)
		return
	}
	if p.marked(s, at) {
		return
	}
	switch t := strings.TrimRight(s, " "); {
	case len(t) == 14 && allIn(t, isDigit):
		p.r.Issuer, p.r.Form = GS1, FormDI
		p.gs1([]element{{id: "01", value: t, at: at}})
	case s[0] == gs, len(s) >= 16 && s[:2] == "01" && allIn(s[2:16], isDigit):
		p.r.Issuer, p.r.Form = GS1, FormAIDC
		p.gs1(p.scan(s, at))
	default:
		p.r.errorAt(at, CodeNoIssuer, "no issuing agency recognised from the first characters")
	}
}

// marked reads the strings whose own first characters name the agency; false when they do not.
func (p parser) marked(s string, at int) bool {
	switch {
	case strings.HasPrefix(s, "[)>"):
		p.ifa(s, at)
	case hasScheme(s):
		p.r.Issuer, p.r.Form = GS1, FormDigitalLink
		p.gs1(p.link(s, at))
	case s[0] == '(':
		p.r.Issuer, p.r.Form = GS1, FormHRF
		p.gs1(p.brackets(s, at))
	case s[0] == '+', s[0] == '*':
		p.hibc(s, at)
	case s[0] == '=', s[0] == '&':
		p.isbt(s, at)
	default:
		return false
	}
	return true
}

// plainSymbol reads a scan whose AIM prefix says that it is no GS1 element string: HIBCC, ICCBBA, IFA, Digital
// Link, or a retail symbol, whose GTIN is a device identifier.
func (p parser) plainSymbol(s string, at int) {
	content, cat := s[3:], at+3
	digits := allIn(content, isDigit)
	switch {
	case content == "":
		p.r.errorAt(cat, CodeEmpty, "nothing after the symbology identifier")
	case s[:3] == "]E0" && digits && len(content) == 13, s[:3] == "]E4" && digits && len(content) == 8:
		p.r.Issuer, p.r.Form = GS1, FormDI
		p.gs1([]element{{id: "01", value: padGTIN(content), at: cat}})
	case p.marked(content, cat):
	default:
		p.r.errorAt(at, CodeNoIssuer, "symbology identifier "+s[:3]+" announces no GS1 element string and the "+
			"content names no other agency")
	}
}

// padGTIN pads a GTIN of fewer digits on the left to 14.
func padGTIN(s string) string { return strings.Repeat("0", 14-len(s)) + s }
