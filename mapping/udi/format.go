package udi

import (
	"slices"
	"strings"
)

// HRF writes r in its agency's form for people: GS1 with brackets, HIBCC as one combined symbol with a fresh
// check character, ISBT 128 structures one after another. Bad elements are left out; IFA and the empty issuer
// give "". Parse of the text gives the same fields back, with a check that is right when the device
// identifier's own is.
func (r Result) HRF() string {
	switch r.Issuer {
	case GS1:
		var b strings.Builder
		esc := strings.NewReplacer("(", `\(`, ")", `\)`)
		for _, e := range r.gs1Elements() {
			b.WriteString("(" + e.id + ")" + esc.Replace(e.value))
		}
		return b.String()
	case HIBCC:
		return r.hibcText()
	case ICCBBA:
		return r.isbtText()
	}
	return ""
}

// AIDC writes a GS1 result as a DataMatrix scanner transmits it, with AIM identifier and separators; for ICCBBA
// and HIBCC scanned and printed text are the same. It gives "" where HRF does.
func (r Result) AIDC() string {
	if r.Issuer != GS1 {
		return r.HRF()
	}
	var b strings.Builder
	b.WriteString("]d2")
	elements := r.gs1Elements()
	for i, e := range elements {
		b.WriteString(e.id + e.value)
		if !predefined(e.id) && i < len(elements)-1 {
			b.WriteByte(gs)
		}
	}
	return b.String()
}

// gs1Elements lists the good elements: fixed lengths first, lot, serial and the rest after.
func (r Result) gs1Elements() []element {
	var out []element
	add := func(id, value string) {
		if value != "" {
			out = append(out, element{id: id, value: value})
		}
	}
	add("01", r.DI)
	add("11", sixDigits(r.Made))
	add("17", sixDigits(r.Expiry))
	add("10", r.Lot)
	add("21", r.Serial)
	add("8012", r.Software)
	for _, e := range r.Other {
		if !e.Bad && e.ID != "" {
			add(e.ID, e.Value)
		}
	}
	return out
}

// sixDigits writes YYMMDD, with day 00 for a month.
func sixDigits(d Date) string {
	if d.IsZero() {
		return ""
	}
	day := "00"
	if len(d.Value) >= 10 {
		day = d.Value[8:10]
	}
	return d.Value[2:4] + d.Value[5:7] + day
}

// hibcText writes one combined symbol, or a secondary with its link when there is no device identifier.
func (r Result) hibcText() string {
	field, value, rest := "$$", r.Lot, ""
	switch {
	case r.Lot == "" && r.Serial != "":
		field, value = "$$+", r.Serial
	case r.Serial != "":
		rest = "/S" + r.Serial
	}
	sec := field + "7" + value + rest
	if len(r.Expiry.Raw) == len("YYYYMMDD") && r.Expiry.Precision == PrecisionDay { // a century that two digits may not give back
		sec += "/14D" + r.Expiry.Raw
	} else {
		sec = field + hibcDateText(r.Expiry) + value + rest
	}
	if !r.Made.IsZero() {
		sec += "/16D" + strings.ReplaceAll(r.Made.Day(), "-", "")
	}
	quantity := ""
	for _, e := range r.Other {
		if e.ID == "quantity" && !e.Bad {
			quantity = "/Q" + e.Value
		}
	}
	sec += quantity
	s := "+" + r.DI
	switch {
	case r.DI == "":
		s += sec + r.Link
	case sec != "$$7": // something to say beside the device identifier
		s += "/" + sec
	}
	c, ok := mod43(s)
	if !ok {
		return ""
	}
	return s + string([]byte{c})
}

// hibcDateText writes the date format that keeps the precision.
func hibcDateText(d Date) string {
	switch d.Precision {
	case PrecisionMonth:
		return d.Value[5:7] + d.Value[2:4]
	case PrecisionDay:
		return "3" + sixDigits(d)
	case PrecisionHour:
		return "4" + sixDigits(d) + d.Value[11:13]
	}
	return "7"
}

func (r Result) isbtText() string {
	var b strings.Builder
	add := func(id, value string) {
		if value != "" {
			b.WriteString(id + value)
		}
	}
	switch len(r.DI) {
	case 10:
		add("=)", r.DI)
		add("&)", r.Lot)
	default:
		add("=/", r.DI)
	}
	add("=,", r.Serial)
	if r.DIN != "" {
		flags := "00"
		for _, e := range r.Other {
			if e.ID == "flags" && !e.Bad {
				flags = e.Value
			}
		}
		add("=", r.DIN+flags)
	}
	add("=>", isbtDateText(r.Expiry))
	add("=}", isbtDateText(r.Made))
	if len(r.DI) != 10 {
		add("&,1", r.Lot)
	}
	for _, e := range r.Other {
		if slices.Contains(bloodStructures, e.ID) {
			add(e.ID, e.Value)
		}
	}
	return b.String()
}

// isbtDateText gives the digits as carried: ISBT 128 dates all have one format.
func isbtDateText(d Date) string { return d.Raw }
