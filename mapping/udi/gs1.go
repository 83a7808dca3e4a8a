package udi

import (
	"fmt"
	"slices"
	"strings"
)

// element is one application identifier with its value and where the value stood.
type element struct {
	id    string
	value string
	at    int
}

// scan splits an element string as transmitted. A missing separator cannot be seen: the value then runs on, and
// is reported as read.
func (p parser) scan(s string, at int) []element {
	if s != "" && s[0] == gs {
		s, at = s[1:], at+1 // FNC1 in first position, passed on by some scanners
	}
	var out []element
	for s != "" {
		id, def, ok := lookupAI(s)
		if !ok {
			p.r.errorAt(at, CodeUnknownField, "unknown application identifier: nothing after it can be read")
			p.r.keep("", s, true)
			break
		}
		s, at = s[len(id):], at+len(id)
		end := strings.IndexByte(s, gs)
		if end < 0 {
			end = len(s)
		}
		if predefined(id) {
			end = min(end, def.max)
		}
		out = append(out, element{id, s[:end], at})
		s, at = s[end:], at+end
		if s != "" && s[0] == gs {
			s, at = s[1:], at+1
		}
	}
	return out
}

// brackets splits the human-readable form. "\(" is a bracket in a value, as GS1's own tools write it.
func (p parser) brackets(s string, at int) []element {
	var out []element
	for s != "" {
		id, n := bracketAI(s)
		if n == 0 {
			p.r.errorAt(at, CodeStructure, "application identifier in brackets expected")
			p.r.keep("", s, true)
			break
		}
		s, at = s[n:], at+n
		end := valueEnd(s)
		value := s[:end]
		if t := strings.TrimRight(value, " \r\n\t"); t != value {
			if end < len(s) { // a space cannot be part of a value, so nothing is lost
				p.r.warnAt(at+len(t), CodeSpace, "white space between elements")
			}
			value = t
		}
		if plain := unescape(value); plain != value {
			value = plain
		} else if strings.Contains(value, "(") {
			p.r.errorAt(at, CodeBracket, "("+id+") holds an opening bracket: where the value ends is ambiguous")
		}
		out = append(out, element{id, value, at})
		s, at = s[end:], at+end
	}
	return out
}

// bracketAI reads "(NN)" to "(NNNN)" at the start of s; n is its length, 0 when there is none.
func bracketAI(s string) (id string, n int) {
	end := strings.IndexByte(s, ')')
	if end < 3 || end > 5 || s[0] != '(' || !allIn(s[1:end], isDigit) {
		return "", 0
	}
	return s[1:end], end + 1
}

// valueEnd is where the next application identifier in brackets begins.
func valueEnd(s string) int {
	for i := range len(s) {
		if s[i] != '(' || i > 0 && s[i-1] == '\\' {
			continue
		}
		if _, n := bracketAI(s[i:]); n > 0 {
			return i
		}
	}
	return len(s)
}

func unescape(s string) string {
	return strings.NewReplacer(`\(`, "(", `\)`, ")").Replace(s)
}

// gs1 checks elements and puts them into the result.
func (p parser) gs1(elements []element) {
	seen := map[string]string{}
	for _, e := range elements {
		if first, again := seen[e.id]; again {
			if first != e.value {
				p.r.errorAt(e.at, CodeRepeat, "("+e.id+") repeated with a different value")
				p.r.keep(e.id, e.value, true)
			}
			continue
		}
		seen[e.id] = e.value
		p.gs1Element(e)
	}
	if !p.r.Has(CodeNotUDI) {
		p.r.pairing()
	}
}

