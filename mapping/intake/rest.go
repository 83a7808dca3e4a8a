package intake

import (
	"regexp"
	"strings"

	"gaussline/mapping/codes"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/procedure_go_proto"
)

// Words that speak of something left in, and the denials of it that are taken out first. Trade lore: "removed in
// toto", "tips intact" are the usual proof (common practice, no source), and so are the words.
var (
	restRE   = regexp.MustCompile(`(?i)\b(fragments?|retain(ed|s|ing)?|partial(ly)?|portions?|pieces?|broke(n)?|sheared|severed|cut|transected|capped|remain(s|ed|ing|der)?|remnants?|residual|stumps?|abandon(ed|ing)?|incomplete(ly)?|in situ|stay(s|ed)|left (in|behind)|leave|unable|could not|not (be )?(removed|found|retrieved)|failed|unsuccessful)\b`)
	noRestRE = regexp.MustCompile(`(?i)\b(no|without( any)?|nil) (visible |evidence of )?(retained |residual |remaining )?(lead |hardware |device )?(fragments?|remnants?|pieces?|hardware|parts?)( (were |was )?(retained|left( behind)?|remain(s|ed|ing)?|seen))?|nothing (was )?(retained|left)( behind)?`)
	tagRE    = regexp.MustCompile(`<[^>]*>`)
)

func stripTags(s string) string { return tagRE.ReplaceAllString(s, " ") }

// restIn finds every word of a rest that is not denied, as byte spans of the text.
func restIn(text string) [][]int {
	said := restRE.FindAllStringIndex(text, -1)
	if said == nil {
		return nil
	}
	denied := noRestRE.FindAllStringIndex(text, -1)
	var out [][]int
	for _, m := range said {
		free := true
		for _, d := range denied {
			free = free && (m[1] <= d[0] || m[0] >= d[1])
		}
		if free {
			out = append(out, m)
		}
	}
	return out
}

// sentenceAround gives the bounds of the sentence that holds a span.
func sentenceAround(text string, from, to int) (start, end int) {
	if i := strings.LastIndexAny(text[:from], ".;\n"); i >= 0 {
		start = i + 1
	}
	end = len(text)
	if i := strings.IndexAny(text[to:], ".;\n"); i >= 0 {
		end = to + i
	}
	return start, end
}

// saysRest looks through what of a Procedure is not prose for words or codes that speak of something left in,
// and gives the first. Notes are judged where they are read. Reasons are left out: "failed back surgery" says
// nothing of a rest. A generated narrative only repeats the fields.
func (r *reader) saysRest(p *ppb.Procedure) string {
	for _, c := range append([]*dpb.CodeableConcept{p.GetOutcome()}, p.GetComplication()...) {
		for _, cd := range c.GetCoding() {
			w, ok := codes.Reason(coding(cd))
			if codes.NotSuccessful(coding(cd)) || ok && w == codes.RetainedPart {
				return label(c)
			}
		}
	}
	var texts []string
	for _, c := range p.GetComplication() {
		texts = append(texts, allWords(c))
	}
	for _, c := range append([]*dpb.CodeableConcept{p.GetOutcome(), p.GetStatusReason(), p.GetCode()}, p.GetFollowUp()...) {
		texts = append(texts, displays(codingsOf(c))...)
	}
	if p.GetText().GetStatus().GetValue() == cpb.NarrativeStatusCode_EXTENSIONS {
		texts = append(texts, stripTags(p.GetText().GetDiv().GetValue()))
	}
	for _, t := range texts {
		if len(restIn(t)) > 0 {
			return t
		}
	}
	return ""
}
