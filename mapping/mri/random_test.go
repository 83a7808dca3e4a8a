package mri_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// dice draws random but sensible inputs: mostly what fits, sometimes what does not, sometimes nothing.
type dice struct{ *rand.Rand }

func newDice(seed uint64) dice { return dice{rand.New(rand.NewPCG(seed, 7))} }

func (d dice) chance(percent int) bool { return d.IntN(100) < percent }

func pick[T any](d dice, from ...T) T { return from[d.IntN(len(from))] }

// some draws each word with the chance given; at least one when must.
func (d dice) some(percent int, must bool, words ...string) (out []string) {
	for _, w := range words {
		if d.chance(percent) {
			out = append(out, w)
		}
	}
	if must && len(out) == 0 {
		out = []string{pick(d, words...)}
	}
	return out
}

func (d dice) maybe(percent int, words ...string) string {
	if d.chance(percent) {
		return pick(d, words...)
	}
	return ""
}

const maker = "Tarnbeck Devices"

func (d dice) span(names ...string) *mri.Span {
	i := d.IntN(len(names))
	j := i + d.IntN(len(names)-i)
	return &mri.Span{From: names[i], To: names[j]}
}

func (d dice) set(id string) mri.ConditionSet {
	s := mri.ConditionSet{ID: id}
	if d.chance(97) {
		s.Fields = d.some(85, true, "1.5 T", "3 T", "15000 G")
	}
	s.FieldAtMost = d.maybe(10, "3 T", "1.5 T")
	if d.chance(50) {
		s.Magnets = d.some(70, true, "cylindrical", "cylindrical", "open")
	}
	if d.chance(30) {
		s.Nuclei = []string{"1H"}
	}
	s.SpatialGradient = d.maybe(97, "20 T/m", "3000 G/cm", "40 T/m", "40 T/m", "720 G/cm", "19,5 T/m")
	s.SlewRate = d.maybe(80, "200 T/m/s", "150 T/m/s", "200 mT/m/ms")
	s.DBDt = d.maybe(20, "80 T/s", "40 T/s")
	if d.chance(50) {
		s.Excitation = d.some(85, true, "circular", "multichannel")
	}
	if d.chance(95) {
		s.Coils = d.some(80, true, "body", "head", "extremity")
	}
	if d.chance(80) {
		s.Modes = d.some(85, true, "normal", "first-level")
	}
	s.WholeBodySAR = d.maybe(80, "2 W/kg", "0,4 W/kg", "1.5 mW/g")
	s.HeadSAR = d.maybe(40, "3.2 W/kg", "1 W/kg")
	s.PartialBodySAR = d.maybe(15, "2 W/kg")
	s.B1Rms = d.maybe(30, "2 µT", "2.8 uT")
	s.ScanTime = d.maybe(50, "30 min", "0.5 h", "15 min")
	s.Wait = d.maybe(30, "5 min", "1 h")
	s.Session = d.maybe(20, "60 min")
	if d.chance(95) {
		s.Region = d.region()
	}
	if d.chance(40) {
		s.Positions = d.some(60, true, "supine", "prone")
	}
	s.Before = d.some(40, false, "therapy-off", "mr-mode", "battery", "impedance", "clear-of-midline")
	s.Patient = d.some(30, false, "afebrile", "can-report")
	s.After = d.some(30, false, "mr-mode-off", "check-function")
	s.Healing = d.maybe(40, "6 weeks", "14 days", "14 days", "0 days")
	if d.chance(30) {
		a := mri.Allowance{Kind: pick(d, implant.Lead, implant.Extension), States: []implant.State{pick(d, implant.Capped, implant.Cut), implant.NotConnected}}
		if d.chance(40) {
			a.Models = []string{pick(d, "L1", "L2")}
		}
		if d.chance(40) {
			a.Regions = []string{"lumbar-spine"}
		}
		s.Abandoned = []mri.Allowance{a}
	}
	s.OtherActive = d.maybe(60, "barred", "allowed", "allowed")
	if d.chance(45) { // a generous label, so that enough cases are within one
		s.Fields, s.FieldAtMost, s.Magnets = []string{"1.5 T", "3 T"}, "", nil
		s.SpatialGradient, s.SlewRate, s.DBDt = d.maybe(100, "40 T/m", "3000 G/cm"), d.maybe(90, "200 T/m/s"), ""
		s.Region, s.Coils = &mri.RegionRule{WholeBody: true}, []string{"body", "head", "extremity"}
	}
	return s
}

