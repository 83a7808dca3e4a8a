package udi

import (
	"fmt"
	"strings"
)

// structure is one ISBT 128 data structure: its identifier, the length of its content and what it is to us.
type structure struct {
	id     string
	length int
	field  string
}

// structures we read, ICCBBA ST-017 v1.0.0 and ST-001. Order matters: the first whose identifier fits is taken.
// The donation number (structure 001) is handled apart: the second character of its identifier is data.
var structures = []structure{
	{"=/", 16, "di"},       // 034 processor product identification
	{"=,", 6, "divisions"}, // 032 product divisions
	{"=>", 6, "expiry"},    // 004
	{"=}", 6, "made"},      // 008
	{"&,1", 18, "lot"},     // 035 MPHO lot
	{"=)", 10, "bag"},      // 017 container maker and catalogue number
	{"&)", 10, "baglot"},   // 018 container lot
	{"=+", 5, "compound"},  // 023
}

// bloodStructures are known and no part of a device's identifier: collection and expiry moments, blood product
// code and group, and the like (ICCBBA ST-001). They are kept, not read.
var bloodStructures = []string{"&>", "&*", "=*", "=<", "=%", "&$"}

// Structure 001: facility (FIN), year, sequence; 2 flags follow.
const (
	dinLength = 13
	finLength = 5
)

// Flags of structure 001 that carry the check value of the number: 60 and the value, 0 to 36 (ST-001, "type 3").
const (
	firstCheckFlag = 60
	lastCheckFlag  = firstCheckFlag + 36
)

// isbt reads a run of ISBT 128 data structures. Neither = nor & occurs in their content, so that what follows a
// bad one can still be read.
func (p parser) isbt(s string, at int) {
	p.r.Issuer, p.r.Form = ICCBBA, FormAIDC
	pieces := isbtSplit(s, at)
	for i, piece := range pieces {
		p.isbtPiece(piece, len(pieces)-1-i)
	}
	switch {
	case p.r.DI != "" || !p.r.OK():
	case p.r.DIN+p.r.Lot+p.r.Serial == "" && p.r.Expiry.IsZero() && p.r.Made.IsZero():
		p.r.errorAt(at, CodeNotUDI, "ISBT 128, but no structure of a device identifier")
	default:
		p.r.warnAt(at, CodeNoDI, "no =/ : production identifiers without a device identifier")
	}
}

func isbtSplit(s string, at int) []segment {
	var out []segment
	for s != "" {
		end := strings.IndexAny(s[1:], "=&") + 1
		if end == 0 {
			end = len(s)
		}
		out = append(out, segment{s[:end], at})
		s, at = s[end:], at+end
	}
	return out
}

// isbtPiece reads one structure; after says how many follow.
func (p parser) isbtPiece(piece segment, after int) {
	s, at := piece.text, piece.at
	if len(s) > 1 && s[0] == '=' && isUpperAlnum(s[1]) {
		p.donation(s[1:], at+1)
		return
	}
	for _, def := range structures {
		if !strings.HasPrefix(s, def.id) {
			continue
		}
		content, cat := s[len(def.id):], at+len(def.id)
		in := isUpperAlnum
		if def.field == "baglot" || def.field == "bag" {
			in = isAlnum
		}
		if len(content) != def.length || !allIn(content, in) {
			p.r.errorAt(cat, CodeStructure, fmt.Sprintf("%s charset or length: %d characters of A-Z 0-9 expected",
				def.id, def.length))
			p.r.keep(def.id, content, true)
			return
		}
		p.isbtField(def, content, cat, after)
		return
	}
	for _, id := range bloodStructures {
		if strings.HasPrefix(s, id) {
			p.r.warnAt(at, CodeNotUDI, id+" is no part of a device identifier: kept, not read")
			p.r.keep(id, s[len(id):], false)
			return
		}
	}
	p.r.errorAt(at, CodeUnknownField, "unrecognised data identifier")
	p.r.keep("", s, true)
}

// donation reads structure 001: facility, year, sequence, flags.
func (p parser) donation(content string, at int) {
	if len(content) != dinLength+2 || !allIn(content, isUpperAlnum) {
		p.r.errorAt(at, CodeStructure, "unrecognised data identifier or truncated DIN: 13 characters and 2 flags expected")
		p.r.keep("=", content, true)
		return
	}
	din, flags := content[:dinLength], content[dinLength:]
	p.r.keep("flags", flags, false)
	switch {
	case strings.Contains(din[:finLength], "O"):
		p.noLetterO(at)
		p.r.keep("DIN", din, true)
		return
	case !allIn(din[finLength:], isDigit):
		p.r.errorAt(at+finLength, CodeStructure, "DIN: after the facility 2 digits of the year and 6 of the sequence are expected")
		p.r.keep("DIN", din, true)
		return
	}
	switch n, ok := num(flags); {
	case ok && n >= firstCheckFlag && n <= lastCheckFlag:
		right := dinCheckValue(din) == n-firstCheckFlag
		p.r.checked(right)
		if !right {
			p.r.errorAt(at+dinLength, CodeCheck, "the flags hold another check value than that of the DIN")
			p.r.keep("DIN", din, true)
			return
		}
	case flags != "00":
		p.r.warnAt(at+dinLength, CodeStructure, "flags other than 00 are not expected on a device")
	}
	p.text(&p.r.DIN, "DIN", din, at)
}

// noLetterO: a facility identification number has no letter O (ST-001), so that it is not taken for a zero. Which of the
// two was meant is not guessed.
func (p parser) noLetterO(at int) {
	p.r.errorAt(at, CodeCharset, "letter O in a facility identification number, which has none: letter and zero mixed up?")
}

func (p parser) isbtField(def structure, content string, at, after int) {
	switch def.field {
	case "di":
		if strings.Contains(content[:finLength], "O") {
			p.noLetterO(at)
			p.r.keep(def.id, content, true)
			return
		}
		p.text(&p.r.DI, "device identifier", content, at)
	case "bag":
		p.text(&p.r.DI, "device identifier", content, at)
	case "divisions":
		if content == "000000" {
			p.r.errorAt(at, CodeStructure, "product divisions of zeros only are not allowed")
			p.r.keep(def.id, content, true)
			return
		}
		p.text(&p.r.Serial, "product divisions", content, at)
	case "lot", "baglot":
		p.text(&p.r.Lot, "lot", content, at)
	case "compound":
		if n, ok := num(content[:2]); !ok || n != after {
			p.r.errorAt(at, CodeStructure, "=+ announces another number of data structures than follow")
		}
		p.r.keep(def.id, content, false)
	default:
		d, wrong := isbtDate(content)
		switch {
		case wrong != "":
			p.r.errorAt(at, CodeDate, def.id+" "+wrong)
			p.r.keep(def.id, content, true)
		case def.field == "expiry":
			p.date(&p.r.Expiry, "expiry", d, at)
		default:
			p.date(&p.r.Made, "production date", d, at)
		}
	}
}

// isbtDate reads cyyjjj: century digit 0 for 20xx, 9 for 19xx (the 9 is from memory), year, day of the year.
func isbtDate(content string) (Date, string) {
	n, ok := num(content)
	if !ok {
		return Date{}, "date digits: cyyjjj expected"
	}
	year := n / 1000 % 100
	switch content[0] {
	case '0':
		year += 2000
	case '9':
		year += 1900
	default:
		return Date{}, "century digit is neither 0 nor 9"
	}
	return ordinal(content, year, n%1000)
}
