package udi

import (
	"fmt"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	_ "gaussline/testdata/seed"
)

// same compares what the carrier says, not how it was written.
func same(a, b Result) bool {
	type said struct {
		Issuer                         Issuer
		DI, Lot, Serial, DIN, Software string
		Expiry, Made                   string
	}
	of := func(r Result) said {
		return said{r.Issuer, r.DI, r.Lot, r.Serial, r.DIN, r.Software, r.Expiry.Value, r.Made.Value}
	}
	return reflect.DeepEqual(of(a), of(b))
}

func cset(chars string, most int) *rapid.Generator[string] {
	return rapid.StringOfN(rapid.RuneFrom([]rune(chars)), 1, most, most)
}

const (
	upper = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	x82   = upper + "abcdefghijklmnopqrstuvwxyz!\"%&'()*+,-./:;<=>?_"
)

func anyDate(t *rapid.T, name string, month bool) Date {
	s := fmt.Sprintf("%02d%02d%02d", rapid.IntRange(0, 99).Draw(t, name+" year"),
		rapid.IntRange(1, 12).Draw(t, name+" month"), rapid.IntRange(0, 28).Draw(t, name+" day"))
	if !month && s[4:] == "00" {
		s = s[:4] + "01"
	}
	d, wrong := yymmdd(s, refYear, true)
	if wrong != "" {
		t.Fatal(wrong)
	}
	return d
}

func TestRoundTripGS1(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.StringMatching(`[0-9]{13}`).Draw(t, "gtin")
		r := Result{Issuer: GS1, DI: body + string([]byte{mod10(body)}), Check: CheckOK}
		if rapid.Bool().Draw(t, "lot?") {
			r.Lot = cset(x82, 20).Draw(t, "lot")
		}
		if rapid.Bool().Draw(t, "serial?") {
			r.Serial = cset(x82, 20).Draw(t, "serial")
		}
		if rapid.Bool().Draw(t, "expiry?") {
			r.Expiry = anyDate(t, "expiry", true)
		}
		if rapid.Bool().Draw(t, "made?") {
			r.Made = anyDate(t, "made", true)
		}
		for _, text := range []string{r.HRF(), r.AIDC()} {
			back := Parse(text, refYear)
			if !back.Verified() || !same(r, back) {
				t.Fatalf("%q\n gave %+v\n from %+v", text, back, r)
			}
			if again := back.HRF(); again != r.HRF() {
				t.Fatalf("%q then %q", r.HRF(), again)
			}
		}
	})
}

func TestRoundTripHIBCC(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Result{Issuer: HIBCC, DI: rapid.StringMatching(`[A-Z][0-9A-Z]{3}[0-9A-Z]{1,18}[0-9]`).Draw(t, "di")}
		if rapid.Bool().Draw(t, "lot?") {
			r.Lot = cset(upper, 18).Draw(t, "lot")
		}
		if rapid.Bool().Draw(t, "serial?") {
			r.Serial = cset(upper, 18).Draw(t, "serial")
		}
		if rapid.Bool().Draw(t, "expiry?") {
			r.Expiry = anyDate(t, "expiry", true)
		}
		if rapid.Bool().Draw(t, "made?") {
			r.Made = anyDate(t, "made", false)
		}
		back := Parse(r.HRF(), refYear)
		if !back.Verified() || !same(r, back) {
			t.Fatalf("%q\n gave %+v\n from %+v", r.HRF(), back, r)
		}
	})
}

// Every valid vector written again says the same.
func TestRoundTripVectors(t *testing.T) {
	for _, v := range vectors(t) {
		if v.verdict != "valid" {
			continue
		}
		r := Parse(v.raw, refYear)
		if back := Parse(r.HRF(), refYear); !back.OK() || !same(r, back) {
			t.Errorf("%s %q -> %q\n %+v\n %+v", v.id, v.raw, r.HRF(), r, back)
		}
		if back := Parse(r.AIDC(), refYear); !same(r, back) {
			t.Errorf("%s %q -> %q", v.id, v.raw, r.AIDC())
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, v := range vectors(f) {
		f.Add(v.raw)
	}
	f.Add("[)>\x1e06\x1d9N111234567842\x1d1TLOT1\x1dD290600\x1e\x04")
	f.Fuzz(func(t *testing.T, raw string) {
		r := Parse(raw, refYear)
		for _, p := range r.Problems {
			if p.At < 0 || p.At > len(raw) || p.Code == "" || p.Text == "" {
				t.Fatalf("%q: problem %+v", raw, p)
			}
		}
		if r.Issuer == "" && r.OK() {
			t.Fatalf("%q: nothing recognised and nothing wrong", raw)
		}
		if !reflect.DeepEqual(r, Parse(raw, refYear)) {
			t.Fatalf("%q: two readings differ", raw)
		}
		if r.Verified() && r.Issuer != IFA {
			if back := Parse(r.HRF(), refYear); !same(r, back) {
				t.Fatalf("%q -> %q\n %+v\n %+v", raw, r.HRF(), r, back)
			}
		}
		Join(r, r)
	})
}
