package survival

import (
	"math"
	"slices"
	"sort"
)

// Step is the estimate from Time until the next step.
type Step struct {
	Time     float64
	AtRisk   int // just before Time
	Events   int
	Censored int
	S        float64 // probability of lasting beyond Time
	SE       float64 // Greenwood's standard error of S; NaN where S is 0
	CumHaz   float64 // Nelson–Aalen cumulative hazard
	CumHazSE float64
}

// Curve is a Kaplan–Meier estimate: a step at every distinct exit time, events or not.
type Curve struct {
	N     int
	Steps []Step
}

// KaplanMeier estimates survival by the product limit, with Greenwood's standard error. Events of the causes
// given count, all others end observation; with no cause given every event counts. Errors are those of [Check].
// No observation gives an empty curve.
func KaplanMeier(obs []Obs, causes ...int) (Curve, error) {
	rows, err := riskTable(obs)
	if err != nil {
		return Curve{}, err
	}
	c := Curve{N: len(obs), Steps: make([]Step, 0, len(rows))}
	s, greenwood, hazard, hazardVar := 1.0, 0.0, 0.0, 0.0
	for _, r := range rows {
		d := eventsOf(r, causes)
		if d > 0 {
			n, df := float64(r.atRisk), float64(d)
			s *= (n - df) / n
			greenwood += df / (n * (n - df)) // infinite when all fail; SE is then undefined
			hazard += df / n
			hazardVar += df / (n * n)
		}
		step := Step{Time: r.time, AtRisk: r.atRisk, Events: d, Censored: r.censored + int(r.events[0]) - d,
			S: s, SE: s * math.Sqrt(greenwood), CumHaz: hazard, CumHazSE: math.Sqrt(hazardVar)}
		if s == 0 {
			step.SE = math.NaN()
		}
		c.Steps = append(c.Steps, step)
	}
	return c, nil
}

func eventsOf(r riskRow, causes []int) int {
	if len(causes) == 0 {
		return int(r.events[0])
	}
	d := 0
	for i, k := range causes {
		if k > 0 && k <= MaxCauses && !slices.Contains(causes[:i], k) {
			d += int(r.events[k])
		}
	}
	return d
}

// At gives the step in force at t. Before the first step that is S = 1 with N at risk.
func (c Curve) At(t float64) Step {
	i := sort.Search(len(c.Steps), func(i int) bool { return c.Steps[i].Time > t })
	if i == 0 {
		return Step{AtRisk: c.N, S: 1}
	}
	return c.Steps[i-1]
}

// RestrictedMean is the area under the curve from 0 to t: the mean time lasted within t.
func (c Curve) RestrictedMean(t float64) float64 {
	area, from, s := 0.0, 0.0, 1.0
	for _, step := range c.Steps {
		if step.Time >= t {
			break
		}
		area += s * (step.Time - from)
		from, s = step.Time, step.S
	}
	return area + s*(t-from)
}

// Quantile is a time by which a share has failed, with limits. NaN means not reached.
type Quantile struct{ Time, Lower, Upper float64 }

// quantileTolerance tells whether a curve stands exactly at a share, as R's survival package does (the square
// root of the machine epsilon).
const quantileTolerance = 1.4901161193847656e-08

// Quantile gives the time by which the share p (between 0 and 1) has failed. Where the curve stands exactly at
// p, the middle of that stretch is given, as R does. Limits are those times at which the limits of the curve
// cross.
func (c Curve) Quantile(p float64, method Method, level float64) Quantile {
	failed := make([]float64, len(c.Steps))
	low, high := slices.Clone(failed), slices.Clone(failed)
	for i, step := range c.Steps {
		failed[i] = 1 - step.S
		lo, hi, ok := Limits(step.S, step.SE, method, level)
		switch {
		case ok:
			low[i], high[i] = 1-lo, 1-hi
		case step.S == 1:
			low[i], high[i] = 0, 0
		default:
			low[i], high[i] = math.NaN(), math.NaN()
		}
	}
	return Quantile{c.crossing(failed, p), c.crossing(low, p), c.crossing(high, p)}
}

// crossing is the time at which the rising curve y reaches p.
func (c Curve) crossing(y []float64, p float64) float64 {
	reach := func(level float64) int {
		return slices.IndexFunc(y, func(v float64) bool { return v >= level })
	}
	first := reach(p - quantileTolerance)
	if first < 0 {
		return math.NaN()
	}
	if y[first] > p+quantileTolerance {
		return c.Steps[first].Time
	}
	beyond := reach(p + quantileTolerance)
	if beyond < 0 {
		beyond = len(y) - 1 // the curve ends at p: the middle of what was observed there
	}
	return (c.Steps[first].Time + c.Steps[beyond].Time) / 2
}
