package mri

import (
	"fmt"
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// index is a labelling file made ready to be asked.
type index struct {
	models  map[modelKey][]entry
	dis     map[string][]entry // by device identifier
	systems map[string]*system // by ID
	comps   map[string]*comp   // by ID
}

// modelKey names a model of a maker, both evened out by fold.
type modelKey struct{ maker, model string }

// entry is a place in which a label names a model.
type entry struct {
	system *system
	slot   int
	comp   *comp
}

// system is a compiled System.
type system struct {
	*System
	ref     string
	doc     *Document
	slots   []slot
	sets    []set
	sourced bool // has a slot for a power source
}

type slot struct {
	*Slot
	keys               []modelKey
	lengths            []Amount
	levels, tip, entry stretch
}

// comp is a compiled ComponentLabel.
type comp struct {
	*ComponentLabel
	ref  string
	doc  *Document
	keys []modelKey
	sets []set
}

// The numbers of a set, by index.
const (
	qGradient = iota
	qSlew
	qDBDt
	qWholeBody
	qHead
	qPartial
	qB1
	qScan
	qWait
	qSession
	quantities
)

// quantityInfo says of each number how it is named, measured, combined and judged for sense.
var quantityInfo = [quantities]struct {
	code        string
	dim         Dimension
	least       bool   // a wait: the longest counts
	low, high   Amount // outside of these a complaint, not an error
	senseSource string
}{
	qGradient:  {ElementSpatialGradient, FieldGradient, false, micro / 2, 100 * micro, "labels state 1.5 to 40 T/m; common practice, no source"},
	qSlew:      {ElementSlewRate, SlewRate, false, 5 * micro, 500 * micro, "whole-body scanners do 100 to 200 T/m/s; common practice, no source"},
	qDBDt:      {ElementDBDt, FieldRate, false, micro, 500 * micro, "common practice, no source"},
	qWholeBody: {ElementWholeBodySAR, SAR, false, micro / 100, 4 * micro, "4 W/kg is the First Level limit, IEC 60601-2-33"},
	qHead:      {ElementHeadSAR, SAR, false, micro / 100, 32 * micro / 10, "3.2 W/kg is the limit, IEC 60601-2-33"},
	qPartial:   {ElementPartialBodySAR, SAR, false, micro / 100, 10 * micro, "10 W/kg is the limit, IEC 60601-2-33"},
	qB1:        {ElementB1Rms, B1, false, micro / 10, 10 * micro, "labels state 1 to 5 µT; common practice, no source"},
	qScan:      {ElementScanTime, Duration, false, micro, 240 * micro, "common practice, no source"},
	qWait:      {ElementWait, Duration, true, micro, 1440 * micro, "common practice, no source"},
	qSession:   {ElementSession, Duration, false, micro, 480 * micro, "common practice, no source"},
}

// set is a compiled ConditionSet.
type set struct {
	*ConditionSet
	ref                               string // "document/system#set"
	doc                               *Document
	active                            bool
	fields                            []Amount
	atMost                            Amount // 0 not stated
	q                                 [quantities]Quantity
	magnets, coils, modes, excitation bits
	positions, nuclei                 bits
	permit, exclude                   []stretch
	distance                          Quantity
	healing                           int // days; -1 not stated
	checks                            []string
	silences                          []silent
	before, after                     uint16                 // which of checkCodes and afterCodes
	asks                              uint32                 // which of askings
	askWords                          [len(askings)][]string // none or one
	refs                              []string               // ref alone
	fixed                             uint8                  // which properties of a scanner it states something about
	fixedWords                        [properties]string
	fieldText, magnetText             string // what is permitted, in words
	limitWords                        [quantities]string
}

func (s *set) has(i int) bool { return s.q[i].Printed != "" }

func (s *set) hasRF() bool { return s.has(qWholeBody) || s.has(qHead) || s.has(qPartial) || s.has(qB1) }

// fold evens out what does not tell two makers or models apart: letter case, blanks around and doubled, the
// several hyphens of Unicode. Nothing else: "TBL-45" and "TB-L45" stay two models.
func fold(s string) string {
	clean := true // but for letter case
	for i := 0; i < len(s) && clean; i++ {
		c := s[i]
		clean = c < 0x80 && c >= ' ' && (c != ' ' || i > 0 && i < len(s)-1 && s[i+1] != ' ')
	}
	if clean {
		return strings.ToUpper(s)
	}
	return strings.ToUpper(strings.Join(strings.Fields(strings.Map(plain, s)), " "))
}

// plain gives the ASCII hyphen for the hyphens and the minus sign of Unicode.
func plain(r rune) rune {
	switch r {
	case '\u2010', '\u2011', '\u2012', '\u2013', '\u2212':
		return '-'
	}
	return r
}

// compiler gathers complaints while a file is made ready.
type compiler struct {
	l    *Labelling
	docs map[string]*Document
	out  *index
}

// compile reads every number and word of the file, fills the index and keeps the complaints.
func (l *Labelling) compile() {
	c := &compiler{l: l, docs: map[string]*Document{}, out: &index{
		models: map[modelKey][]entry{}, dis: map[string][]entry{}, systems: map[string]*system{}, comps: map[string]*comp{}}}
	l.complaints = nil
	if l.Format != LabellingFormat {
		c.errorf("format", "format is %.40q, this program reads %q", l.Format, LabellingFormat)
	}
	c.documents()
	if len(l.Systems) > maxSystems || len(l.Components) > maxSystems {
		c.errorf("systems", "more than %d systems or components", maxSystems)
	} else {
		for i := range l.Systems {
			c.system(fmt.Sprintf("systems[%d]", i), &l.Systems[i])
		}
		for i := range l.Components {
			c.component(fmt.Sprintf("components[%d]", i), &l.Components[i])
		}
	}
	l.index = c.out
}

func (c *compiler) system(path string, s *System) {
	doc := c.doc(path, s.Document)
	if s.ID == "" || c.out.systems[s.ID] != nil {
		c.errorf(path+".id", "id %.40q is empty or used twice; one edition of a system may be in a file", s.ID)
	}
	out := &system{System: s, ref: s.Document + "/" + s.ID, doc: doc}
	maker := s.Maker
	if maker == "" {
		maker = doc.Maker
	}
	if len(s.Parts) == 0 || len(s.Parts) > maxSlots {
		c.errorf(path+".parts", "a combination has between 1 and %d kinds of part", maxSlots)
	}
	seen := map[modelKey]bool{}
	for i := range s.Parts {
		p := fmt.Sprintf("%s.parts[%d]", path, i)
		out.slots = append(out.slots, c.slot(p, &s.Parts[i]))
		out.sourced = out.sourced || source(s.Parts[i].Kind)
		out.slots[i].keys = c.keys(p, s.Parts[i].Maker, maker, s.Parts[i].Models)
		for _, k := range out.slots[i].keys {
			if seen[k] {
				c.errorf(p+".models", "%.40q is in two slots of one combination; make two systems of it", k.model)
			}
			seen[k] = true
			c.out.models[k] = append(c.out.models[k], entry{system: out, slot: i})
		}
		for _, di := range s.Parts[i].DIs {
			c.out.dis[di] = append(c.out.dis[di], entry{system: out, slot: i})
		}
	}
	if s.LeadsMax > 0 && s.LeadsMin > s.LeadsMax {
		c.errorf(path+".leadsMin", "fewest leads %d is more than most %d", s.LeadsMin, s.LeadsMax)
	}
	out.sets = c.sets(path, out.ref, doc, true, s.Sets)
	if len(out.sets) == 0 {
		c.errorf(path+".sets", "a system needs at least one condition set; a part that is MR Unsafe goes to components")
	}
	c.out.systems[s.ID] = out
}

func (c *compiler) slot(path string, s *Slot) slot {
	out := slot{Slot: s}
	if s.Min < 0 || s.Max < 1 || s.Min > s.Max {
		c.errorf(path, "min %d and max %d: the label permits between 0 and some parts, at least one", s.Min, s.Max)
	}
	if !knownKind(s.Kind) {
		c.errorf(path+".kind", "%.40q is no kind of part", s.Kind)
	}
	for i, text := range s.Lengths {
		if q, ok := c.quantity(fmt.Sprintf("%s.lengths[%d]", path, i), text, Length); ok {
			out.lengths = append(out.lengths, q.Amount)
		}
	}
	out.levels = c.span(path+".levels", s.Levels)
	out.tip = c.span(path+".tip", s.Tip)
	out.entry = c.span(path+".entry", s.Entry)
	for _, side := range s.Sides {
		if !slices.Contains([]implant.Side{implant.Left, implant.Right, implant.Midline}, side) {
			c.errorf(path+".sides", "%.40q is not left, right or midline", side)
		}
	}
	c.regions(path+".regions", s.Regions)
	c.regions(path+".pockets", s.Pockets)
	return out
}

func (c *compiler) component(path string, l *ComponentLabel) {
	doc := c.doc(path, l.Document)
	if l.ID == "" || c.out.comps[l.ID] != nil {
		c.errorf(path+".id", "id %.40q is empty or used twice", l.ID)
	}
	out := &comp{ComponentLabel: l, ref: l.Document + "/" + l.ID, doc: doc}
	c.componentStatus(path, l, doc)
	out.sets = c.sets(path, out.ref, doc, false, l.Sets)
	out.keys = c.keys(path, l.Maker, doc.Maker, l.Models)
	for _, k := range out.keys {
		c.out.models[k] = append(c.out.models[k], entry{comp: out})
	}
	for _, di := range l.DIs {
		c.out.dis[di] = append(c.out.dis[di], entry{comp: out})
	}
	c.out.comps[l.ID] = out
}

// componentStatus checks that the status fits the kind of part and the age of the words.
func (c *compiler) componentStatus(path string, l *ComponentLabel, doc *Document) {
	if !knownKind(l.Kind) {
		c.errorf(path+".kind", "%.40q is no kind of part", l.Kind)
	}
	switch l.Status {
	case implant.MRUnsafe, implant.LabelSilent, implant.NotEvaluated:
		if len(l.Sets) > 0 {
			c.errorf(path+".sets", "a part labelled %q has no conditions under which it may be scanned", l.Status)
		}
	case implant.MRSafe:
		if active(l.Kind) {
			c.errorf(path+".status", "MR Safe means non-conducting, non-metallic, non-magnetic (ASTM F2503); a %s is none of these", l.Kind)
		}
		if oldMarking(doc) {
			c.warnf(path+".status", "MR Safe in words from before August 2005 meant safe under conditions (ASTM F2503-05 changed it); it is quoted and not used")
		}
		if len(l.Sets) > 0 {
			c.errorf(path+".sets", "MR Safe has no conditions; a part with conditions is MR Conditional")
		}
	case implant.MRConditional:
		if active(l.Kind) {
			c.errorf(path+".status", "the label of a %s is that of a combination (system), not of the part alone", l.Kind)
		}
		if len(l.Sets) == 0 {
			c.errorf(path+".sets", "MR Conditional without conditions")
		}
	default:
		c.errorf(path+".status", "%.40q is not a status of the marking standard, nor silent, nor not evaluated", l.Status)
	}
}

// oldMarking says whether a document's "MR Safe" may be of the wording before ASTM F2503-05 (August 2005): it
// is, unless the whole stated time of issue is after.
func oldMarking(d *Document) bool {
	from, _, ok := d.Issued.Bounds()
	return !ok || from.Format("2006-01") < "2005-09"
}

func (c *compiler) keys(path, own, inherited string, models []string) []modelKey {
	maker := own
	if maker == "" {
		maker = inherited
	}
	if fold(maker) == "" {
		c.errorf(path+".maker", "no maker, here or in the document")
	}
	if len(models) == 0 || len(models) > maxListed {
		c.errorf(path+".models", "names between 1 and %d models", maxListed)
		return nil
	}
	var out []modelKey
	for _, m := range models {
		if fold(m) == "" {
			c.errorf(path+".models", "an empty model")
			continue
		}
		out = append(out, modelKey{fold(maker), fold(m)})
	}
	return out
}

// source says whether a kind of part has its own power and so makes a system of its own.
func source(k implant.Kind) bool {
	return k == implant.Generator || k == implant.Pump || k == implant.OtherActive
}

// active says whether a kind of part belongs to an active system; the others are judged by their own label.
func active(k implant.Kind) bool { return k != implant.Hardware && k != implant.Anchor }

func knownKind(k implant.Kind) bool {
	switch k {
	case implant.Generator, implant.Lead, implant.Extension, implant.Adaptor, implant.Anchor, implant.Pump,
		implant.Catheter, implant.Hardware, implant.OtherActive:
		return true
	}
	return false
}
