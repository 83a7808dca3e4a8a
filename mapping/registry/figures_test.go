package registry

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
	"gaussline/mapping/survival"
)

// oracle reads a table of testdata/survival by its header; blank is NaN.
func oracle(t *testing.T, name string) (rows []map[string]string) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("../../testdata/survival", name))
	if err != nil {
		t.Fatal(err)
	}
	all, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range all[1:] {
		m := map[string]string{}
		for i, c := range cells {
			m[all[0][i]] = c
		}
		rows = append(rows, m)
	}
	return rows
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	if s == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// cutDay is noon, as the middle of every day is.
var cutDay = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

func daysBefore(n int) implant.When { return implant.Day(cutDay.AddDate(0, 0, -n)) }

// life is a component with an event, or alive and in place at the cut, after so many days.
func life(days, event int) Life {
	const long = 9000
	l := Life{Kind: "lead", Maker: "Tarnbeck Devices", Model: "TB-L45", Implanted: daysBefore(long)}
	l.Told = l.Implanted
	at := daysBefore(long - days)
	switch event {
	case 0:
		l.Implanted, l.Told = daysBefore(days), daysBefore(days)
	case 1:
		l.Out, l.Why = at, WhyDevice
	case 2:
		l.Died = at
	}
	return l
}

func near(a, b float64) bool { return math.IsNaN(a) && math.IsNaN(b) || math.Abs(a-b) <= 1e-9 }

// Dated lives of the records give what R's survival package gives for the same data: lung for Kaplan-Meier with log-log
// and plain Greenwood limits, pbc (transplant, death competing) for Aalen-Johansen. The files and their making are in
// testdata/survival.
func TestFiguresAgreeWithR(t *testing.T) {
	lung := NewFigures(cutDay)
	for i, r := range oracle(t, "lung-input.csv") {
		lung.Add(fmt.Sprint(i), life(int(num(t, r["time"])), int(num(t, r["event"]))))
	}
	at, err := lung.sorted()[0].estimator(KaplanMeier, 1)
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, r := range oracle(t, "lung-all-km.csv") {
		i := slices.Index([]string{"log-log", "plain"}, r["conf_type"])
		if i < 0 {
			continue
		}
		p, se := at(num(t, r["time"]) / yearDays)
		lim := limits(KaplanMeier, p, se)[i]
		if !near(1-p, num(t, r["surv"])) || p > 0 && (!near(1-lim.hi, num(t, r["lower"])) || !near(1-lim.lo, num(t, r["upper"]))) {
			t.Errorf("lung at %s: %v %+v, want %v", r["time"], 1-p, lim, r)
		}
		checked++
	}
	pbc := NewFigures(cutDay)
	for i, r := range oracle(t, "pbc-input.csv") {
		pbc.Add(fmt.Sprint(i), life(int(num(t, r["time"])), int(num(t, r["status"]))))
	}
	if at, err = pbc.sorted()[0].estimator(AalenJohansen, 1); err != nil {
		t.Fatal(err)
	}
	for _, r := range oracle(t, "pbc-aj-at-times.csv") {
		p, se := at(num(t, r["time"]) / yearDays)
		lim := limits(AalenJohansen, p, se)[0]
		if !near(p, num(t, r["p_transplant"])) || !near(se, num(t, r["se_transplant"])) || !near(lim.lo, num(t, r["lo_transplant"])) || !near(lim.hi, num(t, r["hi_transplant"])) {
			t.Errorf("pbc at %s: %v ± %v %+v, want %v", r["time"], p, se, lim, r)
		}
		checked++
	}
	for _, r := range oracle(t, "pbc-aj.csv") {
		if p, se := at(num(t, r["time"]) / yearDays); !near(p, num(t, r["p_transplant"])) || !near(se, num(t, r["se_transplant"])) {
			t.Errorf("pbc at %s: %v ± %v, want %v", r["time"], p, se, r)
		}
		checked++
	}
	if checked < 700 {
		t.Errorf("only %d points of the oracle were compared", checked)
	}
}

