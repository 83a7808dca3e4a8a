package mri

import (
	"slices"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// The words around an order may ask for more than its code does ("please also do lumbar"). What they ask for is added to
// what the order itself names; nothing they say takes a region away, and where the order names no region, the region
// stays unknown whatever they say. Symptoms, history and implants are named there too: a sentence about those asks for
// nothing, unless a word of asking stands in it. All words: common practice, no source; those beyond English from memory.
var (
	// askingWords ask for more, whatever else the sentence says.
	askingWords = codes.WordSet("also additionally additional addition plus add adding include includes included including incl inc extend extended " +
		"cover covering inklusive inkl einschließlich auch zusätzlich aussi également inclure también incluir incluyendo además anche incluso inoltre")
	askingPhrases = []string{" as well ", " down to ", " up to ", " y compris "}
	// pastWords tell of an earlier examination.
	pastWords = codes.WordSet("previous previously prior earlier last compare compared comparison showed shows shown reported had vorbefund voruntersuchung")
	// imagingWords ask for an examination, unless it is an earlier one.
	imagingWords = codes.WordSet("do perform image imaging scan scanning mr mri mrt irm rm rmn sequence sequences protocol request requested required needed whole entire")
	// aboutWords are of symptoms, history, other treatment and what is implanted.
	aboutWords = codes.WordSet("pain pains painful ache aches aching radiates radiating radiation radicular radiculopathy sciatica lumbago weakness weak numb numbness " +
		"tingling paraesthesia paresthesia headache headaches migraine injury trauma fall fell fracture surgery surgical operated operation " +
		"laminectomy fusion history hx known since surgeon clinic therapy treatment block injection injections cancer carcinoma metastatic tumour tumor " +
		"implant implants implanted implantation stimulator stimulators stimulation neurostimulator scs drg pns dbs lead leads electrode electrodes generator " +
		"ipg pump catheter battery pacemaker device devices hardware screws prosthesis coil no nil denies allergy jewellery jewelry remove wear empty drink eat " +
		"schmerz schmerzen implantat stimulateur douleur douleurs dolor dolore stimolatore estimulador sonde elektrode")
)

// maxQuote is how much of a sentence is quoted for a region, in bytes.
const maxQuote = 160

// addRemarks adds the regions that the words around an order ask for, each with the sentence.
func (e *Exam) addRemarks(r implant.Referral) {
	if len(e.Regions) == 0 {
		return
	}
	for i, text := range slices.Concat(r.Remarks, r.Reasons) {
		for _, sentence := range sentences(text) {
			for _, region := range asksFor(sentence, i < len(r.Remarks)) {
				if !slices.ContainsFunc(e.Regions, func(x ExamRegion) bool { return x.Region == region }) {
					p := RegionPlan(region)
					p.Words = clipped(sentence)
					e.Regions = append(e.Regions, p)
				}
			}
		}
	}
	slices.SortStableFunc(e.Regions, func(a, b ExamRegion) int { return strings.Compare(a.Region, b.Region) })
}

// abbreviated takes the point from an abbreviation, where it ends no sentence.
var abbreviated = strings.NewReplacer("incl.", "incl", "Incl.", "Incl", "inkl.", "inkl", "add.", "add")

// sentences takes a text apart where a new thought may begin. A comma does not end one: what is said of pain in "pain in
// the back, left leg" is said of both.
func sentences(text string) []string {
	text = abbreviated.Replace(text)
	return strings.FieldsFunc(text, func(r rune) bool { return r == '.' || r == ';' || r == '\n' || r == '\r' || r == '!' })
}

// asksFor gives the regions that a sentence asks for. In a note every sentence that names a region does, unless it is about
// something else; in a reason or an instruction only one with a word of asking.
func asksFor(sentence string, note bool) []string {
	set := map[string]bool{}
	for from := 0; from < len(sentence); from += maxExamText { // a region across the cut is lost in a sentence of that length
		addWords(set, sentence[from:min(len(sentence), from+maxExamText)])
	}
	low := strings.FieldsFunc(strings.ToLower(sentence), notWord)
	has := func(set map[string]bool) bool {
		return slices.ContainsFunc(low, func(w string) bool { return set[w] })
	}
	joined := " " + strings.Join(low, " ") + " "
	please := strings.Contains(joined, " please ") || strings.Contains(joined, " bitte ")
	asks := has(askingWords) || slices.ContainsFunc(askingPhrases, func(p string) bool { return strings.Contains(joined, p) }) ||
		has(imagingWords) && (please || !has(pastWords))
	switch {
	case asks:
		for _, region := range codes.LevelRegions(sentence) {
			set[region] = true
		}
	case !note, !please && (has(pastWords) || has(aboutWords)):
		return nil
	}
	return sortedRegions(set)
}

func notWord(r rune) bool {
	return r < 0x80 && (r < 'a' || r > 'z') && (r < '0' || r > '9')
}

func clipped(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if len(s) <= maxQuote {
		return s
	}
	return strings.ToValidUTF8(s[:maxQuote], "") + "…"
}
