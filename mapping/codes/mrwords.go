package codes

import (
	"regexp"
	"strings"
	"unicode"
)

// modalityWords is what a text says of a modality.
type modalityWords struct {
	empty      bool
	mr         string // a word that is MR and nothing else
	bareMR     bool   // "MR" by itself, in capitals or beside a word of the exam
	inMitral   bool   // the bare MR stands in mitral or record-number words
	maybeMR    string // a word that may mean MR
	other      string // another modality
	otherIsPET bool   // PET only: PET/MR exists
	hint       string // imaging, modality not said
	service    string // a service other than imaging
	tooLong    bool   // not read to the end
	foreign    bool   // in a script we have no words for
}

// Words that are MR and nothing else, as whole words in lower case. Languages beyond English from memory.
var mrWords = WordSet("mri mrt mrcp mra mrv fmri cmri rmn rnm irm nmr mrgfus mrgrt mrlinac kernspin kst remnography emar mrangio мрт ямр")

// Parts of words (any position, lower case) that are MR.
var mrParts = []string{"magnetic resonance", "magnetic-resonance", "kernspin", "magnetresonan", "magnetisk resonan", "resonancia magn",
	"resonancia nuclear", "ressonância magn", "ressonancia magn", "risonanza magn", "résonance magn", "resonance magn",
	"rezonans", "rezonanc", "magneettik", "magnetkam", "magnetröntg", "mágneses rezon", "магнитно-резонанс", "магнитный резонанс",
	"магнитно резонанс", "μαγνητική τομογρ", "磁共振", "核磁", "磁気共鳴", "자기공명", "रेजोनेंस", "एमआरआई", "رنين", "תהודה מגנטית",
	"manyetik rezonans", "nuclear magnetic"}

// Words of another modality, whole, lower case; "us" counts in capitals only.
var otherWords = WordSet("ct cta ctpa hrct cbct cat xray xrays radiograph radiographs xr cxr axr ultrasound ultrasonography sonography sonogram usg " +
	"echo echocardiogram echocardiography doppler duplex mammogram mammography spect scintigraphy fluoroscopy fluoroscopic dexa dxa " +
	"myelogram tdm tac röntgen roentgen échographie echographie ecografia ecografía radiographie radiografía radiografia scintigraphie " +
	"computertomographie computertomografie tomodensitométrie densitometry petct кт узи рентген")

var otherParts = []string{"computed tomography", "computerized axial tomography", "computerised tomography", "x-ray", "x ray",
	"bone scan", "nuclear medicine", "plain film"}

// Words of imaging that leave the modality open, and those that go with MR most of the time.
var hintWords = WordSet("scan scans scanning imaging radiology radiological radiologic contrast tomography angiogram angiography arthrogram " +
	"arthrography venogram venography enterography neuroimaging neuroradiology cholangiopancreatography imagerie bildgebung diagnóstica views")
var likelyWords = WordSet("gadolinium gadobutrol gadoterate gad spectroscopy tesla tractography neurography magnet mre cmr")

// Parts of words that are MR most of the time, slips of the keyboard among them. Common practice, no source.
var likelyParts = []string{"resonan", "magnetic", "magentic", "magnetc"}

// magneticStimulation is a treatment and no MR. Only these words are passed over: an order that speaks of spinal cord
// stimulation beside its "magentic resonanse" is the one that matters.
var magneticStimulation = regexp.MustCompile(`magnetic (?:nerve |brain |seizure )?stimulat`)

// initials are letters with a dot after each ("M.R.I."); the dots say nothing.
var initials = regexp.MustCompile(`\b\pL(?:\.\pL)+\b\.?`)

// mayHaveInitials says whether a dot stands between two characters that may be letters; most texts are spared the search.
func mayHaveInitials(t string) bool {
	letter := func(c byte) bool { return c >= 0x80 || 'a' <= c|0x20 && c|0x20 <= 'z' }
	for i := 1; i+1 < len(t); i++ {
		if t[i] == '.' && letter(t[i-1]) && letter(t[i+1]) {
			return true
		}
	}
	return false
}

// Services that are not imaging and whose orders tell of earlier images. Common practice, no source.
var serviceWords = WordSet("physiotherapy kinesiotherapy rehabilitation dietitian dietetic counselling counseling education laboratory " +
	"urine serum culture biopsy histology vaccination colonoscopy gastroscopy endoscopy ecg electrocardiogram eeg emg spirometry " +
	"audiology psychology nursing ambulation")
var serviceParts = []string{"physical therapy", "occupational therapy", "speech therapy", "blood test", "blood count"}

// Words after or before a bare "mr" that make it an examination even when it is not in capitals.
var examWords = WordSet("guided guidance guide angiogram angiography angio spectroscopy arthrogram arthrography enterography urography " +
	"venogram venography neurography elastography scan scans imaging examination exam w wo with without contrast linac cholangiography cholangiopancreatography")

var mitralWords = WordSet("mitral regurgitation regurgitant regurg insufficiency valve lvef")
var gradeWords = WordSet("severe moderate mild trivial trace grade significant")
var recordWords = WordSet("number no nr num id record chart mrn")

