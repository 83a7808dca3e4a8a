package registry

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"gaussline/mapping/survival"
)

// level of every interval of the figures.
const level = 0.95

// gridPerYear is how many points a year the curves are shown at: steps of single patients are not shown.
const gridPerYear = 12

// Names of outcomes and estimators.
const (
	OutcomeRevision = "revision"
	OutcomeExplant  = "explant"
	KaplanMeier     = "kaplan-meier"
	AalenJohansen   = "aalen-johansen"
)

// Figure is one chart with its numbers. All its texts are part of it: a figure says what it shows.
type Figure struct {
	ID         string         `json:"id"` // names its file: lead-revision-kaplan-meier
	Title      string         `json:"title"`
	Unit       string         `json:"unit"`
	Definition string         `json:"definition"`
	Interval   string         `json:"interval"`
	DataCut    string         `json:"dataCut"`
	SmallCells string         `json:"smallCells"`
	LeftOut    LeftOut        `json:"leftOut"` // components of the kind
	Hidden     int            `json:"hidden"`  // models too small to be told of
	Chart      survival.Chart `json:"-"`       // no Series: nothing may be drawn
	Rows       []FigureRow    `json:"-"`
}

// FigureRow is one point of one curve, with limits by one method. A number that may not be told, or does not exist, is NaN,
// or below 0 where it is a count.
type FigureRow struct {
	Kind, Maker, Model           string
	Outcome, Estimator, Interval string
	Years                        float64 // since implantation
	AtRisk                       int     // components
	Percent, Lower, Upper        float64
}

// RateRow is the rate of one outcome of one model. Hidden: too few patients to be told.
type RateRow struct {
	Kind, Maker, Model, Outcome string
	Components                  int
	Rate                        survival.Rate // per 100 component-years
	Hidden                      bool
}

var definitions = map[string]string{
	OutcomeRevision: "Unit: one component, from the day it went in. Event: the first re-operation on it that left or made the system working - exchanged, " +
		"repositioned, or part of a revision. Coming out without that, and death, end it otherwise.",
	OutcomeExplant: "Unit: one component, from the day it went in. Event: it came out, wholly or in part, exchanged or not, as recorded or reported. " +
		"Death ends it otherwise.",
}

var estimatorWords = map[string]map[string]string{
	KaplanMeier: {
		OutcomeRevision: " Estimate: Kaplan-Meier; coming out, death and the data cut end observation.",
		OutcomeExplant:  " Estimate: Kaplan-Meier, any reason; death and the data cut end observation.",
	},
	AalenJohansen: {
		OutcomeRevision: " Estimate: Aalen-Johansen; coming out without revision, and death, compete; the data cut ends observation.",
		OutcomeExplant: " Estimate: Aalen-Johansen, for a fault, a complication or no stated reason; coming out for another stated reason (therapy no longer " +
			"needed, MR, other surgery, wish of the patient, upgrade), and death, compete; the data cut ends observation.",
	},
}

// commonWords hold for every figure.
const commonWords = " A component told of more than 31 days after it went in is observed from that day on (left truncation). A date to the month counts as the middle " +
	"of the month; less exact ones are left out. What nobody reported is taken as not having happened: with poor follow-up the true figures are higher."

// Draw makes the figures: for each kind of component, revision and explant by model, each by Kaplan-Meier and
// Aalen-Johansen. least is the least number of patients told of, see SmallCells; 1 or less tells all. The numbers of
// at most MaxSeries models are drawn, the largest; all that may be told are in the rows.
func (f *Figures) Draw(least int) (figures []Figure, rates []RateRow, err error) {
	byKind := map[string][]*group{}
	var kinds []string
	for _, g := range f.sorted() {
		for outcome := range 2 { // the estimators sort by time, each anew: fast on what is sorted
			slices.SortFunc(g.obs(outcome), func(a, b survival.Obs) int { return cmp.Compare(a.Exit, b.Exit) })
		}
		if len(byKind[g.key.kind]) == 0 {
			kinds = append(kinds, g.key.kind)
		}
		byKind[g.key.kind] = append(byKind[g.key.kind], g)
	}
	for _, kind := range kinds {
		for outcome, name := range []string{OutcomeRevision, OutcomeExplant} {
			for _, estimator := range []string{KaplanMeier, AalenJohansen} {
				x, err := f.figure(kind, name, estimator, outcome, byKind[kind], least)
				if err != nil {
					return nil, nil, err
				}
				figures = append(figures, x)
			}
			for _, g := range byKind[kind] {
				rates = append(rates, g.rate(name, outcome, least))
			}
		}
	}
	return figures, rates, nil
}

