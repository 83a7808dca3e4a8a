package mri_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// deep copies a value by way of JSON.
func deep[T any](v T) T {
	var out T
	b, err := json.Marshal(v)
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err != nil {
		panic(err)
	}
	return out
}

// consistent draws a world in which no two fields contradict each other: blanking one of two that do is taking a
// contradiction away, not knowledge.
func consistent(d dice, t testing.TB) world {
	w := d.world([]mri.Labelling{d.labelling(t, "a")}, d.scanners(t))
	for i := range w.rec.Parts {
		p := &w.rec.Parts[i]
		if p.Component.DI != "" && p.Component.Model != "" {
			p.Component.DI = ""
		}
		if p.Site.Level != "" {
			p.Site.Tip = ""
			p.Site.Region = map[byte]string{'L': "lumbar-spine", 'T': "thoracic-spine"}[p.Site.Level[0]]
			if p.Site.Level == "T12-L1" {
				p.Site.Region = "spine"
			}
		}
		if p.Site.Pocket != "" {
			p.Site.Region = ""
		}
	}
	return w
}

// looser says in what the second verdict permits more than the first.
func looser(before, after mri.Verdict) string {
	if after.Kind.Caution() < before.Kind.Caution() {
		return fmt.Sprintf("%s became %s", before.Kind, after.Kind)
	}
	for _, a := range after.Scanners {
		i := slices.IndexFunc(before.Scanners, func(b mri.ScannerAnswer) bool { return b.ID == a.ID })
		if i >= 0 && a.Truth == mri.Met && before.Scanners[i].Truth != mri.Met {
			return "scanner " + a.ID + " became " + a.Truth.String()
		}
	}
	return ""
}

func seeded(rt *rapid.T) dice { return newDice(rapid.Uint64().Draw(rt, "seed")) }

// blanks makes worlds in which one thing is no longer known. Not among them: adverse statements (an MR status, a
// function, a question, a failed check), whose withdrawal is news, and Count, where 0 means one.
func blanks(w world) (out []world, names []string) {
	add := func(name string, f func(*world)) {
		c := w
		c.rec, c.exam, c.scanners = deep(w.rec), deep(w.exam), slices.Clone(w.scanners)
		f(&c)
		out, names = append(out, c), append(names, name)
	}
	for i := range w.rec.Parts {
		for name, f := range map[string]func(*implant.Part){
			"maker": func(p *implant.Part) { p.Component.Maker = "" }, "model": func(p *implant.Part) { p.Component.Model = "" },
			"kind": func(p *implant.Part) { p.Component.Kind = "" }, "region": func(p *implant.Part) { p.Site.Region = "" },
			"pocket": func(p *implant.Part) { p.Site.Pocket = "" }, "level": func(p *implant.Part) { p.Site.Level = "" },
			"tip": func(p *implant.Part) { p.Site.Tip = "" }, "entry": func(p *implant.Part) { p.Site.Entry = "" },
			"side": func(p *implant.Part) { p.Site.Side = "" }, "state": func(p *implant.Part) { p.State = "" },
			"implanted": func(p *implant.Part) { p.Implanted = "" }, "system": func(p *implant.Part) { p.System = "" },
			"name": func(p *implant.Part) { p.Component.Name = "" },
		} {
			add(fmt.Sprintf("part %d %s", i, name), func(c *world) { f(&c.rec.Parts[i]) })
		}
	}
	for i := range w.rec.Events {
		add("event date", func(c *world) { c.rec.Events[i].At = "" })
	}
	add("exam date", func(c *world) { c.exam.Date = "" })
	add("exam regions", func(c *world) { c.exam.Regions = nil })
	for i := range w.exam.Regions {
		add("exam region", func(c *world) { c.exam.Regions[i].Region = "" })
		add("isocentre", func(c *world) { c.exam.Regions[i].Isocentre = mri.Interval{} })
		add("centre", func(c *world) { c.exam.Regions[i].Centre = "" })
		add("coils", func(c *world) { c.exam.Regions[i].Coils = nil })
	}
	return out, names
}

// blankScanners gives copies of the scanners, one field of one of them not known.
func blankScanners(t testing.TB, list []mri.Scanner) (out [][]mri.Scanner) {
	for i := range list {
		for _, f := range []func(*mri.Scanner){
			func(s *mri.Scanner) { s.Field = "" }, func(s *mri.Scanner) { s.Magnet = "" }, func(s *mri.Scanner) { s.SpatialGradient = "" },
			func(s *mri.Scanner) { s.SlewRate = "" }, func(s *mri.Scanner) { s.DBDt = "" }, func(s *mri.Scanner) { s.SlewLimit = "" },
			func(s *mri.Scanner) { s.Modes = nil }, func(s *mri.Scanner) { s.Coils = nil }, func(s *mri.Scanner) { s.Excitation = nil },
			func(s *mri.Scanner) { s.B1Rms = "" },
		} {
			c := slices.Clone(list)
			f(&c[i])
			out = append(out, parseScanners(t, c))
		}
	}
	return out
}