func TestLivesOfRecords(t *testing.T) {
	parts := []implant.Part{lead("gen", implant.RemovedWhole, "2022-02-02"), lead("a", implant.Connected, ""), lead("b", implant.RemovedWhole, "2023-03-03"),
		lead("c", implant.ReportedRemoved, "2024-01-01"), lead("d", implant.NeverImplanted, ""), lead("e", implant.RemovedWhole, "")}
	rec := implant.Record{Patient: "p", Person: implant.Person{Died: "2025-01-01"}, Parts: parts, Events: []implant.Event{
		{Kind: implant.EventImplanted, At: "2020-01-01", In: []string{"gen", "a", "b", "c", "e"}},
		{Kind: implant.EventRepositioned, At: "2021-01-01", Parts: []string{"a"}},
		{Kind: implant.EventReplaced, At: "2022-02-02", Out: []string{"gen"}, In: []string{"x"}, Reasons: []string{codes.Upgrade}},
		{Kind: implant.EventPartlyExplanted, At: "2023-03-03", Out: []string{"b"}, Reasons: []string{codes.MRNeeded, codes.Infection}},
		{Kind: implant.EventExplanted, Out: []string{"e"}},
	}}
	for id, want := range map[string]Life{
		"gen": {Revised: "2022-02-02", Out: "2022-02-02", Why: WhyOther}, "a": {Revised: "2021-01-01"}, "b": {Out: "2023-03-03", Why: WhyDevice},
		"c": {Out: "2024-01-01", Why: WhyDevice}, "e": {Flags: Undated},
	} {
		want.Kind, want.Model, want.Implanted, want.Died = "lead", "TB-L45", "2020-01-01", "2025-01-01"
		got := Lives(rec)[id]
		if got != want {
			t.Errorf("%s: %+v, want %+v", id, got, want)
		}
		back := Life{Kind: got.Kind, Maker: got.Maker, Model: got.Model, Implanted: got.Implanted}
		if err := back.Read(got.Text()); err != nil || back != got {
			t.Errorf("%s: read back %+v, %v", id, back, err)
		}
	}
	if _, ok := Lives(rec)["d"]; ok {
		t.Error("a component that never went in has a life")
	}
	if err := new(Life).Read(""); err == nil {
		t.Error("a life that was never written is read")
	}
}

// What ends an observation, and what is left out, by hand.
func TestObservations(t *testing.T) {
	base := Life{Kind: "lead", Model: "M", Implanted: "2024-06-01", Told: "2024-06-20"}
	change := func(f func(*Life)) Life { l := base; f(&l); return l }
	for name, c := range map[string]struct {
		l        Life
		rev, exp survival.Obs // times in days from implantation
		out      LeftOut
	}{
		"in place":         {base, survival.Obs{Exit: 730}, survival.Obs{Exit: 730}, LeftOut{}},
		"told late":        {change(func(l *Life) { l.Told = "2025-06-01" }), survival.Obs{Entry: 364.5, Exit: 730}, survival.Obs{Entry: 364.5, Exit: 730}, LeftOut{}},
		"revised":          {change(func(l *Life) { l.Revised = "2025-06-01" }), survival.Obs{Exit: 365, Event: causeRevision}, survival.Obs{Exit: 730}, LeftOut{}},
		"exchanged":        {change(func(l *Life) { l.Revised, l.Out, l.Why = "2025-06-01", "2025-06-01", WhyDevice }), survival.Obs{Exit: 365, Event: causeRevision}, survival.Obs{Exit: 365, Event: causeOut}, LeftOut{}},
		"out by wish":      {change(func(l *Life) { l.Out, l.Why = "2025-06-01", WhyOther }), survival.Obs{Exit: 365, Event: causeExplant}, survival.Obs{Exit: 365, Event: causeElective}, LeftOut{}},
		"died":             {change(func(l *Life) { l.Died = "2025-06-01" }), survival.Obs{Exit: 365, Event: causeDeath}, survival.Obs{Exit: 365, Event: causeDeath}, LeftOut{}},
		"out after death":  {change(func(l *Life) { l.Died, l.Out = "2025-06-01", "2025-06-02" }), survival.Obs{Exit: 365, Event: causeDeath}, survival.Obs{Exit: 365, Event: causeDeath}, LeftOut{}},
		"after the cut":    {change(func(l *Life) { l.Out = "2026-06-02" }), survival.Obs{Exit: 730}, survival.Obs{Exit: 730}, LeftOut{}},
		"month of June":    {change(func(l *Life) { l.Out = "2025-06" }), survival.Obs{Exit: 379.5, Event: causeExplant}, survival.Obs{Exit: 379.5, Event: causeOut}, LeftOut{}},
		"over before told": {change(func(l *Life) { l.Told, l.Out = "2025-12-01", "2025-06-01" }), survival.Obs{}, survival.Obs{}, LeftOut{Unobserved: 1}},
		"year alone":       {change(func(l *Life) { l.Out = "2025" }), survival.Obs{}, survival.Obs{}, LeftOut{Undated: 1}},
		"undated":          {change(func(l *Life) { l.Flags = Undated }), survival.Obs{}, survival.Obs{}, LeftOut{Undated: 1}},
		"no implantation":  {change(func(l *Life) { l.Implanted = "" }), survival.Obs{}, survival.Obs{}, LeftOut{NoDate: 1}},
		"no model":         {change(func(l *Life) { l.Model = "" }), survival.Obs{}, survival.Obs{}, LeftOut{Unidentified: 1}},
		"out before in":    {change(func(l *Life) { l.Out = "2023-06-01" }), survival.Obs{}, survival.Obs{}, LeftOut{Conflict: 1}},
		"not in yet":       {change(func(l *Life) { l.Implanted, l.Told = "2026-07-01", "2026-07-01" }), survival.Obs{}, survival.Obs{}, LeftOut{}},
		"not known yet":    {change(func(l *Life) { l.Told = "2026-06-02" }), survival.Obs{}, survival.Obs{}, LeftOut{}},
	} {
		f := NewFigures(cutDay)
		f.Add("p", c.l)
		if *f.out["lead"] != c.out {
			t.Errorf("%s: left out %+v", name, *f.out["lead"])
		}
		if c.rev.Exit == 0 {
			if len(f.groups) > 0 && len(f.sorted()[0].revision) > 0 {
				t.Errorf("%s: observed", name)
			}
			continue
		}
		g := f.sorted()[0]
		for i, w := range []survival.Obs{c.rev, c.exp} {
			got := g.obs(i)[0]
			if math.Abs(got.Exit*yearDays-w.Exit) > 1e-6 || math.Abs(got.Entry*yearDays-w.Entry) > 1e-6 || got.Event != w.Event {
				t.Errorf("%s: %d from %.2f to %.2f, want %+v", name, got.Event, got.Entry*yearDays, got.Exit*yearDays, w)
			}
		}
	}
}

