package registry

import (
	"strings"
	"unicode"

	"gaussline/mapping/implant"
)

// maxSaidRunes bounds the reporter's words of one reason.
const maxSaidRunes = 120

// said gives the reporter's own words for a reason or complication as they may leave, "" when they may not. They
// leave only when every word is in the vocabulary below and none is a name of the patient: a field that a clinician
// types into may hold anybody's name. A code before its display is left out; it stands in its own column.
func said(quote string, person implant.Person) string {
	var pieces []string
	for _, piece := range strings.Split(quote, " / ") {
		code, rest, _ := strings.Cut(strings.TrimSpace(piece), " ")
		if strings.ContainsAny(code, "0123456789") {
			piece = rest
		}
		if piece = strings.Join(strings.Fields(piece), " "); piece != "" {
			pieces = append(pieces, piece)
		}
	}
	text := strings.Join(pieces, " / ")
	if text == "" || len([]rune(text)) > maxSaidRunes || strings.Trim(text, saidLetters) != "" {
		return ""
	}
	names := map[string]bool{}
	for _, n := range nameWords(person.Family + " " + person.Given) {
		names[n] = true
	}
	if strings.Contains(text, "Mr") { // a person; MR is the scanner
		return ""
	}
	for _, w := range nameWords(text) {
		if !vocabulary[w] || names[w] {
			return ""
		}
	}
	return text
}

// saidLetters are the characters of such words.
const saidLetters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ -/,().'"

// nameWords cuts a text into lower-case words.
func nameWords(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) })
}

// vocabulary is every word that may leave: trade words for what goes wrong with a stimulator and why it is revised,
// and the small words between. No word of it is there because it is somebody's name. Common practice, no source.
var vocabulary = func() map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(`
a abnormal about above absent according acute adaptor adequate adverse after allergic allergy along also an anchor and
anterior area around as associated at away back battery became because before below between bilateral bleeding both
bothersome breakage broke broken burn burning but buttock by cable can cannot cap capped care catheter cause caused cell
change changed changing charge charger charging chronic clinic coil complete complication component conductor conductors
connection connector consent continuing controlled could coverage csf current cut daily damage damaged deep defect
dehiscence dehisced delivery depleted depletion despite detached deteriorated device devices did difficult difficulty
discharge discharged discomfort disconnected disconnection discontinued disease dislodged dislodgement displaced
displacement do does done due during early effect effective efficacy effects elective electrical electrode electrodes
electromagnetic electronic elevated end eri eroded erosion event excessive existing expired explant explantation
explanted exposed exposure extension external extrusion failed failure fault faulty fever fibrosis flipped flipping fluid
for fracture fractured fragment from full function functional gained generator generators granuloma haematoma had
hardware has have healing heating hematoma high history hour hours imaging impedance impedances implant implantable
implantation implanted implants in inability inadequate inappropriate indication indicator ineffective infected infection
inflammation injury insufficient insulation intended interference intermittent internal intolerable intolerance
intractable into ipg irritation is it its joint jolting keep kinked lack lasting late lead leads leak leakage least left
leg less level life local long longer loose loss lost low lower lumbar maintenance malfunction malfunctioning malposition
malpositioned material mechanical medial medical medication migrated migration more motor movement mr mri multifidus
muscle near need needed needs nerve neurological neurostimulator new no non none normal not now numbness occurred of off
offered old on one only open or other out outcome outer output over overheating pain painful paraesthesia paresthesia
part partial parts patient persistent placed placement planned pocket poor position positioned positioning possible post
posterior preference premature present pressure previous primary problem problems procedure programming progressive
prolonged prophylactic pulse pump radiating radicular rash reaction reached recall recharge rechargeable recharging
recurrent redness reduced reduction refractory region related relief removal remove removed repeated replaced replacement
reported reprogramming request requested required requires requiring residual resolution resolved response retained
revised revision right root rotation sacral scan scar screw sensation sepsis seroma service severe shock shocking short
side signal site skin slipped soft some sore spinal spine stimulation stimulator stopped strength stylet subcutaneous
sudden superficial superior surgery surgical suspected sustained suture swelling swollen symptom symptoms system systems
temperature tenderness tethered than that the therapy thin thinning this through time tingling tip tissue to tolerated
too trauma treatment trial turned twiddling two unable unacceptable uncomfortable undesired unexpected unintended
unknown unpleasant unsatisfactory unspecified up upgrade upper use used usage vertebra vertebral volume was wear were
when where which wire with without worn worse worsening wound years yet`) {
		m[w] = true
	}
	return m
}()