func TestLessKnownNeverLoosens(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := consistent(seeded(rt), t)
		before := w.decide()
		ws, names := blanks(w)
		for i := range ws {
			if why := looser(before, ws[i].decide()); why != "" {
				rt.Fatalf("without %s: %s\n%s\n%s\n%s", names[i], why, js(w.rec), js(w.exam), js(before))
			}
		}
		for i, s := range blankScanners(t, w.scanners) {
			c := w
			c.scanners = s
			if why := looser(before, c.decide()); why != "" {
				rt.Fatalf("scanner field %d: %s", i, why)
			}
		}
	})
}

// TestMoreComponentsNeverLoosen adds a part. Left out is what fills a place that a label requires: a record with
// too few leads, or leads without a generator, is open or outside because a part is missing from it.
func TestMoreComponentsNeverLoosen(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := seeded(rt)
		w := d.world([]mri.Labelling{d.labelling(t, "a")}, d.scanners(t))
		before := w.decide()
		if slices.ContainsFunc(before.Reasons, func(r mri.Reason) bool { return r.Code == mri.WhyTooFew || r.Code == mri.WhyNoSource }) {
			return
		}
		hasSource := slices.ContainsFunc(w.rec.Parts, func(p implant.Part) bool { return hasPower(p) && p.State == implant.Connected })
		for i := range 30 {
			c := w
			c.memo = map[string]memory{}
			kind := pick(d, implant.Lead, implant.Extension, implant.Anchor, implant.Hardware, implant.Generator)
			model := map[implant.Kind]string{"lead": pick(d, "L1", "L2", "L9"), "extension": "X1", "anchor": "A1", "hardware": pick(d, "S1", "S2"), "generator": pick(d, "G1", "G2")}[kind]
			p := d.part(fmt.Sprintf("new%d", i), kind, pick(d, "sysA", "sysB", ""), model)
			if hasPower(p) {
				if !hasSource {
					continue
				}
				p.System = "sysNew"
			}
			c.rec.Parts = append(slices.Clone(w.rec.Parts), p)
			if why := looser(before, c.decide()); why != "" {
				rt.Fatalf("with %s: %s\n%s\n%s", js(p), why, js(w.rec), js(before))
			}
		}
		c := w
		c.rec.Questions = append(slices.Clone(w.rec.Questions), implant.Question{ID: "new", Code: implant.AskNoteUnread, MR: true})
		if why := looser(before, c.decide()); why != "" {
			rt.Fatalf("with a question: %s", why)
		}
	})
}

// stricter changes a label so that it permits less, in one way that it draws; false when that way does not apply.
func stricter(d dice, l *mri.Labelling) bool {
	s := &l.Systems[d.IntN(2)] // the first two have a generator and leads
	if d.chance(30) {
		return stricterSystem(d, l, s)
	}
	sets := s.Sets
	if c := &l.Components[0]; d.chance(20) && len(c.Sets) > 0 {
		sets = c.Sets
	}
	x := &sets[d.IntN(len(sets))]
	dropOne := func(list *[]string) bool {
		if len(*list) < 2 {
			return false
		}
		*list = slices.Delete(*list, 0, 1)
		return true
	}
	lower := func(field *string, to string) bool {
		had := *field != ""
		*field = to
		return had
	}
	switch d.IntN(16) {
	case 0:
		return dropOne(&x.Fields)
	case 1:
		return dropOne(&x.Coils)
	case 2:
		return dropOne(&x.Modes)
	case 3:
		return dropOne(&x.Excitation)
	case 4:
		return dropOne(&x.Positions)
	case 5:
		return lower(&x.SpatialGradient, "1 T/m")
	case 6:
		return lower(&x.SlewRate, "10 T/m/s")
	case 7:
		return lower(&x.DBDt, "5 T/s")
	case 8:
		return lower(&x.WholeBodySAR, "0.1 W/kg")
	case 9:
		return lower(&x.Healing, "8 weeks")
	case 10:
		x.OtherActive = "barred"
	case 11:
		x.Abandoned = nil
	case 12:
		if x.Region == nil {
			return false
		}
		x.Region.Exclude = append(x.Region.Exclude, mri.Span{From: "T10", To: "L5"})
	case 13:
		x.FieldAtMost = "1 T"
		return len(x.Fields) > 0
	case 14:
		if len(x.Magnets) > 0 {
			return false
		}
		x.Magnets = []string{"open"}
	case 15:
		x.B1Rms = "1 µT"
		return x.WholeBodySAR != "" || x.HeadSAR != ""
	}
	return true
}

