package mri

import "strings"

// factor is a factor to millionths of the SI unit of a dimension: num/den.
type factor struct{ num, den int64 }

// units has the spellings that labels use, after unitName. Factors: 1 T = 10,000 G (NIST SP 811, appendix B.8),
// 1 T/m = 100 G/cm, mW/g = W/kg; the rest follows from the SI prefixes. Letters keep their case: mT is not MT,
// and "g" is gram.
var units = map[Dimension]map[string]factor{
	Field: {
		"T": {micro, 1}, "mT": {1000, 1}, "µT": {1, 1}, "G": {100, 1}, "kG": {100_000, 1},
	},
	FieldGradient: {
		"T/m": {micro, 1}, "mT/m": {1000, 1}, "T/cm": {100 * micro, 1}, "mT/cm": {100_000, 1},
		"G/cm": {10_000, 1}, "G/m": {100, 1}, "kG/cm": {10 * micro, 1},
	},
	SlewRate: {
		"T/m/s": {micro, 1}, "mT/m/ms": {micro, 1}, "mT/m/s": {1000, 1}, "G/cm/ms": {10 * micro, 1}, "T/m/ms": {1000 * micro, 1},
	},
	FieldRate: {"T/s": {micro, 1}, "mT/s": {1000, 1}, "mT/ms": {micro, 1}, "G/ms": {100_000, 1}, "kG/s": {100_000, 1}},
	SAR:       {"W/kg": {micro, 1}, "mW/g": {micro, 1}, "mW/kg": {1000, 1}},
	B1:        {"µT": {micro, 1}, "nT": {1000, 1}, "mT": {1000 * micro, 1}, "mG": {100_000, 1}, "G": {100 * micro, 1}},
	Duration:  {"min": {micro, 1}, "h": {60 * micro, 1}, "s": {micro, 60}},
	// A month is taken as 31 days: the longest, since these are waiting times.
	Days:   {"d": {micro, 1}, "wk": {7 * micro, 1}, "mo": {31 * micro, 1}},
	Length: {"cm": {micro, 1}, "mm": {100_000, 1}, "m": {100 * micro, 1}},
}

// unitWords brings words and signs of units to the symbols of units.
var unitWords = map[string]string{
	"tesla": "T", "millitesla": "mT", "microtesla": "µT", "gauss": "G", "Gs": "G", "kilogauss": "kG",
	"metre": "m", "meter": "m", "metres": "m", "meters": "m", "centimetre": "cm", "centimeter": "cm",
	"second": "s", "seconds": "s", "sec": "s", "minute": "min", "minutes": "min", "mins": "min",
	"hour": "h", "hours": "h", "hr": "h", "hrs": "h", "day": "d", "days": "d", "week": "wk", "weeks": "wk",
	"month": "mo", "months": "mo", "watt": "W", "watts": "W", "Kg": "kg", "KG": "kg", "kilogram": "kg",
	"uT": "µT", "per": "/", "rms": "", "RMS": "",
}

// unitName brings a unit as printed to the spelling of units: words to symbols, both micro signs to one, no blanks,
// "T/(m·s)" and "T/m-s" to "T/m/s".
func unitName(s string) string {
	var spaced strings.Builder
	for _, r := range s {
		switch r {
		case '\u03bc':
			spaced.WriteRune('µ')
		case '/', '·', '⋅', '*', '-':
			spaced.WriteString(" / ")
		case '(', ')':
		default:
			spaced.WriteRune(r)
		}
	}
	var b strings.Builder
	for _, w := range strings.Fields(spaced.String()) {
		if to, ok := unitWords[w]; ok {
			w = to
		} else if to, ok := unitWords[strings.ToLower(w)]; ok && len(w) > 2 {
			w = to
		}
		b.WriteString(w)
	}
	return b.String()
}

// quantityNames are what the dimensions are called in complaints.
var quantityNames = map[Dimension]string{
	Field: "a field strength", FieldGradient: "a spatial gradient of the static field",
	SlewRate: "a slew rate of the switched gradient", FieldRate: "a rate of change of the field (dB/dt)",
	SAR: "a specific absorption rate", B1: "a B1+rms", Duration: "a time", Days: "a number of days", Length: "a length",
}

// dimensionOrder is how a unit that fits several dimensions is named.
var dimensionOrder = []Dimension{Field, FieldGradient, SlewRate, FieldRate, SAR, B1, Duration, Days, Length}

// trap explains a unit of the wrong dimension: "3000 gauss" is a field and no gradient, "200 T/m/s" is a slew
// rate and no spatial gradient, SAR and B1+rms do not convert. Common practice, no source.
func trap(name string, want Dimension) string {
	for _, d := range dimensionOrder {
		if _, ok := units[d][name]; !ok {
			continue
		}
		why := "this is " + quantityNames[d] + ", wanted " + quantityNames[want]
		if want == FieldGradient && name == "G" {
			why += "; did the label print gauss per centimetre?"
		}
		return why
	}
	if name == "" {
		return "no unit printed; wanted " + quantityNames[want]
	}
	return "wanted " + quantityNames[want] + " such as " + string(want)
}
