package mri

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Dimension is what a labelled number measures. Two dimensions never convert into each other: not SAR and
// B1+rms, not the spatial gradient of the static field (T/m) and the slew rate of the switched one (T/m/s).
type Dimension string

// Dimensions, with the SI unit that an [Amount] of each counts.
const (
	Field         Dimension = "T"
	FieldGradient Dimension = "T/m"   // of the static field, over space
	SlewRate      Dimension = "T/m/s" // of the switched gradient
	FieldRate     Dimension = "T/s"   // dB/dt
	SAR           Dimension = "W/kg"
	B1            Dimension = "µT"
	Duration      Dimension = "min"
	Days          Dimension = "d"
	Length        Dimension = "cm"
)

// Amount is a number of millionths of the SI unit of its dimension: exact, so that 720 G/cm is 7.2 T/m.
type Amount int64

const micro = 1_000_000

// String writes the amount as a decimal number without needless zeros.
func (a Amount) String() string { return string(a.append(nil)) }

// MarshalJSON writes the amount as a JSON number in the SI unit.
func (a Amount) MarshalJSON() ([]byte, error) { return a.append(nil), nil }

// UnmarshalJSON reads what MarshalJSON writes.
func (a *Amount) UnmarshalJSON(b []byte) error {
	s := strings.TrimPrefix(string(b), "-")
	n, err := parseDecimal(s, micro, 1)
	if err != nil {
		return err
	}
	if *a = Amount(n); len(s) != len(b) {
		*a = -*a
	}
	return nil
}

func (a Amount) append(b []byte) []byte {
	u := uint64(a)
	if a < 0 {
		b, u = append(b, '-'), -u
	}
	b = strconv.AppendUint(b, u/micro, 10)
	if frac := u % micro; frac != 0 {
		s := strconv.FormatUint(frac+micro, 10)[1:]
		b = append(append(b, '.'), strings.TrimRight(s, "0")...)
	}
	return b
}

// Quantity is one number of a label or scanner, with the text it was printed as.
type Quantity struct {
	Amount  Amount    `json:"value"`
	Unit    Dimension `json:"unit"`
	Printed string    `json:"printed,omitempty"`
}

// Words puts the quantity in its SI unit, so that two of them can be compared by eye, with the printed words in
// brackets where those have another unit: "20 T/m (printed: 2000 G/cm)". It is "" where nothing was printed.
func (q Quantity) Words() string {
	if q.Printed == "" || strings.HasSuffix(q.Printed, " "+string(q.Unit)) {
		return q.Printed
	}
	return q.Amount.String() + " " + string(q.Unit) + " (printed: " + q.Printed + ")"
}

// Errors of ParseQuantity, for errors.Is.
var (
	ErrNoNumber  = errors.New("no number")
	ErrAmbiguous = errors.New("comma or point before three digits: thousands or decimals?")
	ErrUnit      = errors.New("not a unit of this quantity")
	ErrTooFine   = errors.New("more digits than are kept")
	ErrTooLarge  = errors.New("number too large")
)

// maxQuantityText is the longest quantity read; the longest sensible one is under 30 bytes.
const maxQuantityText = 64

// ParseQuantity reads a number with its unit as a label prints it, and converts it once to the SI unit of want.
// A leading "≤" is allowed: every number of a label is a limit. A decimal comma is allowed; "1,500" and "1.500"
// are refused because they may mean either. A unit of another dimension is refused with the trap named.
func ParseQuantity(text string, want Dimension) (Quantity, error) {
	q := Quantity{Unit: want, Printed: strings.TrimSpace(text)}
	fail := func(err error, why string) (Quantity, error) {
		if why != "" {
			return Quantity{}, fmt.Errorf("%.64q: %w: %s", text, err, why)
		}
		return Quantity{}, fmt.Errorf("%.64q: %w", text, err)
	}
	if len(text) > maxQuantityText {
		return fail(ErrTooLarge, "text too long")
	}
	s := strings.TrimSpace(q.Printed)
	s = strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(s, "≤"), "<="))
	i := strings.IndexFunc(s, func(r rune) bool { return (r < '0' || r > '9') && r != '.' && r != ',' })
	if i < 0 {
		return fail(ErrUnit, "no unit printed")
	}
	number, name := s[:i], unitName(s[i:])
	u, ok := units[want][name]
	if !ok {
		return fail(ErrUnit, trap(name, want))
	}
	if mayBeThousands(number) {
		return fail(ErrAmbiguous, "")
	}
	n, err := parseDecimal(number, u.num, u.den)
	if err != nil {
		return fail(err, "")
	}
	q.Amount = Amount(n)
	return q, nil
}

// parseDecimal gives the decimal number s times num/den, exactly, or an error.
func parseDecimal(s string, num, den int64) (int64, error) {
	if s == "" || s[0] < '0' || s[0] > '9' {
		return 0, ErrNoNumber
	}
	whole, frac := s, ""
	if i := strings.IndexAny(s, ".,"); i >= 0 {
		whole, frac = s[:i], s[i+1:]
		if frac == "" || strings.ContainsAny(frac, ".,") {
			return 0, ErrAmbiguous
		}
	}
	digits := whole + frac
	if len(digits) > 15 {
		return 0, ErrTooLarge
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil {
		return 0, ErrNoNumber
	}
	for range frac {
		den *= 10
	}
	for den > 1 && den%10 == 0 && num%10 == 0 {
		den, num = den/10, num/10
	}
	const limit = int64(1e15)
	if n != 0 && num > limit*1000/n {
		return 0, ErrTooLarge
	}
	if (n*num)%den != 0 {
		return 0, ErrTooFine
	}
	if n = n * num / den; n > limit {
		return 0, ErrTooLarge
	}
	return n, nil
}

// mayBeThousands says whether a comma or point of s may separate thousands: three digits follow it, and the
// number before it is not zero. European labels print "3.000" and "1,5", others "3,000" and "1.5".
func mayBeThousands(s string) bool {
	i := strings.IndexAny(s, ".,")
	return i > 0 && len(s)-i == 4 && strings.Trim(s[:i], "0") != ""
}
