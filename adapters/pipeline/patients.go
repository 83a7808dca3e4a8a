package pipeline

import (
	"slices"
	"strings"

	"gaussline/mapping/history"
	"gaussline/mapping/identity"
	"gaussline/mapping/implant"
)

// identifierNode is the patient key of somebody known only by a business identifier; intake makes the same.
func identifierNode(system, value string) string { return "id:" + system + "|" + value }

// ofAnEpisode are the identifier types (HL7 v2 table 0203) that number a visit, an account or an insurance contract,
// which several people can share: they join nobody.
var ofAnEpisode = map[string]bool{"VN": true, "AN": true, "ANON": true, "ACSN": true, "PLAC": true, "FILL": true, "MB": true, "SN": true}

// peopleIn lists who the current Patient statements say they are. A key that only other statements name is a
// person without particulars. Crowded identifiers tell nobody apart.
func peopleIn(reach, crowded []string, stored []StoredStatement) ([]identity.Person, map[string][]identity.Person) {
	var own []implant.Statement
	for _, st := range stored {
		if st.Person != nil {
			own = append(own, st.Statement)
		}
	}
	current, _ := history.Current(own)
	byKey := map[string][]identity.Person{}
	var people []identity.Person
	for _, st := range current {
		if st.Void {
			continue
		}
		p := identity.Person{Key: st.Key, Birth: string(st.Person.Birth), Sex: st.Person.Sex,
			Family: st.Person.Family, Given: st.Person.Given}
		for _, id := range st.Person.Identifiers {
			if _, ok := slices.BinarySearch(crowded, identifierNode(id.System, id.Value)); ok || ofAnEpisode[id.Type] {
				continue
			}
			p.Identifiers = append(p.Identifiers, identity.ID{System: id.System, Value: id.Value, Use: id.Use})
		}
		for _, l := range st.Person.Links {
			p.Links = append(p.Links, l.Other)
		}
		people = append(people, p)
		byKey[st.Key] = append(byKey[st.Key], p)
	}
	for _, k := range reach {
		if byKey[k] == nil {
			people = append(people, identity.Person{Key: k})
		}
	}
	return people, byKey
}

// identifierPairs joins a patient key that is a bare identifier with the people who carry that identifier now. Where
// nobody does and a statement names its patient by it, it is joined with those who carried it or had it for a time:
// what is said of them must not be lost.
func identifierPairs(people []identity.Person, reach []string, stored []StoredStatement) [][2]string {
	named := map[string]bool{}
	for _, st := range stored {
		named[st.Patient] = true
	}
	now, once := map[string][]string{}, map[string][]string{}
	for _, p := range people {
		for _, id := range p.Identifiers {
			holders := now
			if id.Use == "old" || id.Use == "temp" {
				holders = once
			}
			node := identifierNode(id.System, id.Value)
			holders[node] = append(holders[node], p.Key)
		}
	}
	var pairs [][2]string
	for _, node := range reach {
		holders := now[node]
		if len(holders) == 0 && named[node] {
			holders = once[node]
		}
		for _, key := range holders {
			pairs = append(pairs, [2]string{key, node})
		}
	}
	return pairs
}

// doubtsAbout turns contradictions between people joined as one into open questions.
func doubtsAbout(members []identity.Person) []implant.Question {
	var qs []implant.Question
	for _, d := range identity.Doubts(members) {
		qs = append(qs, implant.Question{Code: implant.AskSourcesMerged, Detail: d.What, MR: true,
			Sources: []implant.Source{{Key: d.A}, {Key: d.B}}})
	}
	return qs
}

// displayKey shortens a source key for people: the sender's own name of the resource.
func displayKey(key string) string {
	if _, after, ok := strings.Cut(key, "|"); ok {
		return after
	}
	return key
}
