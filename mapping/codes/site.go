package codes

import (
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	"gaussline/mapping/implant"
)

// Our words for regions of the body. Site.Region, Site.Pocket and the regions of an exam use these.
const (
	Head         = "head"
	Brain        = "brain"
	Neck         = "neck"
	CervicalBack = "cervical-spine"
	ThoracicBack = "thoracic-spine"
	LumbarBack   = "lumbar-spine"
	Sacrum       = "sacrum"
	SpinalCanal  = "spinal-canal" // epidural and intrathecal space, level not said
	Spine        = "spine"        // part not said
	Back         = "back"         // soft tissue of the back
	Flank        = "flank"
	Buttock      = "buttock"
	Abdomen      = "abdomen"
	Pelvis       = "pelvis"
	Chest        = "chest"
	Breast       = "breast"
	Heart        = "heart"
	Shoulder     = "shoulder"
	UpperLimb    = "upper-limb" // arm, elbow, forearm, wrist, hand
	Hip          = "hip"
	Thigh        = "thigh"
	Knee         = "knee"
	LowerLeg     = "lower-leg" // leg below the knee, ankle, foot
	LowerLimb    = "lower-limb"
	WholeBody    = "whole-body"
)

// Source: facts, body structures (two independent lists), FHIR R4 examples (36701003 both knees) and the FHIR R4
// laterality sets; 7771000 and 24028007 from GPS.
var snomedSite = map[string]implant.Site{
	"66794005": {Region: LumbarBack, Level: "L1"}, "14293000": {Region: LumbarBack, Level: "L2"},
	"36470004": {Region: LumbarBack, Level: "L3"}, "11994002": {Region: LumbarBack, Level: "L4"},
	"49668003":  {Region: LumbarBack, Level: "L5"},
	"699698002": {Region: Sacrum},
	"23215003":  {Region: ThoracicBack, Level: "T12"}, "12989004": {Region: ThoracicBack, Level: "T11"},
	"7610001": {Region: ThoracicBack, Level: "T10"}, "82687006": {Region: ThoracicBack, Level: "T9"},
	"11068009": {Region: ThoracicBack, Level: "T8"}, "62487009": {Region: ThoracicBack, Level: "T7"},
	"45296009": {Region: ThoracicBack, Level: "T6"}, "56401006": {Region: ThoracicBack, Level: "T5"},
	"46862004": {Region: Buttock}, "723979003": {Region: Buttock, Side: implant.Left},
	"58602004": {Region: Flank},
	"36701003": {Region: Knee, Side: implant.Bilateral},
	"7771000":  {Side: implant.Left}, "419161000": {Side: implant.Left},
	"24028007": {Side: implant.Right}, "419465000": {Side: implant.Right},
	"51440002": {Side: implant.Bilateral},
}

// BodySite gives the site that a SNOMED CT body structure or laterality code names. Words holds the display.
func BodySite(c implant.Code) (implant.Site, bool) {
	if system, code := key(c); system == SNOMED {
		if s, ok := snomedSite[code]; ok {
			s.Words = strings.TrimSpace(c.Display)
			return s, true
		}
	}
	return implant.Site{}, false
}

