package udi

import (
	"slices"
	"strings"
	"testing"
)

// signed adds the right HIBCC check character to s.
func signed(t *testing.T, s string) string { return s + string([]byte{mustMod43(t, s)}) }

// Lengths at their limits, ANSI/HIBC 2.6 and the GS1 Barcode Syntax Dictionary.
func TestLimitsOfFields(t *testing.T) {
	const letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZABCDEFGH"
	const gtin = "(01)51022222233336"
	for _, c := range []struct {
		name, raw string
		ok        bool
	}{
		{"lot of 18", signed(t, "+A99912345/$$7"+letters[:18]), true},
		{"lot of 19", signed(t, "+A99912345/$$7"+letters[:19]), false},
		{"serial of 18", signed(t, "+A99912345/$$7L/S"+letters[:18]), true},
		{"serial of 19", signed(t, "+A99912345/$$7L/S"+letters[:19]), false},
		{"identifier of 23", signed(t, "+A999"+letters[:18]+"1"), true},
		{"identifier of 24", signed(t, "+A999"+letters[:19]+"1"), false},
		{"identifier of 6", signed(t, "+A99911"), true},
		{"identifier of 5", signed(t, "+A9991"), false},
		{"quantity of 5 digits", signed(t, "+A99912345/$$7L/Q12345"), true},
		{"quantity of 6 digits", signed(t, "+A99912345/$$7L/Q123456"), false},
		{"hour 23", signed(t, "+A99912345/$$420020223L"), true},
		{"GS1 lot of 20", gtin + "(10)" + letters[:20], true},
		{"GS1 serial of 21", gtin + "(21)" + letters[:21], false},
		{"third-party serial of 28", gtin + "(235)" + letters[:28], true},
		{"third-party serial of 29", gtin + "(235)" + letters[:29], false},
		{"catalogue number of 30", gtin + "(240)" + letters[:30], true},
		{"catalogue number of 31", gtin + "(240)" + letters[:31], false},
		{"count of 8 digits", gtin + "(30)12345678", true},
		{"count of 9 digits", gtin + "(30)123456789", false},
		{"a whole string at the limit", "(01)51022222233336" + strings.Repeat(" ", MaxLength-18), true},
	} {
		if r := Parse(c.raw, refYear); r.OK() != c.ok {
			t.Errorf("%s %q: OK %v, want %v: %+v", c.name, c.raw, r.OK(), c.ok, r.Problems)
		}
	}
}

func TestSpacesThatAreData(t *testing.T) {
	// A link character may be a space too; typed, it is an underscore.
	scanned := signed(t, "+$$710X3 ")
	typed := strings.Replace(scanned, " ", "_", 1)
	for _, raw := range []string{scanned, typed} {
		if r := Parse(raw, refYear); !r.OK() || r.Link != " " || r.Lot != "10X3" {
			t.Errorf("%q: %+v", raw, r)
		}
	}
	// In a Digital Link query a plus is a space, and a space is no part of a value.
	if r := Parse("https://id.gs1.org/01/09521234543213?240=A+B", refYear); !r.Has(CodeCharset) {
		t.Errorf("%+v", r)
	}
	if r := Parse("https://id.gs1.org/01/09521234543213?240=A%2BB", refYear); !r.OK() || r.Other[0].Value != "A+B" {
		t.Errorf("%+v", r)
	}
}

// ICCBBA ST-001: century digit 0 is 20xx; 9 is 19xx (from memory).
func TestISBTCentury(t *testing.T) {
	for raw, want := range map[string]string{"=/A9999XYZ100T0476=>019032": "2019-02-01", "=/A9999XYZ100T0476=>999032": "1999-02-01"} {
		if r := Parse(raw, refYear); r.Expiry.Value != want {
			t.Errorf("%q: %q, want %q", raw, r.Expiry.Value, want)
		}
	}
}

// ICCBBA ST-001, in a secondary copy: no letter O in a facility number, digits after it, flags 00 on a
// device, or 60 and the check value. The number and its check value 10 (A), so flags 70, are its worked example.
func TestISBTNumbers(t *testing.T) {
	const di = "=/A9999XYZ100T0476"
	for _, c := range []struct {
		name, raw, code, di, din, check string
		ok                              bool
	}{
		{"flags with the check value", di + "=G12341765432170", "", "A9999XYZ100T0476", "G123417654321", CheckOK, true},
		{"flags with another check value", di + "=G12341765432171", CodeCheck, "A9999XYZ100T0476", "", CheckFailed, false},
		{"a digit of the number misread", di + "=G12341765432270", CodeCheck, "A9999XYZ100T0476", "", CheckFailed, false},
		{"flags of no device", di + "=G12341765432104", CodeStructure, "A9999XYZ100T0476", "G123417654321", CheckNone, true},
		{"flags above the check values", di + "=G12341765432197", CodeStructure, "A9999XYZ100T0476", "G123417654321", CheckNone, true},
		{"letter in the sequence", di + "=G1234176543O100", CodeStructure, "A9999XYZ100T0476", "", CheckNone, false},
		{"letter in the year", di + "=G1234I765432100", CodeStructure, "A9999XYZ100T0476", "", CheckNone, false},
		{"letter O in the facility", di + "=GO23417654321" + "00", CodeCharset, "A9999XYZ100T0476", "", CheckNone, false},
		{"letter O in the device's facility", "=/A99O9XYZ100T0476=G12341765432100", CodeCharset, "", "G123417654321", CheckNone, false},
		{"letter O in a product code", "=/A9999XYO100T0476", "", "A9999XYO100T0476", "", CheckNone, true},
	} {
		r := Parse(c.raw, refYear)
		if r.OK() != c.ok || r.DI != c.di || r.DIN != c.din || r.Check != c.check || c.code != "" && !r.Has(c.code) {
			t.Errorf("%s: %+v", c.name, r)
		}
		if !c.ok && (r.Verified() || !slices.ContainsFunc(r.Other, func(e Element) bool { return e.Bad })) {
			t.Errorf("%s: verified, or what was read is not kept: %+v", c.name, r)
		}
	}
}

func TestVerifiedNeedsADevice(t *testing.T) {
	for _, raw := range []string{"+$$52001510X3GD", "=A99971712345600", ""} {
		if r := Parse(raw, refYear); r.Verified() {
			t.Errorf("%q without a device identifier is verified", raw)
		}
	}
	for _, raw := range []string{"+A99912345/$$52001510X33", "=/A9999XYZ100T0476", "51022222233336"} {
		if r := Parse(raw, refYear); !r.Verified() {
			t.Errorf("%q: %+v", raw, r.Problems)
		}
	}
}
