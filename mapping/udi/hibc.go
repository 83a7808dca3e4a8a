package udi

import (
	"fmt"
	"strings"
)

// Lengths of HIBCC fields, ANSI/HIBC 2.6.
const (
	hibcMinDI    = 6  // labeler 4, product 1, unit of measure 1
	hibcMaxDI    = 23 // labeler 4, product 18, unit of measure 1
	hibcMaxValue = 18 // lot or serial
)

// hibc reads a HIBCC symbol. Asterisks around it are the human-readable start and stop of Code 39.
func (p parser) hibc(s string, at int) {
	if s[0] == '*' {
		s, at = strings.TrimSuffix(s[1:], "*"), at+1
	}
	switch {
	case !strings.HasPrefix(s, "+"):
		p.r.errorAt(at, CodeNoIssuer, "no + flag, so no HIBCC supplier symbol")
		return
	case strings.HasPrefix(s, "+/"):
		// May carry a patient number: nothing of it is kept.
		p.r.errorAt(at, CodeNotUDI, "HIBC Provider Applications data, not a device UDI; not read")
		return
	case strings.HasPrefix(s, "++"):
		p.r.errorAt(at, CodeNotUDI, "a Basic UDI-DI: key of a model, never on a label")
		return
	case len(s) < 4:
		p.r.errorAt(at, CodeTooShort, "shorter than any HIBCC symbol")
		return
	}
	p.r.Issuer = HIBCC
	switch c := s[1]; {
	case c == '$' || isDigit(c):
		p.hibcSecondary(s, at)
	case isAlnum(c):
		p.hibcPrimary(s, at)
	default:
		p.r.errorAt(at+1, CodeStructure, "a letter, a digit or $ expected after the + flag")
		p.r.keep("", s[1:], true)
	}
}

// hibcCheck verifies the last character. body is everything before it, with spaces as spaces.
func (p parser) hibcCheck(body string, got byte, at int) {
	if got == '_' {
		got = ' ' // the check character may be a space, printed as _
	}
	p.r.CheckChr = string([]byte{got})
	want, ok := mod43(body)
	p.r.checked(ok && got == want)
	switch {
	case !ok:
		p.r.errorAt(at, CodeCharset, "holds a character outside the HIBCC set: check character cannot be right")
	case got != want:
		text := fmt.Sprintf("check character: got %s want '%c'", quoteChar(got), want)
		if next, _ := mod43(body + string([]byte{got})); next == ' ' {
			text += " (it would be right with a space after it: was a trailing space lost?)"
		}
		p.r.errorAt(at+len(body), CodeCheck, text)
	}
}

// quoteChar shows a check character; one that cannot be a check character is not shown.
func quoteChar(c byte) string {
	if strings.IndexByte(hibcChars, c) < 0 {
		return "a character outside the set"
	}
	return "'" + string([]byte{c}) + "'"
}

func (p parser) hibcPrimary(s string, at int) {
	body := s[:len(s)-1]
	p.hibcCheck(body, s[len(s)-1], at)
	di, rest, combined := strings.Cut(body[1:], "/")
	p.r.Form = FormPrimary
	if combined {
		p.r.Form = FormCombined
	}
	switch {
	case len(di) < hibcMinDI || len(di) > hibcMaxDI, !allIn(di, isUpperAlnum), !isUpper(di[0]), !isDigit(di[len(di)-1]):
		p.r.errorAt(at+1, CodeStructure, "primary structure: labeler of a letter and 3 characters, product of 1 to 18, "+
			"unit of measure of one digit; upper case")
		p.r.keep("primary", di, true)
	default:
		p.r.DI = di
	}
	if combined {
		p.hibcData(rest, at+2+len(di))
	}
}

func (p parser) hibcSecondary(s string, at int) {
	p.r.Form = FormSecondary
	link := s[len(s)-2]
	if link == '_' {
		link = ' '
	}
	p.hibcCheck(s[:len(s)-2]+string([]byte{link}), s[len(s)-1], at)
	p.r.Link = string([]byte{link})
	p.hibcData(s[1:len(s)-2], at+1)
	if p.r.OK() {
		p.r.warnAt(at, CodeNoDI, "secondary symbol: production identifiers, the device identifier is on the primary")
	}
}