// regionWords goes from the smaller to the larger; the first that matches gives a label its region.
var regionWords = []struct {
	region string
	words  []string
}{
	{WholeBody, []string{"whole body", "total body"}},
	{Buttock, []string{"buttock", "buttocks", "gluteal", "gluteus", "upper buttock"}},
	{Flank, []string{"flank", "flanks"}},
	{SpinalCanal, []string{"epidural", "intrathecal", "spinal canal", "spinal cord", "intraspinal"}},
	{CervicalBack, []string{"cervical", "c spine", "cspine", "c sp", "hws"}},
	{ThoracicBack, []string{"thoracic spine", "spine thoracic", "thoracic vertebra", "thoracic", "dorsal spine", "t spine", "tspine", "t sp", "bws"}},
	{LumbarBack, []string{"lumbar", "lumbosacral", "l spine", "lspine", "l sp", "ls spine", "lws", "lumbar spine"}},
	{Sacrum, []string{"sacrum", "sacral", "sacroiliac", "si joint", "coccyx"}},
	{Brain, []string{"brain", "cerebral", "pituitary", "circle of willis"}},
	{Head, []string{"head", "skull", "cranial", "face", "orbit", "orbits", "internal auditory canal", "tmj"}},
	{Neck, []string{"neck", "carotid", "occipital"}},
	{Heart, []string{"heart", "cardiac"}},
	{Breast, []string{"breast", "breasts"}},
	{Chest, []string{"chest", "thorax", "pectoral", "infraclavicular", "subclavicular", "lung"}},
	{Hip, []string{"hip", "hips"}},
	{Knee, []string{"knee", "knees"}},
	{Thigh, []string{"thigh", "femur"}},
	{LowerLeg, []string{"ankle", "foot", "feet", "calf", "tibia", "lower leg", "heel", "toe"}},
	{LowerLimb, []string{"lower extremity", "leg", "legs", "lower limb"}},
	{Shoulder, []string{"shoulder", "shoulders", "scapula", "brachial plexus"}},
	{UpperLimb, []string{"arm", "arms", "elbow", "forearm", "wrist", "hand", "hands", "finger", "thumb", "humerus", "upper extremity"}},
	{Pelvis, []string{"pelvis", "pelvic", "prostate", "uterus", "bladder", "rectum"}},
	{Abdomen, []string{"abdomen", "abdominal", "liver", "kidney", "kidneys", "renal", "pancreas", "adrenal", "spleen", "mrcp", "bowel", "biliary", "bile ducts"}},
	{Spine, []string{"spine", "spinal", "vertebra", "vertebrae", "vertebral"}},
	{Back, []string{"back", "low back", "lower back", "paraspinal", "multifidus"}},
}

// regionPhrase is a phrase of regionWords, word by word, with its place there.
type regionPhrase struct {
	place int
	words []string
}

// regionStarts gives the phrases that begin with a word; made once. A text is gone through once, word by word: looking
// for every phrase in it took a tenth of the time of an order.
var regionStarts = func() map[string][]regionPhrase {
	out := map[string][]regionPhrase{}
	for i, e := range regionWords {
		for _, w := range e.words {
			ws := strings.Fields(w)
			out[ws[0]] = append(out[ws[0]], regionPhrase{i, ws})
		}
	}
	return out
}()

