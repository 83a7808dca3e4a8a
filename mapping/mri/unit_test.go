package mri

import (
	"encoding/json"
	"errors"
	"math/big"
	"strings"
	"testing"
)

// TestUnits: conversions recomputed by hand from the SI prefixes and 1 T = 10,000 G (NIST SP 811), and spellings in use.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		text string
		dim  Dimension
		want string
	}{
		{"1.5 T", Field, "1.5"}, {"15000 G", Field, "1.5"}, {"15 kG", Field, "1.5"}, {"1500 mT", Field, "1.5"}, {"1,5 Tesla", Field, "1.5"}, {"≤3T", Field, "3"},
		{"720 G/cm", FieldGradient, "7.2"}, {"720 gauss/cm", FieldGradient, "7.2"}, {"720 Gauss per centimetre", FieldGradient, "7.2"},
		{"1500 G/cm", FieldGradient, "15"}, {"1900 G/cm", FieldGradient, "19"}, {"3000 G/cm", FieldGradient, "30"}, {"4000 gauss/cm", FieldGradient, "40"},
		{"10 mT/m", FieldGradient, "0.01"}, {"1 G/cm", FieldGradient, "0.01"}, {"20 T/m", FieldGradient, "20"}, {"20 tesla/meter", FieldGradient, "20"}, {"0.5 kG/cm", FieldGradient, "5"},
		{"200 T/m/s", SlewRate, "200"}, {"200 T/(m·s)", SlewRate, "200"}, {"200 mT/m/ms", SlewRate, "200"}, {"20 G/cm/ms", SlewRate, "200"}, {"200 T/m-s", SlewRate, "200"},
		{"100 T/s", FieldRate, "100"}, {"1 mT/ms", FieldRate, "1"},
		{"2 W/kg", SAR, "2"}, {"3.2 mW/g", SAR, "3.2"}, {"0,4 W/Kg", SAR, "0.4"}, {"400 mW/kg", SAR, "0.4"},
		{"2.8 µT", B1, "2.8"}, {"2.8 \u03bcT", B1, "2.8"}, {"2.8 uT", B1, "2.8"}, {"2800 nT", B1, "2.8"}, {"0.028 G", B1, "2.8"}, {"2.8 µT rms", B1, "2.8"},
		{"30 min", Duration, "30"}, {"0.5 h", Duration, "30"}, {"90 s", Duration, "1.5"}, {"15 minutes", Duration, "15"},
		{"6 weeks", Days, "42"}, {"14 days", Days, "14"}, {"2 months", Days, "62"}, {"0 days", Days, "0"},
		{"45 cm", Length, "45"}, {"450 mm", Length, "45"}, {"0.45 m", Length, "45"},
	} {
		q, err := ParseQuantity(c.text, c.dim)
		if err != nil || q.Amount.String() != c.want || q.Printed != c.text || q.Unit != c.dim {
			t.Errorf("%q is %s %s (%v), wanted %s", c.text, q.Amount, q.Unit, err, c.want)
		}
	}
}