// hibcData reads the secondary data structure and the supplemental data after it.
func (p parser) hibcData(s string, at int) {
	parts := split(s, "/", at)
	if parts[0].text != "" && (parts[0].text[0] == '$' || isDigit(parts[0].text[0])) && !isSupplement(parts[0].text) {
		p.hibcSecondaryData(parts[0])
		parts = parts[1:]
	} else {
		p.r.warnAt(at, CodeStructure, "supplemental data without a secondary data structure before it")
	}
	for i, part := range parts {
		p.supplement(part, i == len(parts)-1)
	}
}

// isSupplement tells "14D..." and "16D..." from the old form that begins with five digits.
func isSupplement(s string) bool { return len(s) > 2 && isDigit(s[0]) && isDigit(s[1]) && s[2] == 'D' }

func (p parser) hibcSecondaryData(part segment) {
	s, at := part.text, part.at
	cut := func(flag string) {
		s, at = s[len(flag):], at+len(flag)
	}
	switch {
	case strings.HasPrefix(s, "$$+"):
		cut("$$+")
		p.hibcDated(s, at, "serial")
	case strings.HasPrefix(s, "$$"):
		cut("$$")
		p.hibcDated(s, at, "lot")
	case strings.HasPrefix(s, "$+"):
		p.r.warnAt(at, CodeSuperseded, "$+ is for backward compatibility; $$+7 is written now")
		cut("$+")
		p.hibcValue("serial", s, at)
	case s[0] == '$':
		p.r.warnAt(at, CodeSuperseded, "$ is for backward compatibility; $$7 is written now")
		cut("$")
		p.hibcValue("lot", s, at)
	default:
		p.r.warnAt(at, CodeSuperseded, "five-digit Julian date without $$ is superseded")
		p.hibcDate("5"+s, at-1, "lot")
	}
}

// hibcDated reads [quantity] [date] value.
func (p parser) hibcDated(s string, at int, field string) {
	if s == "" {
		p.r.errorAt(at, CodeStructure, "date, lot or serial expected")
		return
	}
	if s[0] == '8' || s[0] == '9' {
		digits := 2
		if s[0] == '9' {
			digits = 5
		}
		if len(s) <= digits || !allIn(s[1:1+digits], isDigit) {
			p.r.errorAt(at, CodeStructure, fmt.Sprintf("quantity: %d digits expected", digits))
			p.r.keep(field, s, true)
			return
		}
		p.r.keep("quantity", trimZeros(s[1:1+digits]), false)
		s, at = s[1+digits:], at+1+digits
		if s == "" {
			return
		}
	}
	p.hibcDate(s, at, field)
}

func trimZeros(s string) string {
	if t := strings.TrimLeft(s, "0"); t != "" {
		return t
	}
	return "0"
}

// hibcDate reads a date in the format its first character names, and the value after it. In MMYY the first
// character is the month's own first digit.
func (p parser) hibcDate(s string, at int, field string) {
	n := map[byte]int{'0': 4, '1': 4, '2': 7, '3': 7, '4': 9, '5': 6, '6': 8, '7': 1}[s[0]]
	if n == 0 || len(s) < n || !allIn(s[:n], isDigit) {
		p.r.errorAt(at, CodeDate, "date digits: format 0 to 7 and its digits expected before the "+field)
		p.r.keep(field, s, true)
		return
	}
	if n > 1 {
		date, wrong := p.hibcDateOf(s[:n])
		if wrong != "" {
			p.r.errorAt(at, CodeDate, "expiry: "+wrong)
			p.r.keep("expiry", s[:n], true)
		} else {
			p.r.Expiry = date
		}
	}
	p.hibcValue(field, s[n:], at+n)
}

