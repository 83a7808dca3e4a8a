package mri

import (
	"strconv"
	"strings"

	"gaussline/mapping/codes"
)

// Landmarks lie along the body from head to foot. A place is the index of a landmark; only the order is used,
// never a distance, which would differ from patient to patient. The order of the vertebrae is anatomy; "L6" is
// for those who have one. Landmarks below the coccyx: common practice, no source.
var landmarkNames = []string{
	"vertex", "skull-base",
	"C1", "C2", "C3", "C4", "C5", "C6", "C7",
	"T1", "T2", "T3", "T4", "T5", "T6", "T7", "T8", "T9", "T10", "T11", "T12",
	"L1", "L2", "L3", "L4", "L5", "L6",
	"S1", "S2", "S3", "S4", "S5", "coccyx",
	"hip", "mid-thigh", "knee", "mid-calf", "ankle", "sole",
}

// Interval is a stretch of landmarks, both ends included. The zero value is not known.
type Interval struct {
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}

// stretch is an interval as indexes; ok false is not known.
type stretch struct {
	from, to int
	ok       bool
}

// landmarkIndex finds a landmark by its name as it is written above.
var landmarkIndex = func() map[string]int {
	m := map[string]int{}
	for i, n := range landmarkNames {
		m[n] = i
	}
	return m
}()

// landmark gives the index of a landmark name, any letter case.
func landmark(s string) (int, bool) {
	if i, ok := landmarkIndex[s]; ok || s == "" {
		return i, ok
	}
	s = strings.TrimSpace(s)
	for i, n := range landmarkNames {
		if strings.EqualFold(n, s) {
			return i, true
		}
	}
	return 0, false
}

func (i Interval) stretch() stretch { return spanStretch(i.From, i.To) }

func spanStretch(from, to string) stretch {
	a, ok1 := landmark(from)
	b, ok2 := landmark(to)
	if !ok1 || !ok2 || a > b {
		return stretch{}
	}
	return stretch{a, b, true}
}

func (s stretch) within(t stretch) bool   { return s.from >= t.from && s.to <= t.to }
func (s stretch) overlaps(t stretch) bool { return s.from <= t.to && t.from <= s.to }

// vertebrae is where each part of the spine begins among the landmarks, and how many it has.
var vertebrae = map[byte]struct{ first, count int }{'C': {2, 7}, 'T': {9, 12}, 'L': {21, 6}, 'S': {27, 5}}

// levelStretch reads a bony level or span of a record: "L3", "T8-T9", "T12-L1". Anything else is not known.
func levelStretch(s string) stretch {
	from, to, span := strings.Cut(s, "-")
	if !span {
		to = from
	}
	a, b := vertebra(from), vertebra(to)
	if a < 0 || b < a {
		return stretch{}
	}
	return stretch{a, b, true}
}

// vertebra gives the index of "L3", -1 when it is none.
func vertebra(s string) int {
	if len(s) < 2 || len(s) > 3 {
		return -1
	}
	v := vertebrae[s[0]]
	n, err := strconv.Atoi(s[1:])
	if err != nil || n < 1 || n > v.count || s[1] == '0' || s[1] == '+' {
		return -1
	}
	return v.first + n - 1
}

// regionStretch is where in the body a region lies, for the distance of a part from the isocentre. Generous on
// both sides: a part may be anywhere in it. Common practice, no source.
var regionStretch = map[string]Interval{
	codes.Head: {"vertex", "C2"}, codes.Brain: {"vertex", "C2"}, codes.Neck: {"skull-base", "T2"},
	codes.CervicalBack: {"C1", "C7"}, codes.ThoracicBack: {"T1", "T12"}, codes.LumbarBack: {"L1", "L6"},
	codes.Sacrum: {"S1", "coccyx"}, codes.Buttock: {"L5", "hip"}, codes.Flank: {"T10", "L6"},
	codes.Abdomen: {"T8", "S1"}, codes.Chest: {"T1", "T10"}, codes.Pelvis: {"L5", "hip"}, codes.Hip: {"S1", "mid-thigh"},
}