func (p parser) gs1Element(e element) {
	id, def, ok := lookupAI(e.id)
	if !ok || id != e.id {
		p.r.errorAt(e.at, CodeUnknownField, "("+e.id+") unknown application identifier")
		p.r.keep(e.id, e.value, true)
		return
	}
	good := p.gs1Shape(e, def)
	var date Date
	switch {
	case !good || def.rule == noRule:
	case def.rule == checkDigit:
		last := len(e.value) - 1
		want := mod10(e.value[:last])
		p.r.checked(e.value[last] == want)
		if e.value[last] != want {
			at := e.at + last
			if p.r.Form == FormDigitalLink {
				at = e.at // padding and percent-encoding move the digits
			}
			p.r.errorAt(at, CodeCheck, fmt.Sprintf("(%s) check digit: got %c want %c", e.id, e.value[last], want))
		}
	default:
		var wrong string
		date, wrong = yymmdd(e.value[:6], p.refYear, def.rule == dateDay0)
		if wrong != "" {
			p.r.errorAt(e.at, CodeDate, "("+e.id+") "+wrong)
			good = false
		}
	}
	p.r.put(e, date, good)
}

// gs1Shape checks length and characters.
func (p parser) gs1Shape(e element, def ai) bool {
	good := true
	wrong := func(code, text string) {
		p.r.errorAt(e.at, code, "("+e.id+") "+text)
		good = false
	}
	switch n := len(e.value); {
	case n < def.min:
		wrong(CodeTooShort, fmt.Sprintf("too short: %d characters, at least %d", n, def.min))
	case n > def.max:
		wrong(CodeTooLong, fmt.Sprintf("too long: %d characters, at most %d", n, def.max))
	}
	if def.numeric && !allIn(e.value, isDigit) {
		wrong(CodeCharset, "holds something that is not a digit")
	} else if !allIn(e.value, isCSET82) {
		wrong(CodeCharset, "holds a character outside GS1 character set 82")
	}
	if strings.Contains(e.value, "<GS>") || strings.Contains(e.value, "<FNC1>") {
		wrong(CodeStructure, "holds the letters of a separator in place of the separator")
	}
	return good
}

// put files a GS1 element under its name. The identifier of a device is kept even when its check digit is wrong.
func (r *Result) put(e element, date Date, good bool) {
	if !good {
		r.keep(e.id, e.value, true)
		return
	}
	switch e.id {
	case "01":
		r.DI = e.value
	case "10":
		r.Lot = e.value
	case "11":
		r.Made = date
	case "17":
		r.Expiry = date
	case "21":
		r.Serial = e.value
	case "8012":
		r.Software = e.value
	default:
		r.keep(e.id, e.value, false)
	}
}

// excludes are pairs of application identifiers that may not stand on one item, and requires those that need
// another (GS1 Barcode Syntax Dictionary, the part that concerns an item with a GTIN).
var (
	excludes = [][2]string{
		{"01", "02"}, {"01", "03"}, {"02", "03"}, {"01", "37"}, {"01", "255"}, {"02", "255"},
		{"01", "8006"}, {"02", "8026"}, {"21", "235"},
	}
	requires = [][2]string{{"02", "37"}, {"250", "21"}}
)

// pairing applies the rules that hold over all data of one item, on one symbol or two.
func (r *Result) pairing() {
	has := r.gs1IDs()
	if !slices.Contains(has, "01") {
		r.errorAt(0, CodeNoDI, "no (01): production identifiers without a device identifier")
	}
	for _, pair := range excludes {
		if slices.Contains(has, pair[0]) && slices.Contains(has, pair[1]) {
			r.errorAt(0, CodePairing, "("+pair[0]+") and ("+pair[1]+") exclude each other")
		}
	}
	for _, pair := range requires {
		if slices.Contains(has, pair[0]) && !slices.Contains(has, pair[1]) {
			r.errorAt(0, CodePairing, "("+pair[0]+") needs ("+pair[1]+")")
		}
	}
}

// gs1IDs lists the application identifiers that r holds, good or bad.
func (r *Result) gs1IDs() []string {
	var ids []string
	for _, f := range []struct {
		id  string
		has bool
	}{
		{"01", r.DI != ""}, {"10", r.Lot != ""}, {"11", !r.Made.IsZero()}, {"17", !r.Expiry.IsZero()},
		{"21", r.Serial != ""}, {"8012", r.Software != ""},
	} {
		if f.has {
			ids = append(ids, f.id)
		}
	}
	for _, e := range r.Other {
		ids = append(ids, e.ID)
	}
	return ids
}