func (d dice) region() *mri.RegionRule {
	if d.chance(65) {
		return &mri.RegionRule{WholeBody: true}
	}
	r := &mri.RegionRule{}
	if d.chance(40) {
		r.Regions = d.some(50, true, "head", "brain", "knee", "lumbar-spine")
	}
	if d.chance(50) {
		r.Permit = append(r.Permit, *d.span("vertex", "C4", "C7", "T6", "T12", "S1", "sole"))
	}
	if d.chance(40) {
		r.Exclude = append(r.Exclude, *d.span("T6", "T10", "L2", "L5", "coccyx"))
	}
	if d.chance(20) || len(r.Regions)+len(r.Permit)+len(r.Exclude) == 0 {
		r.Distance = pick(d, "30 cm", "400 mm")
		r.From = d.some(40, false, "generator", "lead")
	}
	return r
}

func (d dice) slot(kind implant.Kind, least, most int, models ...string) mri.Slot {
	s := mri.Slot{Kind: kind, Models: models, Min: least, Max: most}
	if d.chance(30) {
		s.DIs = []string{"DI-" + models[0]}
	}
	switch kind {
	case implant.Generator:
		if d.chance(30) {
			s.Pockets = d.some(70, true, "buttock", "flank", "abdomen")
		}
	case implant.Lead:
		if d.chance(20) {
			s.Regions = []string{pick(d, "lumbar-spine", "lumbar-spine", "thoracic-spine")}
		}
		if d.chance(20) {
			s.Levels = d.span("T8", "T12", "L1", "L4", "L5")
		}
		if d.chance(10) {
			s.Tip = d.span("T8", "T10", "L1", "L5")
		}
		if d.chance(5) {
			s.Entry = d.span("T8", "L2", "L5")
		}
		if d.chance(8) {
			s.Sides = []implant.Side{pick(d, implant.Left, implant.Right), implant.Right}
		}
		if d.chance(8) {
			s.Lengths = []string{"45 cm", "600 mm"}
		}
	}
	return s
}

func (d dice) sets() (out []mri.ConditionSet) {
	for i := range 1 + d.IntN(2) {
		out = append(out, d.set(fmt.Sprintf("s%d", i)))
	}
	return out
}

// labelling draws a file of two or three systems and a few passive parts.
func (d dice) labelling(t testing.TB, edition string) mri.Labelling {
	l := mri.Labelling{Format: mri.LabellingFormat, Documents: []mri.Document{
		{ID: "D1" + edition, Maker: maker, Edition: edition, Issued: implant.When(pick(d, "2024-01-01", "2025-05", "2004-03-01")), Reviewed: implant.When(d.maybe(95, "2026-10-01", "2026-10-01", "2026-10-02", "2026-10-03", "2026-09", "2026-11-25", "2026-11-24", "2025-11-25", "2025-10-01"))},
		{ID: "D2" + edition, Maker: maker, Edition: edition, Issued: "2025-01-01", Reviewed: "2026-11-01", Withdrawn: d.chance(3)},
	}}
	doc := func() string { return pick(d, "D1", "D2", "D2") + edition }
	for i, gen := range []string{"G1", "G2", "G1"}[:2+d.IntN(2)] {
		s := mri.System{ID: fmt.Sprintf("sys%d", i), Document: doc(), Sets: d.sets()}
		s.Parts = append(s.Parts, d.slot(implant.Generator, 1, pick(d, 1, 1, 1, 2), gen))
		s.Parts = append(s.Parts, d.slot(implant.Lead, pick(d, 0, 1, 1), 2+d.IntN(2), "L1"))
		if d.chance(50) {
			s.Parts = append(s.Parts, d.slot(implant.Lead, 0, 1+d.IntN(2), "L2", "L3"))
		}
		if d.chance(40) {
			s.Parts = append(s.Parts, d.slot(implant.Extension, 0, 1, "X1"))
		}
		if d.chance(40) {
			s.Parts = append(s.Parts, d.slot(implant.Anchor, 0, 2, "A1"))
		}
		s.LeadsMin, s.LeadsMax = d.IntN(2), pick(d, 0, 0, 2, 4)
		l.Systems = append(l.Systems, s)
	}
	if d.chance(15) {
		l.Systems = append(l.Systems, mri.System{ID: "alone", Document: doc(), Parts: []mri.Slot{d.slot(implant.Lead, 1, 2, "L1")}, Sets: d.sets()})
	}
	comp := func(id string, k implant.Kind, status implant.MRStatus, model string) {
		c := mri.ComponentLabel{ID: id, Document: doc(), Kind: k, Models: []string{model}, Status: status}
		if status == implant.MRConditional {
			c.Sets = d.sets()
		}
		if d.chance(20) {
			c.DIs = []string{"DI-" + model}
		}
		l.Components = append(l.Components, c)
	}
	comp("screw", implant.Hardware, implant.MRConditional, "S1")
	if d.chance(50) {
		comp("cage", implant.Hardware, pick(d, implant.MRSafe, implant.NotEvaluated, implant.MRConditional), "S2")
	}
	if d.chance(50) {
		comp("anchor", implant.Anchor, pick(d, implant.MRSafe, implant.MRConditional), "A1")
	}
	if d.chance(50) {
		comp("unsafe", implant.Generator, implant.MRUnsafe, "G9")
	}
	b, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	out, err := mri.ParseLabelling(b)
	if err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	return out
}

