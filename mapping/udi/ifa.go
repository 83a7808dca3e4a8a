package udi

import "strings"

const (
	rs  = '\x1e' // record separator
	eot = '\x04'
)

// ifa reads an ISO/IEC 15434 format 06 envelope whose product number is a PPN (data identifier 9N). The other
// data identifiers (1T batch, D expiry, S serial, 16D manufacture) are from memory.
func (p parser) ifa(s string, at int) {
	const head = "[)>\x1e06\x1d"
	p.r.Form = FormAIDC
	if !strings.HasPrefix(s, head) {
		p.r.errorAt(at, CodeStructure, "envelope: [)> RS 06 GS expected")
		p.r.keep("", s, true)
		return
	}
	body := strings.TrimRight(s[len(head):], string([]rune{rs, eot}))
	for _, field := range split(body, string(rune(gs)), at+len(head)) {
		p.ifaField(field)
	}
	if p.r.DI == "" {
		p.r.errorAt(at, CodeNoDI, "no 9N: format 06 envelope without a PPN")
	}
}

func (p parser) ifaField(f segment) {
	di, value := dataIdentifier(f.text)
	at := f.at + len(di)
	day := func(dst *Date, name string, d Date, wrong string) {
		if wrong != "" {
			p.r.errorAt(at, CodeDate, di+" "+wrong)
			p.r.keep(di, value, true)
			return
		}
		p.date(dst, name, d, at)
	}
	switch di {
	case "9N":
		p.ppn(value, at)
	case "1T", "S":
		if value == "" {
			p.r.errorAt(at, CodeTooShort, di+" empty")
		} else if di == "S" {
			p.text(&p.r.Serial, "serial", value, at)
		} else {
			p.text(&p.r.Lot, "batch", value, at)
		}
	case "D":
		d, wrong := yymmdd(value, p.refYear, true)
		day(&p.r.Expiry, "expiry", d, wrong)
	case "16D":
		d, wrong := yyyymmdd(value)
		day(&p.r.Made, "manufacturing date", d, wrong)
	case "":
		p.r.errorAt(at, CodeUnknownField, "data identifier expected")
		p.r.keep("", value, true)
	default:
		p.r.keep(di, value, false)
	}
}

// ppn checks a pharmacy product number; its two check digits are part of the identifier.
func (p parser) ppn(value string, at int) {
	p.r.Issuer = IFA
	if len(value) < 5 || len(value) > 22 || !allIn(value, isUpperAlnum) {
		p.r.errorAt(at, CodeStructure, "PPN: agency code, item code and two check digits of A-Z 0-9 expected")
		p.r.keep("9N", value, true)
		return
	}
	p.text(&p.r.DI, "device identifier", value, at)
	last := len(value) - 2
	want := mod97(value[:last])
	p.r.checked(value[last:] == want)
	if value[last:] != want {
		p.r.errorAt(at+last, CodeCheck, "PPN check digits wrong, want "+want)
	}
}

// dataIdentifier splits an ASC MH10.8.2 data identifier (up to three digits and a letter) from its value.
func dataIdentifier(s string) (di, value string) {
	i := 0
	for i < len(s) && i < 3 && isDigit(s[i]) {
		i++
	}
	if i < len(s) && isUpper(s[i]) {
		return s[:i+1], s[i+1:]
	}
	return "", s
}