func (f *Figures) figure(kind, name, estimator string, outcome int, groups []*group, least int) (Figure, error) {
	x := Figure{ID: kind + "-" + name + "-" + estimator, Unit: "percent of components", LeftOut: *f.out[kind],
		Title:      fmt.Sprintf("Cumulative percent %s, %s, by model", map[string]string{OutcomeRevision: "revised", OutcomeExplant: "explanted"}[name], kind),
		Definition: definitions[name] + estimatorWords[estimator][name] + commonWords,
		DataCut:    f.cut.UTC().Format(time.RFC3339) + " (what happened, and was known by the senders' clocks, before)", SmallCells: SmallCellWords(least)}
	method := survival.LogLog
	if estimator == AalenJohansen {
		method = survival.Log
	}
	x.Interval = method.Words(level)
	horizon := 0.0
	for _, g := range groups {
		if !g.told(outcome, estimator, least) {
			x.Hidden++
			continue
		}
		s, rows, err := g.curve(name, estimator, outcome, max(least, 1))
		if err != nil {
			return x, err
		}
		x.Rows = append(x.Rows, rows...)
		if len(x.Chart.Series) < survival.MaxSeries {
			x.Chart.Series = append(x.Chart.Series, s)
			horizon = max(horizon, s.End)
		}
	}
	x.chart(groups, outcome, horizon, least)
	return x, nil
}

// chart completes the chart of the series with numbers at risk and words.
func (x *Figure) chart(groups []*group, outcome int, horizon float64, least int) {
	c := &x.Chart
	step := max(1, math.Ceil(horizon/8))
	for t := 0.0; t <= horizon; t += step {
		c.RiskTimes = append(c.RiskTimes, t)
	}
	for i := range c.Series {
		g := groups[slices.IndexFunc(groups, func(g *group) bool { return g.name() == c.Series[i].Name })]
		c.Series[i].AtRisk = hideSmall(survival.AtRisk(g.obs(outcome), c.RiskTimes), least)
	}
	c.Title, c.XLabel, c.YLabel = x.Title, "years since implantation", "cumulative percent (%)"
	c.FewAtRisk = "<" + strconv.Itoa(least)
	left := x.LeftOut
	c.Definition = x.Definition + fmt.Sprintf(" Left out: %d without a model, %d without a day of implantation, %d with something undated, %d in conflict, %d over before anybody told of them, %d not derived. Models not told of: %d.",
		left.Unidentified, left.NoDate, left.Undated, left.Conflict, left.Unobserved, left.Unread, x.Hidden)
	c.Interval, c.DataCut = x.Interval+". "+x.SmallCells, x.DataCut
}

// SmallCellWords says the rule of small cells with its source.
func SmallCellWords(least int) string {
	if least <= 1 {
		return "No number is held back for being small: not for publication."
	}
	return fmt.Sprintf("Numbers of 1 to %d patients, and what they could be worked out from, are not told (threshold %d; practice of US federal health data: 11).", least-1, least)
}

func hideSmall(n []int, least int) []int {
	for i := range n {
		if n[i] > 0 && n[i] < least {
			n[i] = -1
		}
	}
	return n
}

func (g *group) name() string { return strings.TrimSpace(g.key.maker + " " + g.key.model) }

func (g *group) obs(outcome int) []survival.Obs {
	if outcome == 0 {
		return g.revision
	}
	return g.explant
}

// told says whether a curve of the group may be shown: neither the patients, nor those with an outcome that it is drawn
// from, nor the rest are few.
func (g *group) told(outcome int, estimator string, least int) bool {
	if g.persons < least {
		return false
	}
	hit := g.hit[outcome]
	if estimator == AalenJohansen {
		for _, n := range hit[:wanted] {
			if n > 0 && n < least {
				return false
			}
		}
		return true
	}
	return tells(hit[wanted], g.persons, least)
}

// estimate is one curve at one time, as a probability with its standard error.
type estimate func(t float64) (p, se float64)

func (g *group) estimator(name string, outcome int) (estimate, error) {
	if name == AalenJohansen {
		in, err := survival.AalenJohansen(g.obs(outcome), causes)
		return func(t float64) (float64, float64) { s := in.At(t); return s.F[0], s.SE[0] }, err
	}
	counted := []int{causeRevision}
	if outcome == 1 {
		counted = []int{causeOut, causeElective}
	}
	c, err := survival.KaplanMeier(g.obs(outcome), counted...)
	return func(t float64) (float64, float64) { s := c.At(t); return 1 - s.S, s.SE }, err
}

