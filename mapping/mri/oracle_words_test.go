package mri_test

// Units and landmarks of the independent evaluator.

import (
	"math/big"
	"slices"
	"strings"
)

// rat reads "720 G/cm" and gives it in the unit wanted, exactly.
func rat(text, wanted string) *big.Rat {
	k := [2]string{text, wanted}
	if ratMemo[k] == nil {
		ratMemo[k] = readRat(text, wanted)
	}
	return ratMemo[k]
}

var ratMemo = map[[2]string]*big.Rat{}

func readRat(text, wanted string) *big.Rat {
	fs := strings.SplitN(strings.TrimSpace(text), " ", 2)
	r, ok := new(big.Rat).SetString(strings.Replace(fs[0], ",", ".", 1))
	if !ok || len(fs) != 2 {
		panic("oracle cannot read " + text)
	}
	scale := map[string]map[string]string{
		"T":     {"T": "1", "G": "0.0001", "mT": "0.001"},
		"T/m":   {"T/m": "1", "G/cm": "0.01", "mT/m": "0.001"},
		"T/m/s": {"T/m/s": "1", "mT/m/ms": "1"},
		"T/s":   {"T/s": "1"},
		"W/kg":  {"W/kg": "1", "mW/g": "1"},
		"µT":    {"µT": "1", "uT": "1"},
		"min":   {"min": "1", "h": "60"},
		"d":     {"days": "1", "weeks": "7"},
		"cm":    {"cm": "1", "mm": "0.1"},
	}[wanted][fs[1]]
	s, ok := new(big.Rat).SetString(scale)
	if !ok {
		panic("oracle has no unit " + fs[1] + " for " + wanted)
	}
	return r.Mul(r, s)
}

const spine = "vertex skull-base C1 C2 C3 C4 C5 C6 C7 T1 T2 T3 T4 T5 T6 T7 T8 T9 T10 T11 T12 L1 L2 L3 L4 L5 L6 S1 S2 S3 S4 S5 coccyx hip mid-thigh knee mid-calf ankle sole"

func height(name string) int { return slices.Index(strings.Fields(spine), name) }

// ends gives a stretch as two heights; -1 when not known.
func ends(from, to string) (int, int) {
	a, b := height(from), height(to)
	if a < 0 || b < 0 || a > b {
		return -1, -1
	}
	return a, b
}

func levelEnds(level string) (int, int) {
	from, to, ok := strings.Cut(level, "-")
	if !ok {
		to = from
	}
	return ends(from, to)
}