// hibcDateOf reads the date formats of ANSI/HIBC 2.6 appendix F; all characters are digits and the length is right.
func (p parser) hibcDateOf(s string) (Date, string) {
	format, raw := s[0], s[1:]
	if format < '2' {
		format, raw = '1', s
	}
	n, _ := num(raw)
	year := func(yy int) int { return century(yy, p.refYear) }
	switch format {
	case '1': // MMYY
		return ymd(raw, year(n%100), n/100, 0, true)
	case '2': // MMDDYY
		return ymd(raw, year(n%100), n/10000, n/100%100, false)
	case '3': // YYMMDD
		return yymmdd(raw, p.refYear, false)
	case '4': // YYMMDDHH
		d, wrong := yymmdd(raw[:6], p.refYear, false)
		if wrong != "" {
			return d, wrong
		}
		return withHour(d, raw, n%100)
	case '5': // YYJJJ
		return ordinal(raw, year(n/1000), n%1000)
	default: // '6', YYJJJHH
		d, wrong := ordinal(raw, year(n/100000), n/100%1000)
		if wrong != "" {
			return d, wrong
		}
		return withHour(d, raw, n%100)
	}
}

// hibcValue files a lot or serial; an empty one is allowed.
func (p parser) hibcValue(field, value string, at int) {
	good := true
	if len(value) > hibcMaxValue {
		p.r.errorAt(at, CodeTooLong, fmt.Sprintf("%s longer than %d", field, hibcMaxValue))
		good = false
	}
	if !allIn(value, isUpperAlnum) {
		p.r.errorAt(at, CodeCharset, field+" may hold A-Z and 0-9 only")
		good = false
	}
	switch {
	case !good:
		p.r.keep(field, value, true)
	case value == "":
	case field == "serial":
		p.text(&p.r.Serial, field, value, at)
	default:
		p.text(&p.r.Lot, field, value, at)
	}
}

// text sets a field once; a different second value is a repeat.
func (p parser) text(dst *string, field, value string, at int) {
	if *dst != "" && *dst != value {
		p.r.errorAt(at, CodeRepeat, field+" repeated with a different value")
		p.r.keep(field, value, true)
		return
	}
	*dst = value
}

// date sets a date once.
func (p parser) date(dst *Date, field string, d Date, at int) {
	if !dst.IsZero() && dst.Day() != d.Day() {
		p.r.errorAt(at, CodeRepeat, field+" repeated with a different value")
		p.r.keep(field, d.Raw, true)
		return
	}
	if dst.IsZero() {
		*dst = d
	}
}

// supplement reads one piece of supplemental data, ANSI/HIBC 2.6 section 2.3.2.
func (p parser) supplement(part segment, last bool) {
	s, at := part.text, part.at
	switch {
	case strings.HasPrefix(s, "S"):
		if s == "S" {
			p.r.errorAt(at, CodeTooShort, "serial empty")
		}
		p.hibcValue("serial", s[1:], at+1)
	case strings.HasPrefix(s, "14D"), strings.HasPrefix(s, "16D"):
		d, wrong := yyyymmdd(s[3:])
		switch {
		case wrong != "":
			p.r.errorAt(at+3, CodeDate, s[:3]+": "+wrong)
			p.r.keep(s[:3], s[3:], true)
		case s[:3] == "14D":
			p.date(&p.r.Expiry, "expiry", d, at+3)
		default:
			p.date(&p.r.Made, "manufacturing date", d, at+3)
		}
	case strings.HasPrefix(s, "Q"):
		if len(s) < 2 || len(s) > 6 || !allIn(s[1:], isDigit) {
			p.r.errorAt(at, CodeStructure, "quantity: Q and 1 to 5 digits expected")
			p.r.keep("quantity", s[1:], true)
			return
		}
		if !last {
			p.r.errorAt(at, CodeOrder, "Q not last")
		}
		p.r.keep("quantity", s[1:], false)
	default:
		name := ""
		if isSupplement(s) {
			name = " '" + s[:3] + "'"
		}
		p.r.errorAt(at, CodeUnknownField, "unknown supplemental data"+name)
		p.r.keep("", s, true)
	}
}