// fill adds n components of a model, one a patient, the first events of them out after a year.
func fill(f *Figures, model string, n, events int) {
	for i := range n {
		l := life(700+i, 0)
		l.Model = model
		if i < events {
			l.Out, l.Why = daysBefore(700+i-365), WhyDevice
		}
		f.Add(model+fmt.Sprint(i), l)
	}
}

// A number of 1 to 10 patients, and what it could be worked out from, is in no figure and no row.
func TestSmallCellsAreNotTold(t *testing.T) {
	f := NewFigures(cutDay)
	fill(f, "FEW-PATIENTS", 10, 0)
	fill(f, "FEW-EVENTS", 100, 10)
	fill(f, "FEW-LEFT", 100, 90)
	fill(f, "NO-EVENT", 11, 0)
	fill(f, "TOLD", 100, 11)
	for i := range 40 { // forty components of four patients
		l := life(700, 0)
		l.Model = "FEW-PERSONS"
		f.Add(fmt.Sprint("q", i/10), l)
	}
	figures, rates, err := f.Draw(SmallCells)
	if err != nil || len(figures) != 4 {
		t.Fatalf("%d figures, %v", len(figures), err)
	}
	for _, x := range figures {
		if x.ID != "lead-explant-kaplan-meier" {
			continue
		}
		if x.Hidden != 4 || len(x.Chart.Series) != 2 {
			t.Errorf("%d hidden, %d drawn", x.Hidden, len(x.Chart.Series))
		}
		for _, r := range x.Rows {
			if strings.HasPrefix(r.Model, "FEW") || r.AtRisk < SmallCells {
				t.Errorf("told: %+v", r)
			}
		}
	}
	for _, r := range rates {
		if r.Outcome == OutcomeExplant && r.Hidden != strings.HasPrefix(r.Model, "FEW") {
			t.Errorf("hidden %v: %+v", r.Hidden, r)
		}
		if cells := r.Cells("cut"); r.Hidden && strings.Join(cells[4:10], "") != "" {
			t.Errorf("told: %v", cells)
		}
	}
	all, _, err := f.Draw(1)
	if err != nil || all[2].Hidden != 0 {
		t.Errorf("%v: %d hidden without a threshold", err, all[2].Hidden)
	}
}

// Every figure says unit, definition, interval and data cut, in the drawing itself.
func TestFiguresSayWhatTheyAre(t *testing.T) {
	f := NewFigures(cutDay)
	fill(f, "TOLD", 60, 12)
	f.Unread("lead")
	figures, rates, err := f.Draw(SmallCells)
	if err != nil {
		t.Fatal(err)
	}
	drawn := 0
	for _, x := range figures {
		if len(x.Chart.Series) == 0 {
			continue
		}
		drawn++
		b, err := x.Chart.SVG()
		if err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(bytes.NewReader(b))
		text := ""
		for {
			tok, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s is not well-formed: %v", x.ID, err)
			}
			if c, ok := tok.(xml.CharData); ok {
				text += strings.TrimSpace(string(c)) + " "
			}
		}
		for _, want := range []string{"Unit: one component", "95 % pointwise limits", "2026-06-01T12:00:00Z", "Number at risk", "left truncation", "1 not derived", "threshold 11"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s does not say %q", x.ID, want)
			}
		}
	}
	if drawn != 4 {
		t.Errorf("%d figures drawn of %d", drawn, len(figures))
	}
	// 12 events; the rate by hand from the same days.
	i := slices.IndexFunc(rates, func(r RateRow) bool { return r.Outcome == OutcomeExplant })
	years := 0.0
	for k := range 60 {
		if k < 12 {
			years += 365 / yearDays
		} else {
			years += float64(700+k) / yearDays
		}
	}
	if r := rates[i].Rate; r.Events != 12 || math.Abs(r.Time-years) > 1e-9 || math.Abs(r.Value-1200/years) > 1e-9 || len(RateColumns()) != len(rates[i].Cells("")) {
		t.Errorf("%+v, want 12 events in %v years", r, years)
	}
	if len(FigureColumns()) != len(figures[0].Rows[0].Cells("")) {
		t.Error("columns and cells of the points differ")
	}
}