// regionPlaces gives the places in regionWords that a label names, ascending, each once.
func regionPlaces(s string) []int {
	ws := words(s)
	var out []int
	for i, w := range ws {
		for _, p := range regionStarts[w] {
			if n := i + len(p.words); n <= len(ws) && slices.Equal(ws[i:n], p.words) {
				out = append(out, p.place)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Regions gives every region that a label names, each once, sorted by name.
func Regions(s string) []string {
	var out []string
	for _, i := range regionPlaces(s) {
		out = append(out, regionWords[i].region)
	}
	sort.Strings(out)
	return out
}

func region(s string) string {
	if places := regionPlaces(s); len(places) > 0 {
		return regionWords[places[0]].region
	}
	return ""
}

// SideText finds the one side that a label names. Two different sides in one label give no side: the label may
// say of what each is, and a guess would put a lead on the wrong side. "Bilateral" and "both" are a side of
// their own. Common practice, no source.
func SideText(s string) implant.Side {
	w := words(s)
	l, r := hasAny(w, "left", "lt", "links", "gauche", "izquierda", "sinistra"), hasAny(w, "right", "rt", "rechts", "droite", "derecha", "destra")
	switch {
	case hasAny(w, "bilateral", "bilaterally", "both"):
		return implant.Bilateral
	case l && r:
		return ""
	case l:
		return implant.Left
	case r:
		return implant.Right
	case hasAny(w, "midline", "median"):
		return implant.Midline
	}
	return ""
}

var levelRE = regexp.MustCompile(`(?i)\b(th|[ctls])[ -]?(1[0-2]|[1-9])(?:\s?(?:/|-|–|to)\s?(?:(th|[ctls])[ -]?)?(1[0-2]|[1-9])\b)?`)
var notLevelRE = regexp.MustCompile(`(?i)^\s*[- ]?(weighted|w\b|wi\b|flair|star|\*|mapping|sequence|map\b|tesla)`)

// vertebrae is how many bones each part of the spine has; a sixth lumbar vertebra occurs.
var vertebrae = map[string]int{"C": 7, "T": 12, "L": 6, "S": 5}

// Level finds the bony level or span that a label names, as "L3" or "T8-T9". "L2/3" is "L2-L3", "Th8" is "T8".
// More than one different level gives none, and ok is false: which is meant is not decidable here. T1 and T2 followed
// by "weighted" and the like are MR sequences and no levels.
func Level(s string) (level string, ok bool) {
	if len(s) > maxLabel {
		s = s[:maxLabel]
	}
	for _, m := range levelRE.FindAllStringSubmatchIndex(s, -1) {
		l, good := levelOf(s, m)
		if !good {
			continue
		}
		if level != "" && level != l {
			return "", false
		}
		level = l
	}
	return level, level != ""
}

func levelOf(s string, m []int) (string, bool) {
	part := func(i int) string {
		if m[2*i] < 0 {
			return ""
		}
		return s[m[2*i]:m[2*i+1]]
	}
	letter := func(p string) string { return strings.ToUpper(p[:1]) }
	if notLevelRE.MatchString(s[m[1]:]) {
		return "", false
	}
	if next := s[m[1]:]; part(4) == "" && next != "" && next[0] >= '0' && next[0] <= '9' {
		return "", false // "L35": not a level
	}
	from := letter(part(1))
	n, _ := strconv.Atoi(part(2))
	if n > vertebrae[from] {
		return "", false
	}
	first := from + strconv.Itoa(n)
	if part(4) == "" {
		return first, true
	}
	to := from
	if part(3) != "" {
		to = letter(part(3))
	}
	k, _ := strconv.Atoi(part(4))
	if part(3) == "" && from == "L" && k == 1 && n >= 4 {
		to = "S" // "L5/1": common practice, no source
	}
	if k > vertebrae[to] {
		return "", false
	}
	return first + "-" + to + strconv.Itoa(k), true
}

// LevelRegions gives the regions of all bony levels that a text names, from head to foot. T1 and T2 alone are left out: in
// an order they are more often names of sequences (common practice, no source).
func LevelRegions(s string) []string {
	if len(s) > maxLabel {
		s = s[:maxLabel]
	}
	const order = "CTLS"
	var is [len(order)]bool
	for _, m := range levelRE.FindAllStringSubmatchIndex(s, -1) {
		l, ok := levelOf(s, m)
		first, last, span := strings.Cut(l, "-")
		sequence := func(l string) bool { return l == "T1" || l == "T2" }
		if !ok || sequence(first) && (!span || sequence(last)) {
			continue
		}
		from, to := strings.IndexByte(order, first[0]), strings.IndexByte(order, first[0])
		if span {
			to = strings.IndexByte(order, last[0])
		}
		for i := from; i <= to; i++ {
			is[i] = true
		}
	}
	var out []string
	for i, region := range []string{CervicalBack, ThoracicBack, LumbarBack, Sacrum} {
		if is[i] {
			out = append(out, region)
		}
	}
	return out
}

// levelRegion gives the region that a level lies in, "" for a span over two regions.
func levelRegion(level string) string {
	first, last, span := strings.Cut(level, "-")
	if level == "" || span && last[0] != first[0] {
		return ""
	}
	return map[byte]string{'C': CervicalBack, 'T': ThoracicBack, 'L': LumbarBack, 'S': Sacrum}[first[0]]
}

// SiteText reads a site label: region, side and level where it names just one, and the words themselves.
func SiteText(s string) implant.Site {
	site := implant.Site{Region: region(s), Side: SideText(s), Words: strings.TrimSpace(s)}
	if level, ok := Level(s); ok {
		site.Level = level
		if r := levelRegion(level); r != "" && (site.Region == "" || site.Region == Spine) {
			site.Region = r
		}
	}
	return site
}

// MergeSites puts what several labels of one place say into one site. Where two say different things, the field
// stays empty and is named in conflicts ("region", "side", "level"); the words of all are kept.
func MergeSites(sites ...implant.Site) (out implant.Site, conflicts []string) {
	var said []string
	merge := func(name string, get func(implant.Site) string) string {
		v := ""
		for _, s := range sites {
			switch g := get(s); {
			case g == "" || g == v:
			case v == "":
				v = g
			default:
				conflicts = append(conflicts, name)
				return ""
			}
		}
		return v
	}
	out.Region = merge("region", func(s implant.Site) string { return s.Region })
	out.Side = implant.Side(merge("side", func(s implant.Site) string { return string(s.Side) }))
	out.Level = merge("level", func(s implant.Site) string { return s.Level })
	for _, s := range sites {
		if s.Words != "" && !slices.Contains(said, s.Words) {
			said = append(said, s.Words)
		}
	}
	out.Words = strings.Join(said, "; ")
	return out, conflicts
}
