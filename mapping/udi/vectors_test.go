package udi

import (
	"encoding/csv"
	"os"
	"sort"
	"strings"
	"testing"
)

// refYear is the year the vectors were made in; their century cases are stated for it.
const refYear = 2026

type vector struct{ id, verdict, raw, decoded, reason, source string }

// vectors reads ../../testdata/udi/vectors.csv: published and derived strings, each with its source in the file.
func vectors(t testing.TB) []vector {
	t.Helper()
	f, err := os.Open("../../testdata/udi/vectors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []vector
	for _, r := range rows[1:] {
		out = append(out, vector{r[0], r[1], strings.ReplaceAll(r[2], "<GS>", "\x1d"), r[3], r[4], r[5]})
	}
	if len(out) < 100 {
		t.Fatalf("only %d vectors", len(out))
	}
	return out
}

// decoded writes r as the vectors do: sorted name=value pairs.
func decoded(r Result) string {
	var out []string
	add := func(name, value string) {
		if value != "" {
			out = append(out, name+"="+value)
		}
	}
	add("di", r.DI)
	add("lot", r.Lot)
	add("serial", r.Serial)
	add("din", r.DIN)
	add("link", r.Link)
	add("exp", r.Expiry.Value)
	add("mfg", r.Made.Value)
	for _, e := range r.Other {
		switch name := e.ID; {
		case e.Bad || name == "=+":
		case name == "quantity":
			add("qty", e.Value)
		case name == "flags":
			add(name, e.Value)
		default:
			add("ai"+name, e.Value)
		}
	}
	sort.Strings(out)
	return strings.Join(out, " ")
}

func TestValidVectors(t *testing.T) {
	for _, v := range vectors(t) {
		if v.verdict != "valid" {
			continue
		}
		r := Parse(v.raw, refYear)
		if !r.OK() {
			t.Errorf("%s %q: problems %+v; source %s", v.id, v.raw, r.Problems, v.source)
		}
		if got := decoded(r); got != v.decoded {
			t.Errorf("%s %q\n got  %s\n want %s\n source %s", v.id, v.raw, got, v.decoded, v.source)
		}
		if r.Check == CheckFailed {
			t.Errorf("%s: check failed", v.id)
		}
	}
}

// reasons maps the vectors' own words to our codes.
var reasons = []struct{ words, code string }{
	{"check digit:", CodeCheck}, {"check character:", CodeCheck}, {"too short", CodeTooShort}, {"too long", CodeTooLong},
	{"longer than", CodeTooLong}, {"8-digit date", CodeDate}, {"month", CodeDate}, {"julian day", CodeDate},
	{"day", CodeDate}, {"hour", CodeDate}, {"date digits", CodeDate}, {"charset", CodeStructure},
	{"no issuing agency", CodeNoIssuer}, {"no + flag", CodeNoIssuer}, {"Provider Applications", CodeNotUDI},
	{"repeated", CodeRepeat}, {"no (01)", CodeNoDI}, {"primary structure", CodeStructure}, {"Q not last", CodeOrder},
	{"unknown supplemental", CodeUnknownField}, {"=,000000", CodeStructure}, {"serial", CodeCharset},
	{"truncated DIN at '=A", CodeStructure}, {"unrecognised data identifier", CodeUnknownField},
}

func TestInvalidVectors(t *testing.T) {
	for _, v := range vectors(t) {
		if v.verdict != "invalid" {
			continue
		}
		r := Parse(v.raw, refYear)
		if r.OK() {
			t.Errorf("%s %q: no problem found, want %q; source %s", v.id, v.raw, v.reason, v.source)
			continue
		}
		code := ""
		for _, m := range reasons {
			if strings.Contains(v.reason, m.words) {
				code = m.code
				break
			}
		}
		found := false
		for _, p := range r.Problems {
			_, want, exact := strings.Cut(v.reason, "check ")
			found = found || p.Code == code && (!exact || strings.Contains(p.Text, want))
			if p.At < 0 || p.At > len(v.raw) {
				t.Errorf("%s: offset %d outside the string", v.id, p.At)
			}
		}
		if !found {
			t.Errorf("%s %q: problems %+v, want %s (%s)", v.id, v.raw, r.Problems, code, v.reason)
		}
	}
}

// A string with something wrong still gives what is right in it.
func TestBadStringsKeepWhatIsRight(t *testing.T) {
	want := map[string]string{
		"X01": "di=00208851107345 exp=2015-03-31",
		"X02": "di=H123PARTNO1234567890120 exp=2020-02-02T16Z lot=LOT123456789012345 mfg=2013-02-02 serial=XYZ456789012345678",
		"X03": "di=B066000325011NS1 exp=2020-02-02T16Z lot=LOT123456789012345 serial=XYZ456789012345678",
		"X05": "din=A999713123456 exp=2014-02-01 flags=00 lot=000000000000XYZ123 mfg=2013-02-01 serial=000025",
		"X09": "di=10857674002017 exp=2014-11-20", "X24": "di=51022222233336", "X29": "di=51022222233336",
		"X32": "di=51022222233336 lot=A", "X33": "exp=2015-07-07 lot=ABC123",
		"X41": "di=A99912345 lot=10X3", "X45": "di=A99912345 lot=LOT", "X50": "di=A9999XYZ100T0944 din=A999713123456 flags=00 serial=000025",
	}
	for _, v := range vectors(t) {
		w, ok := want[v.id]
		if !ok {
			continue
		}
		got := decoded(Parse(v.raw, refYear))
		if got != w {
			t.Errorf("%s %q\n got  %s\n want %s", v.id, v.raw, got, w)
		}
		delete(want, v.id)
	}
	if len(want) != 0 {
		t.Errorf("vectors not found: %v", want)
	}
}