// TestUnitTraps: what a hasty reader takes for something else. Common practice, no source.
func TestUnitTraps(t *testing.T) {
	for _, c := range []struct {
		text string
		dim  Dimension
		err  error
		says string
	}{
		{"3000 gauss", FieldGradient, ErrUnit, "gauss per centimetre"}, {"3000 G", FieldGradient, ErrUnit, "a field strength"},
		{"200 T/m/s", FieldGradient, ErrUnit, "slew rate"}, {"20 T/m", SlewRate, ErrUnit, "spatial gradient"},
		{"200 T/m/s", FieldRate, ErrUnit, "slew rate"}, {"720 G/cm", Field, ErrUnit, "spatial gradient"},
		{"2 W/kg", B1, ErrUnit, "absorption"}, {"2.8 µT", SAR, ErrUnit, ""}, {"1.5 mt", Field, ErrUnit, ""}, {"3 t", Field, ErrUnit, ""},
		{"3000 g/cm", FieldGradient, ErrUnit, ""}, {"1.5", Field, ErrUnit, "no unit"}, {"T", Field, ErrNoNumber, ""}, {"", Field, ErrUnit, ""},
		{"1,500 G/cm", FieldGradient, ErrAmbiguous, ""}, {"1.500 G/cm", FieldGradient, ErrAmbiguous, ""}, {"1,500.5 G/cm", FieldGradient, ErrAmbiguous, ""},
		{"1.5. T", Field, ErrAmbiguous, ""}, {"-1 T", Field, ErrUnit, ""}, {">2 W/kg", SAR, ErrUnit, ""}, {"1 500 G/cm", FieldGradient, ErrUnit, ""},
		{"0.0000001 T", Field, ErrTooFine, ""}, {"99999999999999999 T", Field, ErrTooLarge, ""}, {"9999999999999 T/cm", FieldGradient, ErrTooLarge, ""},
		{strings.Repeat("1", 80) + " T", Field, ErrTooLarge, ""},
	} {
		q, err := ParseQuantity(c.text, c.dim)
		if !errors.Is(err, c.err) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q as %s: %v %v, wanted %v with %q", c.text, c.dim, q, err, c.err, c.says)
		}
	}
	if q, err := ParseQuantity("0.720 T/m", FieldGradient); err != nil || q.Amount.String() != "0.72" {
		t.Errorf("three digits after a zero are decimals: %v %v", q, err)
	}
}

func TestAmountJSON(t *testing.T) {
	for _, s := range []string{"0", "7.2", "-0.5", "0.000001", "123456.25"} {
		var a Amount
		if err := json.Unmarshal([]byte(s), &a); err != nil {
			t.Fatal(err)
		}
		if b, _ := json.Marshal(a); string(b) != s {
			t.Errorf("%s came back as %s", s, b)
		}
	}
	var a Amount
	if err := json.Unmarshal([]byte(`"x"`), &a); err == nil {
		t.Error("a text was read as an amount")
	}
}

// FuzzParseQuantity: no panic; what is read is exact against math/big, keeps its text, and reads back.
func FuzzParseQuantity(f *testing.F) {
	for _, s := range []string{"720 G/cm", "1,5 T", "≤ 2 W/kg", "3000 gauss", "200 T/m/s", "2.8 \u03bcT", "0.5 h", "6 weeks", "1,500 G/cm", "1e5 T", "９ T"} {
		for i := range dimensionOrder {
			f.Add(s, i)
		}
	}
	f.Fuzz(func(t *testing.T, s string, i int) {
		if i < 0 || i >= len(dimensionOrder) {
			return
		}
		d := dimensionOrder[i]
		q, err := ParseQuantity(s, d)
		if err != nil {
			return
		}
		if q.Printed != strings.TrimSpace(s) || q.Unit != d || q.Amount < 0 {
			t.Fatalf("%q became %+v", s, q)
		}
		again, err := ParseQuantity(q.Amount.String()+" "+string(d), d)
		if errors.Is(err, ErrAmbiguous) {
			return // "1.234 T" is exact, but a label that prints it is asked about
		}
		if d == Days {
			again, err = ParseQuantity(q.Amount.String()+" d", d)
		}
		if err != nil || again.Amount != q.Amount {
			t.Fatalf("%q is %s, which reads back as %s (%v)", s, q.Amount, again.Amount, err)
		}
		checkExact(t, q)
	})
}

// checkExact computes the number anew with math/big from its digits and the factor of its unit.
func checkExact(t *testing.T, q Quantity) {
	s := strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(q.Printed, "≤"), "<="))
	n := strings.IndexFunc(s, func(r rune) bool { return (r < '0' || r > '9') && r != '.' && r != ',' })
	r, ok := new(big.Rat).SetString(strings.Replace(s[:n], ",", ".", 1))
	if !ok {
		t.Fatalf("%q: digits", s)
	}
	u := units[q.Unit][unitName(s[n:])]
	r.Mul(r, big.NewRat(u.num, u.den))
	if r.Cmp(new(big.Rat).SetInt64(int64(q.Amount))) != 0 {
		t.Fatalf("%q is %s millionths, not %d", q.Printed, r, q.Amount)
	}
}
