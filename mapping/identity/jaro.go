package identity

import (
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// Jaro is Jaro's similarity of two strings by characters, from 0 to 1. Two empty strings say nothing: 0.
func Jaro(a, b string) float64 {
	x, y := []rune(a), []rune(b)
	if len(x) == 0 || len(y) == 0 {
		return 0
	}
	window := max(max(len(x), len(y))/2-1, 0)
	usedY := make([]bool, len(y))
	var common []rune
	for i, r := range x {
		for j := max(0, i-window); j < min(len(y), i+window+1); j++ {
			if !usedY[j] && y[j] == r {
				usedY[j] = true
				common = append(common, r)
				break
			}
		}
	}
	if len(common) == 0 {
		return 0
	}
	transposed, k := 0, 0
	for j, used := range usedY {
		if used {
			if y[j] != common[k] {
				transposed++
			}
			k++
		}
	}
	m := float64(len(common))
	return (m/float64(len(x)) + m/float64(len(y)) + (m-float64(transposed/2))/m) / 3
}

// JaroWinkler adds Winkler's bonus of 0.1 for each of up to four characters that the beginnings share.
func JaroWinkler(a, b string) float64 {
	j := Jaro(a, b)
	x, y := []rune(a), []rune(b)
	prefix := 0
	for prefix < min(len(x), len(y), 4) && x[prefix] == y[prefix] {
		prefix++
	}
	return j + float64(prefix)*0.1*(1-j)
}

// letters writes German and Nordic letters in their two-letter forms.
var letters = strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "å", "aa", "æ", "ae", "ø", "oe", "þ", "th", "ð", "d")

// plainName brings a name to lower-case letters without marks, spaces and hyphens.
func plainName(s string) string {
	s = letters.Replace(norm.NFC.String(strings.ToLower(s)))
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) {
			return r
		}
		return -1
	}, norm.NFD.String(s))
}
