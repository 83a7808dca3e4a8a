package intake

import (
	"regexp"
	"slices"
	"strings"

	"gaussline/mapping/implant"
	"gaussline/mapping/opnote"
)

// A removal that codes call whole and words call less is not believed. Which words these are cannot be listed, so the
// rule is wide: whatever in the prose of a removal speaks of a rest, or says that one part alone came out, in any of
// the languages below, and is not plainly denied. It only ever makes a coded removal of the same occasion doubtful
// (history); it puts nothing in. The words are common practice, no source; those that are not English are from memory
// (German, French, Spanish, Italian, Portuguese, Dutch).
var (
	staysRE = regexp.MustCompile(`(?i)(\bbelassen|\bverbl[ei]+b|zurückgelassen|zurück ?gebl|\breste?\b|\brestant|\bin situ|nicht (entfernt|geborgen|gezogen)|abgerissen|gekappt|durchtrennt|abgeschnitten|unvollständig|teilweise|bruchstück|fragment|` +
		`\blaissé|\blaisse\b|\bresté|en place|\bconservé|sectionné|abandonné|incompl[eè]t|partiel|non retiré|` +
		`\bdejó|\bdejaron|\bdejad[oa]|\bqued[aóo]|permanec|en su sitio|\brestos?\b|abandonad|parcial|seccionad|no se (retir|extra|quit)|` +
		`\blasciat|\brimast|\brimane|in sede|residu|parzial|non rimoss|sezionat|` +
		`\bdeixad|\bficou|\bficaram|no local|não (retirad|removid)|` +
		`achtergelaten|achtergebleven|\bblijf|\bbleef|\bbleven|niet verwijderd|gedeeltelijk|laten zitten|` +
		`\bleft (in|behind|alone)|\bleave\b|\bretain|\bremain|\bremnant|\bresidual|\bstump|\babandon|\bstay|\bpartial|\bincomplete|\bin place|not (be )?(removed|retrieved|explanted|touched))`)
	staysDeniedRE = regexp.MustCompile(`(?i)(\bkein\w*|\bohne\b|\bnichts\b|\baucune?\b|\brien\b|\bsans\b|\bsin\b|\bning[uú]n\w*|\bnada\b|\bnessun\w*|\bsenza\b|\bgeen\b|\bzonder\b|\bniets\b|\bsem\b|\bnenhum\w*|\bno\b|\bnil\b|\bwithout\b|\bnothing\b|\bnone\b)[^.;]*$`)
	// onlyRE finds what says that no more than the part beside it came out.
	onlyBeforeRE = regexp.MustCompile(`(?i)(^|[^\pL])(only|just|solely|merely|nur|lediglich|ausschließlich|allein|seul(e|s|es|ement)?|uniquement|s[oó]lo|solamente|[uú]nicamente|soltanto|solamente|somente|apenas|alleen|enkel)\s+([\pL']+\s+){0,2}$`)
	onlyAfterRE  = regexp.MustCompile(`(?i)^[\s\pL]{0,12}?\s*(only|alone|allein|seule?s?|uniquement|solamente|soltanto|somente|alleen)\s*($|[^\s\pL]|(and|but|was|were|due|because|for|und|wegen|et|y|e|en)\b)`)
	notOnlyRE    = regexp.MustCompile(`(?i)\b(not|nicht|pas|no|non|niet|não)\s+(only|just|nur|seulement|s[oó]lo|solo|soltanto|alleen|somente|apenas)`)
	outRE        = regexp.MustCompile(`(?i)(remov|explant|extract|taken out|entfern|entnommen|ausgebaut|retir|enlev|ôt[ée]|extrai|extraíd|rimoss|espiant|verwijder|uitgenomen)`)
)

// partWords name parts in the languages above, in stems; "" is a part of no kind said.
var partWords = []struct {
	kind implant.Kind
	re   *regexp.Regexp
}{
	{implant.Lead, regexp.MustCompile(`(?i)(\bleads?\b|ele[ck]?trod|élec?trod|elettrocateter|\bsonden?\b|\bsondes?\b|\bpaddle|\beletrod|\bdraad|\bdraden)`)},
	{implant.Generator, regexp.MustCompile(`(?i)(generator|\bipg\b|batter|batería|bateria|\bpile\b|aggregat|impulsgeber|g[ée]n[ée]rat|generador|gerador|stimulat|estimulador|stimolator|\bbo[iî]tier)`)},
	{implant.Extension, regexp.MustCompile(`(?i)(\bextensions?\b|extensión|verlängerung|prolunga|verlengkabel)`)},
	{implant.Pump, regexp.MustCompile(`(?i)(\bpumps?\b|pumpe|\bpompe?\b|\bpompa\b|\bbomba)`)},
	{implant.Catheter, regexp.MustCompile(`(?i)\b(catheter|katheter|cath[ée]ter|cat[ée]ter)`)},
	{"", regexp.MustCompile(`(?i)(fragment|\bfrag\b|frammento|bruchstück|remnant|\btips?\b|spitze|system|syst[èe]me|sistema|\bdevice|hardware|implant|component|komponent|\barray|\bwires?\b|\bkabel|\bpieces?\b|portion|\bstück|\bteile?\b|\bcontacts?\b)`)},
}