func stricterSystem(d dice, l *mri.Labelling, s *mri.System) bool {
	lead := &s.Parts[1]
	switch d.IntN(7) {
	case 0:
		if len(s.Sets) < 2 {
			return false
		}
		s.Sets = s.Sets[1:]
	case 1:
		if lead.Max < 2 || lead.Min == lead.Max {
			return false
		}
		lead.Max--
	case 2:
		if lead.Levels != nil {
			return false
		}
		lead.Levels = &mri.Span{From: "L4", To: "L5"}
	case 3:
		if lead.Sides != nil {
			return false
		}
		lead.Sides = []implant.Side{implant.Left}
	case 4:
		l.Documents[0].Withdrawn = true
	case 5:
		l.Documents[1].Reviewed = "2020-01-01"
	case 6:
		s.LeadsMax = max(1, s.LeadsMin)
	}
	return true
}

func TestStricterLabelNeverLoosens(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := seeded(rt)
		l := d.labelling(t, "a")
		scanners := d.scanners(t)
		for range 12 {
			tight := deep(l)
			if !stricter(d, &tight) {
				continue
			}
			b, _ := json.Marshal(tight)
			parsed, err := mri.ParseLabelling(b)
			if err != nil {
				rt.Fatal(err)
			}
			for range 12 {
				w := d.world([]mri.Labelling{l}, scanners)
				before := w.decide()
				w.labels = []mri.Labelling{parsed}
				if why := looser(before, w.decide()); why != "" {
					rt.Fatalf("%s\n%s\n%s\n%s", why, js(w.rec), js(l), js(tight))
				}
			}
		}
	})
}

func TestWorseScannerNeverLoosens(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := seeded(rt)
		w := d.world([]mri.Labelling{d.labelling(t, "a")}, d.scanners(t))
		before := w.decide()
		for i := range w.scanners {
			for k, f := range []func(*mri.Scanner){
				func(s *mri.Scanner) { s.SpatialGradient = "90 T/m" }, func(s *mri.Scanner) { s.SlewRate = "400 T/m/s" },
				func(s *mri.Scanner) { s.DBDt = "300 T/s" }, func(s *mri.Scanner) { s.SlewLimit = "no" }, func(s *mri.Scanner) { s.B1Rms = "no" },
				func(s *mri.Scanner) { s.Coils = s.Coils[:min(1, len(s.Coils))] }, func(s *mri.Scanner) { s.Modes = s.Modes[:min(1, len(s.Modes))] },
				func(s *mri.Scanner) { s.Excitation = s.Excitation[:min(1, len(s.Excitation))] },
			} {
				c := w
				c.scanners = slices.Clone(w.scanners)
				f(&c.scanners[i])
				c.scanners = parseScanners(t, c.scanners)
				if why := looser(before, c.decide()); why != "" {
					rt.Fatalf("worse in way %d: %s", k, why)
				}
			}
			c := w
			c.scanners = slices.Delete(slices.Clone(w.scanners), i, i+1)
			if after := c.decide(); after.Kind.Caution() < before.Kind.Caution() {
				rt.Fatalf("one scanner less: %s became %s", before.Kind, after.Kind)
			}
		}
	})
}

// TestOrderDoesNotMatter: any order of parts, questions, labels and scanners gives the same bytes.
func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := seeded(rt)
		labels := []mri.Labelling{d.labelling(t, "a"), d.labelling(t, "b"), d.labelling(t, "c")}
		w := d.world(labels, d.scanners(t))
		w.rec.Questions = append(w.rec.Questions, implant.Question{ID: "q0", Code: implant.AskLevelConflict, MR: true}, implant.Question{ID: "q9", Code: implant.AskLabelOldWords})
		want := js(w.decide())
		for range 10 {
			c := w
			c.rec.Parts, c.rec.Questions = slices.Clone(w.rec.Parts), slices.Clone(w.rec.Questions)
			c.labels, c.scanners = slices.Clone(w.labels), slices.Clone(w.scanners)
			shuffle(d.Rand, c.rec.Parts)
			shuffle(d.Rand, c.rec.Questions)
			shuffle(d.Rand, c.labels)
			shuffle(d.Rand, c.scanners)
			if got := js(c.decide()); got != want {
				rt.Fatalf("\n%s\n%s", want, got)
			}
		}
	})
}

func shuffle[T any](r *rand.Rand, s []T) {
	r.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
}

// An open question on the record brings its caution, whatever else the verdict rests on.
func TestOpenQuestionsAreCautionedAbout(t *testing.T) {
	asked := 0
	for f := range 80 {
		d := newDice(uint64(f) + 1000)
		w := d.world([]mri.Labelling{d.labelling(t, "a")}, d.scanners(t))
		for range 100 {
			w.rec, w.exam = d.record(), d.exam()
			if len(w.rec.Questions) == 0 {
				continue
			}
			asked++
			if v := w.decide(); !slices.Contains(v.Cautions, mri.CautionQuestions) {
				t.Fatalf("no caution of open questions: %s\nrecord %s", js(v), js(w.rec))
			}
		}
	}
	if asked < 200 {
		t.Errorf("only %d records with a question", asked)
	}
}
