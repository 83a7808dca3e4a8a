package mri

import (
	"slices"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// Exam is what is asked for, as far as the order says. What is not known stays empty: an unknown region is not
// "outside the zone".
type Exam struct {
	// Regions are all the regions asked for, each must be within the label; none is not known.
	Regions    []ExamRegion `json:"regions,omitempty"`
	Laterality implant.Side `json:"laterality,omitempty"`
	Date       implant.When `json:"date,omitempty"` // planned
	// Checks are answers of the day, where somebody gave them: to check codes, ElementPosition, and whether a limit
	// that the operator keeps (SAR, B1+rms, times) can be kept. A missing one is to be confirmed.
	Checks map[string]Truth `json:"checks,omitempty"`
}

// ExamRegion is one region of the body to be imaged.
type ExamRegion struct {
	Region string `json:"region"` // word of package codes
	// Isocentre is the stretch in which the isocentre will lie; empty is not known.
	Isocentre Interval `json:"isocentre,omitzero"`
	// Centre is the landmark that is imaged for sure; "" where the region is long or a limb that may lie anywhere.
	Centre string `json:"centre,omitempty"`
	// Coils are the transmit coils that suit the region; empty is not known.
	Coils []string `json:"transmitCoils,omitempty"`
	// Words is the sentence beside the order that asks for the region; "" where the order itself names it.
	Words string `json:"words,omitempty"`
}

// regionPlans gives the isocentre and the suitable transmit coils of an exam of a region. The isocentre of an exam
// lies near the middle of what is imaged; the stretch here is generous, about a vertebra or two on each side,
// because patients and protocols differ. The body coil transmits in all of them; separate transmit coils today
// are mostly head, knee, some foot-ankle (trade article on RF exposure, Diagnostic Imaging). The stretches: common practice, no source.
var regionPlans = map[string]ExamRegion{
	codes.Head:         {Isocentre: Interval{"vertex", "C1"}, Centre: "skull-base", Coils: []string{"body", "head"}},
	codes.Brain:        {Isocentre: Interval{"vertex", "C1"}, Centre: "skull-base", Coils: []string{"body", "head"}},
	codes.Neck:         {Isocentre: Interval{"C2", "T1"}, Centre: "C5", Coils: []string{"body"}},
	codes.CervicalBack: {Isocentre: Interval{"C2", "T1"}, Centre: "C5", Coils: []string{"body"}},
	codes.ThoracicBack: {Isocentre: Interval{"T3", "T10"}, Centre: "T6", Coils: []string{"body"}},
	codes.LumbarBack:   {Isocentre: Interval{"T12", "S1"}, Centre: "L3", Coils: []string{"body"}},
	codes.Sacrum:       {Isocentre: Interval{"L5", "coccyx"}, Centre: "S2", Coils: []string{"body"}},
	codes.Spine:        {Isocentre: Interval{"C1", "S3"}, Coils: []string{"body"}},
	codes.SpinalCanal:  {Isocentre: Interval{"C1", "S3"}, Coils: []string{"body"}},
	codes.Back:         {Isocentre: Interval{"C7", "S3"}, Coils: []string{"body"}},
	codes.Shoulder:     {Isocentre: Interval{"C6", "T5"}, Centre: "T2", Coils: []string{"body"}},
	codes.Chest:        {Isocentre: Interval{"T2", "T11"}, Centre: "T6", Coils: []string{"body"}},
	codes.Heart:        {Isocentre: Interval{"T5", "T11"}, Centre: "T8", Coils: []string{"body"}},
	codes.Breast:       {Isocentre: Interval{"T3", "T10"}, Centre: "T6", Coils: []string{"body"}},
	codes.Abdomen:      {Isocentre: Interval{"T9", "L4"}, Centre: "L1", Coils: []string{"body"}},
	codes.Flank:        {Isocentre: Interval{"T10", "L5"}, Centre: "L2", Coils: []string{"body"}},
	codes.Pelvis:       {Isocentre: Interval{"L4", "hip"}, Centre: "S3", Coils: []string{"body"}},
	codes.Buttock:      {Isocentre: Interval{"L5", "hip"}, Centre: "S3", Coils: []string{"body"}},
	codes.Hip:          {Isocentre: Interval{"S1", "mid-thigh"}, Centre: "hip", Coils: []string{"body"}},
	codes.Thigh:        {Isocentre: Interval{"hip", "knee"}, Coils: []string{"body"}},
	codes.Knee:         {Isocentre: Interval{"mid-thigh", "mid-calf"}, Centre: "knee", Coils: []string{"body", "extremity"}},
	codes.LowerLeg:     {Isocentre: Interval{"knee", "sole"}, Coils: []string{"body", "extremity"}},
	codes.LowerLimb:    {Isocentre: Interval{"hip", "sole"}, Coils: []string{"body"}},
	// An arm may lie at the side or above the head.
	codes.UpperLimb: {Isocentre: Interval{"vertex", "mid-thigh"}, Coils: []string{"body", "extremity"}},
	codes.WholeBody: {Isocentre: Interval{"vertex", "sole"}, Coils: []string{"body"}},
}

// RegionPlan gives the plan of an exam of one region of package codes; an unlisted region has neither isocentre
// nor coils, which are then not known.
func RegionPlan(region string) ExamRegion {
	p := regionPlans[region]
	p.Region = region
	p.Coils = slices.Clone(p.Coils)
	return p
}

// ExamOf reads an order: codes by a table, displays and text by the words of package codes, body sites by both.
// All regions that any of them names count, because each must be within the label. Nothing named is not known. What the
// words around the order ask for is added, see addRemarks.
func ExamOf(r implant.Referral) Exam {
	set := map[string]bool{}
	for _, c := range r.Codes {
		for _, region := range codeRegions(c) {
			set[region] = true
		}
		addWords(set, c.Display)
	}
	for _, c := range r.BodySites {
		site, ok := codes.BodySite(c)
		if ok && site.Region != "" {
			set[site.Region] = true
		}
		addWords(set, c.Display)
	}
	addWords(set, r.Text)
	e := Exam{Laterality: r.Laterality, Date: r.Occurrence}
	for _, region := range sortedRegions(set) {
		e.Regions = append(e.Regions, RegionPlan(region))
	}
	e.addRemarks(r)
	return e
}

// maxExamText is how much of an order's text is read for regions.
const maxExamText = 4000

func addWords(set map[string]bool, s string) {
	if len(s) > maxExamText {
		s = s[:maxExamText]
	}
	for _, region := range codes.Regions(s) {
		set[region] = true
	}
	s = strings.ToLower(s)
	for _, whole := range []string{"whole spine", "entire spine", "full spine", "complete spine", "total spine"} {
		if strings.Contains(s, whole) {
			set[codes.CervicalBack], set[codes.ThoracicBack], set[codes.LumbarBack] = true, true, true
		}
	}
	for _, w := range strings.FieldsFunc(s, notLetter) {
		if region, ok := foreignWords[w]; ok {
			set[region] = true
		}
	}
}

func notLetter(r rune) bool { return (r < 'a' || r > 'z') && r < 0x80 }

// sortedRegions drops a general word where a special one of it is there ("spine" beside "lumbar-spine") and sorts.
// The special one is inside the general one only in words: "spine, lumbar" asks for one exam.
func sortedRegions(set map[string]bool) []string {
	for general, special := range generalWords {
		if set[general] && slices.ContainsFunc(special, func(s string) bool { return set[s] }) {
			delete(set, general)
		}
	}
	out := make([]string, 0, len(set))
	for region := range set {
		out = append(out, region)
	}
	slices.Sort(out)
	return out
}

// generalWords are words that name no exam of their own beside a more special one.
var generalWords = map[string][]string{
	codes.Spine:     {codes.CervicalBack, codes.ThoracicBack, codes.LumbarBack, codes.Sacrum},
	codes.Back:      {codes.CervicalBack, codes.ThoracicBack, codes.LumbarBack, codes.Sacrum},
	codes.Head:      {codes.Brain},
	codes.LowerLimb: {codes.Hip, codes.Thigh, codes.Knee, codes.LowerLeg},
}
