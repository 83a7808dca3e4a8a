package mri_test

import (
	"math/big"
	"slices"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// setTruth judges what a condition set states apart from the scanner.
func (w world) setTruth(c *choice, parts []implant.Part) {
	t := yes
	s := c.set
	noRF := s.WholeBodySAR == "" && s.HeadSAR == "" && s.PartialBodySAR == "" && s.B1Rms == ""
	if len(s.Fields) == 0 && s.FieldAtMost == "" || s.SpatialGradient == "" || noRF {
		t = dunno
	}
	if c.act && (s.Region == nil || len(s.Coils) == 0) {
		t = dunno
	}
	if s.Region != nil {
		t = all(t, w.region(s.Region))
		if s.Region.Distance != "" {
			t = all(t, w.distance(c, s.Region, parts))
		}
	}
	for _, code := range append(append([]string{}, s.Before...), s.Patient...) {
		if w.exam.Checks[code] == mri.NotMet {
			t = no
		}
	}
	if len(s.Positions) > 0 && w.exam.Checks["patient-position"] == mri.NotMet {
		t = no
	}
	for code, printed := range map[string]string{"whole-body-sar": s.WholeBodySAR, "head-sar": s.HeadSAR, "partial-body-sar": s.PartialBodySAR,
		"b1-rms": s.B1Rms, "scan-time": s.ScanTime, "wait": s.Wait, "session-time": s.Session} {
		if printed != "" && w.exam.Checks[code] == mri.NotMet {
			t = no
		}
	}
	c.now, c.day = all(c.now, t), all(c.day, t)
	if s.Healing == "" {
		return
	}
	days, _ := rat(s.Healing, "d").Float64()
	for _, p := range parts {
		if days == 0 {
			break
		}
		_, until, ok := p.Implanted.Bounds()
		for _, e := range w.rec.Events {
			touches := slices.Contains(e.In, p.ID) || slices.Contains(e.Parts, p.ID)
			if touches && (e.Kind == implant.EventRevised || e.Kind == implant.EventReplaced || e.Kind == implant.EventRepositioned) {
				_, u, known := e.At.Bounds()
				ok = ok && known
				if u.After(until) {
					until = u
				}
			}
		}
		if !ok {
			c.now, c.day = all(c.now, dunno), all(c.day, dunno)
			continue
		}
		last := until.Add(-time.Microsecond).Truncate(24 * time.Hour)
		healed := last.AddDate(0, 0, int(days))
		if w.scanDay().Before(healed) {
			c.now = no
			c.from = max(c.from, healed.Unix())
		}
	}
}

func (w world) scanDay() time.Time {
	d := w.asOf.Truncate(24 * time.Hour)
	if from, _, ok := w.exam.Date.Bounds(); ok && from.After(d) {
		d = from.Truncate(24 * time.Hour)
	}
	return d
}

func (w world) region(r *mri.RegionRule) tv {
	if len(r.Exclude) == 0 && len(r.Permit) == 0 && len(r.Regions) == 0 {
		return yes
	}
	if len(w.exam.Regions) == 0 {
		return dunno
	}
	t := yes
	for _, e := range w.exam.Regions {
		t = all(t, oneRegion(r, e))
	}
	return t
}

func oneRegion(r *mri.RegionRule, e mri.ExamRegion) tv {
	a, b := ends(e.Isocentre.From, e.Isocentre.To)
	centre := height(e.Centre)
	t := yes
	if len(r.Regions)+len(r.Permit) > 0 {
		byWord, bySpan := no, no
		if len(r.Regions) > 0 {
			byWord = is(slices.Contains(r.Regions, e.Region))
			if e.Region == "" {
				byWord = dunno
			}
		}
		if len(r.Permit) > 0 {
			touch, centreIn := false, centre < 0
			for _, sp := range r.Permit {
				x, y := ends(sp.From, sp.To)
				if a >= x && b <= y && a >= 0 {
					bySpan = yes
				}
				touch = touch || a <= y && x <= b
				centreIn = centreIn || centre >= x && centre <= y
			}
			if bySpan != yes && touch && centreIn {
				bySpan = dunno
			}
			if a < 0 {
				bySpan = dunno
			}
		}
		t = anyOf(byWord, bySpan)
	}
	for _, sp := range r.Exclude {
		x, y := ends(sp.From, sp.To)
		switch {
		case a < 0:
			t = all(t, dunno)
		case b < x || a > y:
		case a >= x && b <= y, centre >= x && centre <= y:
			t = no
		default:
			t = all(t, dunno)
		}
	}
	return t
}

// places is where parts of a region may lie, copied from the published table of the package by hand.
var places = map[string][2]string{
	"head": {"vertex", "C2"}, "brain": {"vertex", "C2"}, "neck": {"skull-base", "T2"}, "cervical-spine": {"C1", "C7"},
	"thoracic-spine": {"T1", "T12"}, "lumbar-spine": {"L1", "L6"}, "sacrum": {"S1", "coccyx"}, "buttock": {"L5", "hip"},
	"flank": {"T10", "L6"}, "abdomen": {"T8", "S1"}, "chest": {"T1", "T10"}, "pelvis": {"L5", "hip"}, "hip": {"S1", "mid-thigh"},
}

func (w world) distance(c *choice, r *mri.RegionRule, parts []implant.Part) tv {
	t := yes
	for _, p := range parts {
		if len(r.From) > 0 && !slices.Contains(r.From, string(p.Component.Kind)) {
			continue
		}
		c.distance = true
		x, y := levelEnds(p.Site.Level)
		if x < 0 {
			x, y = ends(places[p.Site.Pocket][0], places[p.Site.Pocket][1])
		}
		if x < 0 {
			x, y = ends(places[p.Site.Region][0], places[p.Site.Region][1])
		}
		if len(w.exam.Regions) == 0 {
			t = all(t, dunno)
		}
		for _, e := range w.exam.Regions {
			a, b := ends(e.Isocentre.From, e.Isocentre.To)
			switch {
			case a < 0 || x < 0:
				t = all(t, dunno)
			case a <= y && x <= b:
				t = no
			}
		}
	}
	return t
}

// onScanner tries every combination of choices.
func (w world) onScanner(sc mri.Scanner, units [][]choice, whole tv, f *finding) (now tv, change string) {
	combos := [][]choice{nil}
	for _, u := range units {
		var next [][]choice
		for _, done := range combos {
			for _, c := range u {
				next = append(next, append(slices.Clone(done), c))
			}
		}
		combos = next
	}
	now = no
	if len(units) == 0 {
		now = all(whole, dunno)
		combos = nil
	}
	for _, combo := range combos {
		n, h, from := whole, whole, int64(0)
		for _, c := range combo {
			n, h, from = all(n, c.now), all(h, c.day), max(from, c.from)
			if c.needs != nil && !slices.ContainsFunc(combo, func(o choice) bool { return o.sys == c.needs }) {
				n, h = no, no
			}
			if c.set != nil {
				t := fixed(c.set, sc)
				n, h = all(n, t), all(h, t)
			}
		}
		t, coil := w.operator(combo, sc)
		n, h = all(n, t), all(h, t)
		now = anyOf(now, n)
		if n == yes {
			w.keep(f, sc, combo, coil)
		} else if h == yes {
			d := time.Unix(from, 0).UTC().Format(time.DateOnly)
			if change == "" || d < change {
				change = d
			}
		}
	}
	if now == yes {
		change = ""
	}
	return now, change
}

// fixed judges what the operator cannot choose.
func fixed(s *mri.ConditionSet, sc mri.Scanner) tv {
	t := yes
	if len(s.Fields) > 0 || s.FieldAtMost != "" {
		if sc.Field == "" {
			t = dunno
		} else {
			has := rat(sc.Field, "T")
			in := len(s.Fields) == 0
			for _, x := range s.Fields {
				in = in || rat(x, "T").Cmp(has) == 0
			}
			t = all(t, is(in && (s.FieldAtMost == "" || has.Cmp(rat(s.FieldAtMost, "T")) <= 0)))
		}
	}
	if len(s.Magnets) > 0 {
		if sc.Magnet == "" {
			t = all(t, dunno)
		} else {
			t = all(t, is(slices.Contains(s.Magnets, sc.Magnet)))
		}
	}
	below := func(has, limit, unit string) tv {
		if has == "" {
			return dunno
		}
		return is(rat(has, unit).Cmp(rat(limit, unit)) <= 0)
	}
	held := func(has, limit, unit string) tv {
		u := below(has, limit, unit)
		if u == yes || sc.SlewLimit == "yes" {
			return yes
		}
		if sc.SlewLimit == "" {
			return dunno
		}
		return u
	}
	if s.SpatialGradient != "" {
		t = all(t, below(sc.SpatialGradient, s.SpatialGradient, "T/m"))
	}
	if s.SlewRate != "" {
		t = all(t, held(sc.SlewRate, s.SlewRate, "T/m/s"))
	}
	if s.DBDt != "" {
		t = all(t, held(sc.DBDt, s.DBDt, "T/s"))
	}
	if s.B1Rms != "" {
		t = all(t, map[string]tv{"no": no, "": dunno, "shown": yes, "limited": yes}[sc.B1Rms])
	}
	return t
}

// operator judges what is chosen at the scanner: the labels' lists intersect, with the scanner's and the exam's.
func (w world) operator(combo []choice, sc mri.Scanner) (tv, []string) {
	t := yes
	shared := func(get func(*mri.ConditionSet) []string) (words []string, stated bool) {
		for _, c := range combo {
			if c.set == nil || len(get(c.set)) == 0 {
				continue
			}
			if !stated {
				words, stated = get(c.set), true
				continue
			}
			words = both(words, get(c.set))
		}
		return words, stated
	}
	chosen := func(get func(*mri.ConditionSet) []string, has []string) []string {
		words, stated := shared(get)
		if !stated {
			return nil
		}
		switch {
		case len(words) == 0:
			t = no
		case len(has) == 0:
			t = all(t, dunno)
		case len(both(words, has)) == 0:
			t = no
		}
		if len(has) > 0 {
			words = both(words, has)
		}
		return words
	}
	coils := chosen(func(s *mri.ConditionSet) []string { return s.Coils }, sc.Coils)
	chosen(func(s *mri.ConditionSet) []string { return s.Modes }, sc.Modes)
	chosen(func(s *mri.ConditionSet) []string { return s.Excitation }, sc.Excitation)
	chosen(func(s *mri.ConditionSet) []string { return s.Positions }, []string{"supine", "prone", "decubitus-left", "decubitus-right", "arms-at-side", "arms-up"})
	chosen(func(s *mri.ConditionSet) []string { return s.Nuclei }, []string{"1H"})
	if _, stated := shared(func(s *mri.ConditionSet) []string { return s.Coils }); stated {
		if len(w.exam.Regions) == 0 {
			t = all(t, dunno)
		}
		for _, e := range w.exam.Regions {
			switch {
			case len(e.Coils) == 0:
				t = all(t, dunno)
			case len(coils) > 0 && len(both(coils, e.Coils)) == 0:
				t = no
			}
		}
	}
	return t, coils
}

func both(a, b []string) (out []string) {
	for _, x := range a {
		if slices.Contains(b, x) {
			out = append(out, x)
		}
	}
	return out
}

// keep writes down the numbers and what is to be confirmed for a combination that holds.
func (w world) keep(f *finding, sc mri.Scanner, combo []choice, coils []string) {
	var refs []string
	out := way{limits: map[string]*big.Rat{}}
	ask := func(code string) {
		if !slices.Contains(out.confirm, code) {
			out.confirm = append(out.confirm, code)
		}
	}
	for _, c := range combo {
		if c.ref != "" {
			refs = append(refs, c.ref)
		}
		s := c.set
		if s == nil {
			continue
		}
		for _, q := range []struct{ code, text, unit string }{
			{"spatial-gradient", s.SpatialGradient, "T/m"}, {"slew-rate", s.SlewRate, "T/m/s"}, {"db-dt", s.DBDt, "T/s"},
			{"whole-body-sar", s.WholeBodySAR, "W/kg"}, {"head-sar", s.HeadSAR, "W/kg"}, {"partial-body-sar", s.PartialBodySAR, "W/kg"},
			{"b1-rms", s.B1Rms, "µT"}, {"scan-time", s.ScanTime, "min"}, {"wait", s.Wait, "min"}, {"session-time", s.Session, "min"},
		} {
			if q.text == "" {
				continue
			}
			v := rat(q.text, q.unit)
			old := out.limits[q.code]
			if old == nil || (q.code == "wait") == (v.Cmp(old) > 0) && v.Cmp(old) != 0 {
				out.limits[q.code] = v
			}
		}
		for _, code := range append(append([]string{}, s.Before...), s.Patient...) {
			if w.exam.Checks[code] != mri.Met {
				ask(code)
			}
		}
		for _, code := range s.After {
			ask("after " + code)
		}
		for code, stated := range map[string]bool{"transmit-coil": len(s.Coils) > 0, "operating-mode": len(s.Modes) > 0,
			"excitation": len(s.Excitation) > 0, "nuclei": len(s.Nuclei) > 0, "isocentre-distance": c.distance, "other-active": c.others,
			"patient-position":       len(s.Positions) > 0 && w.exam.Checks["patient-position"] == mri.Unknown,
			"label-silent slew-rate": s.SlewRate == "", "label-silent operating-mode": len(s.Modes) == 0,
			"label-silent scan-region": s.Region == nil, "label-silent transmit-coil": len(s.Coils) == 0} {
			if stated {
				ask(code)
			}
		}
	}
	slices.Sort(out.confirm)
	f.ways[sc.ID+": "+key(refs)] = out
}
