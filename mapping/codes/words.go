package codes

import (
	"strings"
	"unicode"
)

// maxLabel is how many bytes of a label are read for words; the rest of a longer text is not looked at here.
// Callers that must not lose a word of a long text split it (see [IsMR]).
const maxLabel = 64 << 10

// tokens splits a text at everything that is neither letter nor digit, keeping the letter case.
func tokens(s string) []string {
	if len(s) > maxLabel {
		s = s[:maxLabel]
	}
	return strings.FieldsFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !unicode.IsMark(r) })
}

// words gives the tokens in lower case.
func words(s string) []string {
	t := tokens(s)
	for i := range t {
		t[i] = strings.ToLower(t[i])
	}
	return t
}

func hasAny(ws []string, any ...string) bool {
	for _, w := range ws {
		for _, a := range any {
			if w == a {
				return true
			}
		}
	}
	return false
}

// phrase is the words of a label joined by single blanks with a blank at each end, so that " a b " can be
// looked for as whole words.
func phrase(s string) string { return " " + strings.Join(words(s), " ") + " " }