// curve gives the series to draw and the rows, on the grid, as long as enough components are at risk.
func (g *group) curve(name, estimator string, outcome, minAtRisk int) (survival.Series, []FigureRow, error) {
	at, err := g.estimator(estimator, outcome)
	if err != nil {
		return survival.Series{}, nil, err
	}
	var grid []float64
	for i, last := 0, lastTime(g.obs(outcome)); float64(i)/gridPerYear <= last; i++ {
		grid = append(grid, float64(i)/gridPerYear)
	}
	risk := survival.AtRisk(g.obs(outcome), grid)
	s := survival.Series{Name: g.name()}
	var rows []FigureRow
	for i, t := range grid {
		if risk[i] < minAtRisk {
			if i == 0 && len(g.obs(outcome)) >= minAtRisk {
				continue // all of them became known later
			}
			break
		}
		p, se := at(t)
		for k, lim := range limits(estimator, p, se) {
			rows = append(rows, FigureRow{Kind: g.key.kind, Maker: g.key.maker, Model: g.key.model, Outcome: name, Estimator: estimator, Interval: lim.words,
				Years: t, AtRisk: risk[i], Percent: 100 * p, Lower: 100 * lim.lo, Upper: 100 * lim.hi})
			if k == 0 {
				s.Points = append(s.Points, survival.Point{X: t, Y: 100 * p, Lo: 100 * lim.lo, Hi: 100 * lim.hi})
				s.End = t
			}
		}
	}
	return s, rows, nil
}

type limit struct {
	words  string
	lo, hi float64
}

// limits gives the limits of a cumulative probability by each method that the estimator is shown with, the drawn one first.
func limits(estimator string, p, se float64) []limit {
	if estimator == AalenJohansen {
		lo, hi, _ := survival.Limits(p, se, survival.Log, level)
		return []limit{{survival.Log.Words(level), lo, hi}}
	}
	var out []limit
	for _, m := range []survival.Method{survival.LogLog, survival.Plain} {
		lo, hi, _ := survival.Limits(1-p, se, m, level)
		out = append(out, limit{m.Words(level), 1 - hi, 1 - lo})
	}
	return out
}

// rate gives the rate of an outcome for any reason with exact Poisson limits.
func (g *group) rate(name string, outcome, least int) RateRow {
	obs := g.obs(outcome)
	r := RateRow{Kind: g.key.kind, Maker: g.key.maker, Model: g.key.model, Outcome: name, Components: len(obs)}
	events := 0
	for _, o := range obs {
		if isWanted(outcome, o.Event) {
			events++
		}
	}
	var ok bool
	r.Rate, ok = survival.NewRate(events, survival.Total(obs), 100, level)
	r.Hidden = !ok || !g.told(outcome, KaplanMeier, least)
	return r
}

// FigureColumns are the CSV columns of the points of the curves.
func FigureColumns() []string {
	return []string{"component_kind", "maker", "model", "outcome", "estimator", "years_since_implantation", "components_at_risk",
		"cumulative_percent", "lower_percent", "upper_percent", "interval", "data_cut"}
}

// Cells gives the CSV cells by FigureColumns; what does not exist is empty.
func (r FigureRow) Cells(cut string) []string {
	return []string{r.Kind, plainCell(r.Maker), plainCell(r.Model), r.Outcome, r.Estimator, decimal(r.Years), strconv.Itoa(r.AtRisk),
		decimal(r.Percent), decimal(r.Lower), decimal(r.Upper), r.Interval, cut}
}

// RateColumns are the CSV columns of the rates.
func RateColumns() []string {
	return []string{"component_kind", "maker", "model", "outcome", "components", "events", "component_years", "per_100_component_years",
		"lower", "upper", "interval", "data_cut"}
}

// Cells gives the CSV cells by RateColumns. Of a rate that may not be told only the model is.
func (r RateRow) Cells(cut string) []string {
	cells := []string{r.Kind, plainCell(r.Maker), plainCell(r.Model), r.Outcome, "", "", "", "", "", "", "too few patients", cut}
	if !r.Hidden {
		copy(cells[4:], []string{strconv.Itoa(r.Components), strconv.Itoa(r.Rate.Events), decimal(r.Rate.Time), decimal(r.Rate.Value),
			decimal(r.Rate.Lower), decimal(r.Rate.Upper), "95 % exact Poisson (Garwood)"})
	}
	return cells
}

// decimal writes a number with the fewest digits that read back as it; "" for none.
func decimal(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}