func (d dice) scanners(t testing.TB) []mri.Scanner {
	var list []mri.Scanner
	for i := range pick(d, 0, 1, 2, 2, 3, 3, 3, 4, 4, 4) {
		s := mri.Scanner{ID: fmt.Sprintf("m%d", i), Site: pick(d, "north", "north", "harbour"),
			Field: d.maybe(97, "1.5 T", "1.5 T", "1.5 T", "1.5 T", "3 T", "3 T", "0.55 T"), Magnet: d.maybe(97, "cylindrical", "cylindrical", "cylindrical", "cylindrical", "open"),
			SpatialGradient: d.maybe(95, "18 T/m", "1500 G/cm", "7.1 T/m", "25 T/m", "7.2 T/m"), SlewRate: d.maybe(95, "200 T/m/s", "150 T/m/s", "45 T/m/s"),
			DBDt: d.maybe(85, "60 T/s", "40 T/s", "80 T/s"), SlewLimit: d.maybe(90, "yes", "yes", "no"), B1Rms: d.maybe(93, "limited", "shown", "limited", "no")}
		if d.chance(95) {
			s.Modes = d.some(80, true, "normal", "first-level")
		}
		if d.chance(95) {
			s.Coils = d.some(75, true, "body", "head", "extremity")
		}
		if d.chance(90) {
			s.Excitation = d.some(70, true, "circular", "multichannel")
		}
		list = append(list, s)
	}
	return parseScanners(t, list)
}