// WordSet makes a set of the words of a list, which blanks part.
func WordSet(list string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(list) {
		m[w] = true
	}
	return m
}

func readModality(t string) modalityWords {
	if mayHaveInitials(t) {
		t = initials.ReplaceAllStringFunc(t, func(s string) string { return strings.ReplaceAll(s, ".", "") })
	}
	toks := tokens(t)
	r := modalityWords{empty: len(toks) == 0}
	lower := make([]string, len(toks))
	for i := range toks {
		lower[i] = strings.ToLower(toks[i])
	}
	text := strings.ToLower(t)
	r.mr = firstPart(text, mrParts)
	r.other = firstPart(text, otherParts)
	r.service = firstPart(text, serviceParts)
	r.maybeMR = firstPart(magneticStimulation.ReplaceAllString(text, ""), likelyParts)
	if len(t) > maxLabel {
		r.maybeMR, r.tooLong = "a text too long to read", true
	}
	pet := false
	for i, w := range lower {
		switch {
		case mrWords[w], strings.HasPrefix(w, "mri"), strings.HasSuffix(w, "mri"):
			keep(&r.mr, toks[i])
		case likelyWords[w], gluedMR(toks[i]):
			keep(&r.maybeMR, toks[i])
		case w == "pet":
			pet = true
		case otherWords[w] || toks[i] == "US":
			keep(&r.other, toks[i])
		case hintWords[w]:
			keep(&r.hint, toks[i])
		case serviceWords[w]:
			keep(&r.service, toks[i])
		case w == "mr" || toks[i] == "RM":
			r.readBare(toks, lower, i)
		}
	}
	if pet && r.other == "" {
		r.other, r.otherIsPET = "PET", true
	}
	r.foreign = foreignScript(t) && r.mr == "" && r.other == ""
	r.bodyPartOnly(t, lower)
	return r
}

func keep(where *string, w string) {
	if *where == "" {
		*where = w
	}
}

func firstPart(text string, parts []string) string {
	for _, p := range parts {
		if strings.Contains(text, p) {
			return p
		}
	}
	return ""
}

// readBare judges "MR" or "RM" standing by itself at position i.
func (r *modalityWords) readBare(toks, lower []string, i int) {
	near := func(set map[string]bool, from, to int) bool {
		for k := max(0, i+from); k <= min(len(lower)-1, i+to); k++ {
			if k != i && set[lower[k]] {
				return true
			}
		}
		return false
	}
	if toks[i] == "Mr" || toks[i] == "mr" { // most often a title
		next := strings.Join(toks[i+1:min(len(toks), i+2)], "")
		switch {
		case !near(examWords, 1, 1) && Regions(next) == nil:
		case toks[i] == "mr":
			r.bareMR, r.inMitral = true, false
		default:
			keep(&r.maybeMR, toks[i])
		}
		return
	}
	exam := near(examWords, 1, 2) || Regions(strings.Join(toks[i+1:min(len(toks), i+4)], " ")) != nil
	digits := i+1 < len(toks) && len(toks[i+1]) >= 4 && unicode.IsDigit(rune(toks[i+1][0]))
	switch {
	case exam:
		r.bareMR, r.inMitral = true, false
	case near(mitralWords, -6, 6), near(gradeWords, -1, 1), near(recordWords, 1, 1), digits:
		if !r.bareMR {
			r.bareMR, r.inMitral = true, true
		}
	case toks[i] == "MR":
		r.bareMR, r.inMitral = true, false
	case toks[i] == "RM":
		keep(&r.maybeMR, toks[i])
	}
}

// gluedMR says whether a word in capitals is "MR" run together with something ("MRLSPINE").
func gluedMR(tok string) bool {
	if len(tok) < 4 || !strings.HasPrefix(tok, "MR") || strings.ToUpper(tok) != tok {
		return false
	}
	return !strings.HasPrefix(tok, "MRSA") && tok != "MRCS" && tok != "MRSE"
}

// fillers may stand beside a body part in the label of an imaging order that says no modality.
var fillers = WordSet("w wo with without and or of the left right lt rt both bilateral upper lower w/wo iv plain spine contrast routine urgent")

// bodyPartOnly marks a label that is nothing but a body part, side and level: it may be an imaging order.
func (r *modalityWords) bodyPartOnly(t string, lower []string) {
	if r.empty || r.hint != "" || len(lower) > 6 {
		return
	}
	named := false
	for _, w := range lower {
		_, level := Level(w)
		switch {
		case Regions(w) != nil, level, w == "l", w == "c", w == "t", w == "ls", w == "sp":
			named = true
		case !fillers[w]:
			return
		}
	}
	if named {
		r.hint = strings.TrimSpace(t)
	}
}

// foreignScript says whether a text has letters of a script other than Latin.
func foreignScript(t string) bool {
	for _, c := range t {
		if unicode.IsLetter(c) && !unicode.In(c, unicode.Latin, unicode.Common) {
			return true
		}
	}
	return false
}