// partsNamed gives the kinds that a stretch of text names, and whether it names any part at all.
func partsNamed(text string) (kinds []implant.Kind, any bool) {
	for _, p := range partWords {
		if !p.re.MatchString(text) {
			continue
		}
		any = true
		if p.kind != "" {
			kinds = append(kinds, p.kind)
		}
	}
	return kinds, any
}

// maySpeakOfARest says whether words may be an account of a removal: those of a Procedure, or a note of the kinds
// that surgeons and wards write. A picture's findings are read one by one.
func maySpeakOfARest(resourceType, kind string) bool {
	if resourceType == "Procedure" {
		return true
	}
	switch kind {
	case noteProcedure, noteDischarge, noteClinic, noteUnknown:
		return resourceType == "DocumentReference" || resourceType == "Composition"
	}
	return false
}

// maxRests bounds what one text says of a rest.
const maxRests = 8

// saysStays makes a fact of each sentence, and of the title, that speaks of a rest.
func (r *reader) saysStays(ps passage, body string, lead int, found []opnote.Finding) {
	n := 0
	add := func(start, end int, text, value string, kind implant.Kind) {
		if n++; n > maxRests {
			return
		}
		f := implant.Fact{Kind: implant.RestSaid, Component: implant.Component{Kind: kind}, At: ps.at, Value: value, Basis: implant.Read,
			Certainty: ps.certainty, Source: r.span(ps, start, end, strings.TrimSpace(text), 0)}
		r.st.Facts = append(r.st.Facts, f)
	}
	for start := 0; start < len(body); {
		_, end := sentenceAround(body, start, start)
		var in []opnote.Finding
		for _, f := range found {
			if f.Start-lead >= start && f.End-lead <= end && f.End > f.Start {
				f.Start, f.End = f.Start-lead-start, f.End-lead-start
				in = append(in, f)
			}
		}
		if value, kind, ok := restOf(body[start:end], in, r.st.Type == "Procedure"); ok {
			add(start, end, body[start:end], value, kind)
		}
		start = end + 1
	}
	if value, kind, ok := restOf(ps.title, nil, false); ok {
		add(0, 0, ps.title, value, kind)
	}
}

// restOf says whether a sentence speaks of a rest: that one part alone came out, or that something stays. loose takes
// a rest of nothing in particular too.
func restOf(s string, found []opnote.Finding, loose bool) (value string, kind implant.Kind, ok bool) {
	if v := onlyOut(s, found); v != "" {
		return v, "", true
	}
	if _, any := partsNamed(s); !any && !loose {
		return "", "", false
	}
	for _, m := range staysRE.FindAllStringIndex(s, -1) {
		if staysDeniedRE.MatchString(s[:m[0]]) {
			continue
		}
		kinds := kindsBeside(s, m)
		if fatesTold(kinds, found) {
			continue
		}
		if len(kinds) == 1 {
			kind = kinds[0]
		}
		return "", kind, true
	}
	return "", "", false
}

// kindsBeside gives the kinds that the clause around a word names, or else the whole sentence.
func kindsBeside(s string, m []int) []implant.Kind {
	from := strings.LastIndexAny(s[:m[0]], ",:") + 1
	to := len(s)
	if i := strings.IndexAny(s[m[1]:], ",:"); i >= 0 {
		to = m[1] + i
	}
	if kinds, _ := partsNamed(s[from:to]); len(kinds) > 0 {
		return kinds
	}
	kinds, _ := partsNamed(s)
	return kinds
}

// fatesTold says whether findings already tell what became of the kinds that the words are about.
func fatesTold(kinds []implant.Kind, found []opnote.Finding) bool {
	told := func(k implant.Kind) bool {
		return slices.ContainsFunc(found, func(f opnote.Finding) bool { return fateKnown(f) && f.Component.Kind == k })
	}
	if len(kinds) == 0 {
		return slices.ContainsFunc(found, fateKnown)
	}
	return !slices.ContainsFunc(kinds, func(k implant.Kind) bool { return !told(k) })
}

// onlyOut gives what alone came out by the words of a sentence, "" where it says no such thing.
func onlyOut(s string, found []opnote.Finding) string {
	if notOnlyRE.MatchString(s) {
		return ""
	}
	var out []string
	limited := false
	for _, f := range found {
		if f.Kind == implant.Removed && f.Component.Kind != "" {
			out = append(out, implant.RestBeside(f.Component.Kind, f.Site.Side))
			limited = limited || onlyBeforeRE.MatchString(s[:f.Start]) || onlyAfterRE.MatchString(s[f.End:])
		}
	}
	if outRE.MatchString(s) { // no finding stands beside the word, or none was made in this language
		for _, p := range partWords {
			for _, m := range p.re.FindAllStringIndex(s, -1) {
				if p.kind != "" {
					if !slices.ContainsFunc(found, func(f opnote.Finding) bool { return f.Component.Kind == p.kind && f.Kind == implant.Removed }) {
						out = append(out, implant.RestBeside(p.kind, ""))
					}
					limited = limited || onlyBeforeRE.MatchString(s[:m[0]]) || onlyAfterRE.MatchString(s[wordEnd(s, m[1]):])
				}
			}
		}
	}
	if !limited {
		return ""
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), " ")
}

// wordEnd gives the end of the word that reaches to at.
func wordEnd(s string, at int) int {
	if i := strings.IndexAny(s[at:], " \t,.;:()"); i >= 0 {
		return at + i
	}
	return len(s)
}