func parseScanners(t testing.TB, list []mri.Scanner) []mri.Scanner {
	b, err := json.Marshal(map[string]any{"format": mri.ScannersFormat, "scanners": list})
	if err != nil {
		t.Fatal(err)
	}
	out, err := mri.ParseScanners(b)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func (d dice) part(id string, kind implant.Kind, system, model string) implant.Part {
	p := implant.Part{ID: id, System: system, State: implant.Connected, Component: implant.Component{Kind: kind, Maker: maker, Model: model}}
	p.Implanted = implant.When(d.maybe(96, "2025-01-01", "2025-01-01", "2025-01-01", "2025-01-01", "2025-01-01", "2025-01-01", "2025-01-01", "2025", "2024-05", "2026-11-01", "2026-11", "2026-10-14", "2026", "[2026-03-04,2026-11-04]"))
	switch kind {
	case implant.Generator:
		p.Site.Pocket = d.maybe(92, "buttock", "buttock", "buttock", "flank", "abdomen", "back")
		p.Site.Region = d.maybe(20, "buttock", "chest")
	case implant.Lead:
		p.Site = implant.Site{Region: d.maybe(92, "lumbar-spine", "lumbar-spine", "lumbar-spine", "thoracic-spine", "spine", "spinal-canal"),
			Level: d.maybe(80, "L2", "L3", "T9", "T12-L1", "L4-L5", "L2/3"), Tip: d.maybe(60, "T9", "L1", "L3"),
			Entry: d.maybe(40, "L1", "L3"), Side: implant.Side(d.maybe(85, "left", "right", "bilateral", "midline"))}
		p.Component.Name = d.maybe(50, "lead 45 cm", "lead, 60 cm", "lead 90 cm")
	}
	switch d.IntN(110) {
	case 0:
		p.Component.Maker = ""
	case 1:
		p.Component.Model = ""
	case 2:
		p.Component.Kind = pick(d, implant.Unidentified, "", implant.Hardware)
	case 3:
		p.State = pick(d, implant.ReportedRemoved, implant.StateUnknown, "")
	case 4, 5:
		p.State = pick(d, implant.Capped, implant.NotConnected, implant.Cut, implant.SoughtNotFound, implant.RemovedInPart)
	case 6, 7:
		p.State = pick(d, implant.RemovedWhole, implant.NeverImplanted)
	case 8:
		p.Label = pick(d, implant.MRUnsafe, implant.MRSafe, implant.MRConflict, implant.LabelSilent, "MR compatible")
	case 9:
		p.Function = pick(d, "non-functional", "disabled")
	case 10:
		p.Component.DI = pick(d, "DI-"+model, "DI-other")
	case 11:
		p.Component.DI, p.Component.Model = "DI-"+model, ""
	case 12:
		p.Component.Count = 2
	case 13:
		p.System = pick(d, "", "sysA", "sysB")
	case 14:
		p.Component.Maker = pick(d, "tarnbeck  devices ", "Morvane Medical")
	}
	return p
}

func (d dice) record() implant.Record {
	r := implant.Record{Patient: "p"}
	n := 0
	add := func(kind implant.Kind, system, model string) {
		r.Parts = append(r.Parts, d.part(fmt.Sprintf("p%d", n), kind, system, model))
		n++
	}
	system := func(name string) {
		add(implant.Generator, name, pick(d, "G1", "G1", "G1", "G1", "G1", "G1", "G1", "G1", "G2", "G2", "G2", "G2", "G9", "G9", "G7"))
		for range 1 + d.IntN(2) {
			add(implant.Lead, name, pick(d, "L1", "L1", "L1", "L1", "L1", "L1", "L1", "L1", "L1", "L1", "L2", "L3", "L9"))
		}
		if d.chance(8) {
			add(implant.Extension, name, pick(d, "X1", "X1", "X2"))
		}
		if d.chance(8) {
			add(implant.Anchor, name, pick(d, "A1", "A1", "A2"))
		}
	}
	if d.chance(85) {
		system("sysA")
	}
	if d.chance(18) {
		system("sysB")
	}
	if d.chance(5) {
		add(implant.Lead, "sysC", "L1")
	}
	for range d.IntN(6) - 4 {
		add(implant.Hardware, "", pick(d, "S1", "S1", "S2"))
	}
	if d.chance(4) {
		r.Questions = []implant.Question{{ID: "q1", Code: implant.AskSideConflict, MR: d.chance(60)}}
	}
	if d.chance(10) && n > 0 {
		r.Events = []implant.Event{{ID: "e", Kind: pick(d, implant.EventRevised, implant.EventFollowUp), At: implant.When(d.maybe(90, "2026-11-10", "2026-01-10")), Parts: []string{"p1"}}}
	}
	return r
}

func (d dice) exam() mri.Exam {
	e := mri.Exam{Date: implant.When(d.maybe(60, "2026-11-26", "2026-12-20", "2026-12", "2026-01-01", "2027"))}
	for range pick(d, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 2) {
		p := mri.RegionPlan(pick(d, "brain", "brain", "brain", "head", "lumbar-spine", "knee", "cervical-spine", "thoracic-spine", "upper-limb", "whole-body", "elsewhere"))
		switch d.IntN(40) {
		case 0:
			p.Coils = nil
		case 1:
			p.Isocentre = mri.Interval{}
		case 2:
			p.Centre = ""
		}
		e.Regions = append(e.Regions, p)
	}
	for _, code := range []string{"impedance", "battery", "afebrile", "patient-position", "clear-of-midline"} {
		if d.chance(8) {
			if e.Checks == nil {
				e.Checks = map[string]mri.Truth{}
			}
			e.Checks[code] = pick(d, mri.Met, mri.Met, mri.NotMet, mri.Unknown)
		}
	}
	if d.chance(5) {
		if e.Checks == nil {
			e.Checks = map[string]mri.Truth{}
		}
		limit := pick(d, "whole-body-sar", "head-sar", "partial-body-sar", "b1-rms", "scan-time", "wait", "session-time")
		e.Checks[limit] = pick(d, mri.Met, mri.NotMet, mri.NotMet, mri.Unknown)
	}
	return e
}

func (d dice) world(labels []mri.Labelling, scanners []mri.Scanner) world {
	return world{memo: map[string]memory{}, rec: d.record(), exam: d.exam(), labels: labels, scanners: scanners,
		interval: pick(d, 0, 0, 0, 90*24*time.Hour), site: d.maybe(40, "north"), asOf: time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)}
}

func (w world) decide() mri.Verdict {
	return mri.Decide(w.rec, w.exam, w.labels, w.scanners, mri.Policy{ReviewInterval: w.interval, Site: w.site}, w.asOf)
}
