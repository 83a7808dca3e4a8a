package intake

import (
	"regexp"
	"slices"
	"strings"
)

// asideWords are the beginnings of words without which a resource of a type that is not read is not looked at: most are of
// bookkeeping, and to read each would cost more than all the rest.
var asideWords = regexp.MustCompile(`(?i)stimul|neuromod|pacemaker|defibrill|electrod|elektrod|schrittmacher|implant|generator|\bleads?\b|\b(ipg|scs|dbs|vns|sns|icd|pns)\b|pump|cochlear|catheter|battery|"(Z96|Z45|Z95|T85)`)

// WorthALook says whether a resource of a type that is not read has any such word.
func WorthALook(raw []byte) bool { return asideWords.Match(raw) }

// RefusedMayTell says whether a refused resource could have told of an implant. said is what it says, whole that all its
// words can be seen. Accounts of devices, procedures, orders and people always could. Of what only tells in passing (a
// problem, a flag, an observation, an answer, a type that is not read) no mark is made where all its words can be seen,
// there are some, and none of them names a part: each refused blood pressure would otherwise keep a verdict open for ever.
// A laboratory value or vital sign would not be read either. The refusal itself is kept and told to the sender in any case.
func RefusedMayTell(typ string, said []Said, whole bool) bool {
	if !TellsInPassing(typ) || !whole {
		return true
	}
	if typ == "Observation" && slices.ContainsFunc(said, func(s Said) bool {
		return strings.HasPrefix(s.Path, "category") && (s.Code.Code == "laboratory" || s.Code.Code == "vital-signs")
	}) {
		return false
	}
	words := false
	for _, s := range said {
		if s.MayTell() {
			return true
		}
		words = words || isWords(s)
	}
	return !words
}

// isWords says whether a string is words that somebody wrote, and no code, time or number.
func isWords(s Said) bool {
	last := s.Path[strings.LastIndexByte(s.Path, '.')+1:]
	return last == "text" || last == "display" || last == "div" || last == "description" || last == "title" || strings.HasPrefix(last, "value") ||
		strings.Contains(s.Text, " ")
}
