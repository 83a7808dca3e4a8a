package pipeline

import (
	"regexp"
	"slices"
	"strings"

	"gaussline/adapters/fhirjson"
	"gaussline/mapping/intake"
)

// asideWords are the beginnings of words without which a resource of a type that is not read is not looked at: most are of
// bookkeeping, and to read each would cost more than all the rest.
var asideWords = regexp.MustCompile(`(?i)stimul|neuromod|pacemaker|defibrill|electrod|elektrod|schrittmacher|implant|generator|\bleads?\b|\b(ipg|scs|dbs|vns|sns|icd|pns)\b|pump|cochlear|catheter|battery|"(Z96|Z45|Z95|T85)`)

// mayBeAside says whether an entry of a type that is not read should be looked through for words of an implant.
func mayBeAside(e fhirjson.Entry) bool {
	return len(e.Raw) > 0 && e.Type != "" && e.Type != "Binary" && asideWords.Match(e.Raw)
}

func asideOf(raw []byte) *intake.Aside {
	g := fhirjson.Peek(raw)
	if len(g.Patients) == 0 {
		return nil
	}
	said, _ := fhirjson.Words(raw)
	return &intake.Aside{Patients: g.Patients, VersionID: g.VersionID, LastUpdated: g.LastUpdated, Status: g.Status, Said: said}
}

// mayTell says whether a refused resource could have told of an implant, so that its patient's record must say that it is
// unread. Accounts of devices, procedures, orders and people always could. Of what only tells in passing (a problem, a
// flag, an observation, an answer, a type that is not read) no mark is made where all its words can be seen, there are
// some, and none of them names a part: each refused blood pressure would otherwise keep a verdict open for ever. A
// laboratory value or vital sign would not be read either. The refusal itself is kept and told to the sender in any case.
func mayTell(typ string, raw []byte) bool {
	if !intake.TellsInPassing(typ) {
		return true
	}
	said, whole := fhirjson.Words(raw)
	if !whole {
		return true
	}
	if typ == "Observation" && slices.ContainsFunc(said, func(s intake.Said) bool {
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
func isWords(s intake.Said) bool {
	last := s.Path[strings.LastIndexByte(s.Path, '.')+1:]
	return last == "text" || last == "display" || last == "div" || last == "description" || last == "title" || strings.HasPrefix(last, "value") ||
		strings.Contains(s.Text, " ")
}
