package survival

import (
	"math"
	"sort"
)

// IncidenceStep is the state of all competing causes from Time until the next step.
type IncidenceStep struct {
	Time   float64
	AtRisk int       // just before Time
	Events []int     // by cause, first cause at 0
	S      float64   // probability of none of the causes
	SSE    float64   // its standard error; 0 where S is 0, as R has it
	F      []float64 // probability that cause k+1 has come first; S plus all F is 1
	SE     []float64 // standard errors of F
}

// Incidence is an Aalen–Johansen estimate.
type Incidence struct {
	N      int
	Causes int
	Steps  []IncidenceStep
}

// AalenJohansen estimates the cumulative incidence of each cause from 1 to causes, each competing with the
// others. The variance is the delta-method one (Dinse and Larson), which without left truncation is the
// infinitesimal jackknife that R's survival package prints. An event of a cause beyond causes is an error, as
// are those of [Check].
func AalenJohansen(obs []Obs, causes int) (Incidence, error) {
	if err := causesWithin(obs, causes); err != nil {
		return Incidence{}, err
	}
	rows, err := riskTable(obs)
	if err != nil {
		return Incidence{}, err
	}
	out := Incidence{N: len(obs), Causes: causes, Steps: make([]IncidenceStep, 0, len(rows))}
	events, floats := make([]int, len(rows)*causes), make([]float64, 2*len(rows)*causes)
	sums := make([]varianceSums, causes)
	f := make([]float64, causes)
	s, greenwood := 1.0, 0.0
	for _, r := range rows {
		step := IncidenceStep{Time: r.time, AtRisk: r.atRisk,
			Events: events[:causes:causes], F: floats[:causes:causes], SE: floats[causes : 2*causes : 2*causes]}
		events, floats = events[causes:], floats[2*causes:]
		n, d := float64(r.atRisk), float64(r.events[0])
		for k := range causes {
			dk := float64(r.events[k+1])
			step.Events[k] = int(r.events[k+1])
			if d > 0 {
				f[k] += s * dk / n
				sums[k].add(n, d, dk, s, f[k])
			}
			step.F[k], step.SE[k] = f[k], sums[k].se(f[k])
		}
		if d > 0 {
			s *= (n - d) / n
			greenwood += d / (n * (n - d))
		}
		step.S = s
		if s > 0 {
			step.SSE = s * math.Sqrt(greenwood)
		}
		out.Steps = append(out.Steps, step)
	}
	return out, nil
}

// varianceSums carries the delta-method variance of one F: over the times j up to t, with g = F(t) - F(j),
//
//	g² d/(n(n-d)) + S(j-)² dk(n-dk)/n³ - 2 g S(j-) dk/n²
//
// multiplied out in powers of F(t), so that a step costs the same whatever came before.
type varianceSums struct{ b, bf, bff, a, c, cf float64 }

func (v *varianceSums) add(n, d, dk, s, f float64) {
	if n > d { // when all fail, F never rises again and g stays 0
		b := d / (n * (n - d))
		v.b += b
		v.bf += b * f
		v.bff += b * f * f
	}
	v.a += s * s * dk * (n - dk) / (n * n * n)
	c := s * dk / (n * n)
	v.c += c
	v.cf += c * f
}

func (v *varianceSums) se(f float64) float64 {
	variance := f*f*v.b - 2*f*v.bf + v.bff + v.a - 2*(f*v.c-v.cf)
	return math.Sqrt(max(variance, 0))
}

// At gives the step in force at t; before the first step nothing has happened.
func (in Incidence) At(t float64) IncidenceStep {
	i := sort.Search(len(in.Steps), func(i int) bool { return in.Steps[i].Time > t })
	if i == 0 {
		return IncidenceStep{AtRisk: in.N, S: 1, Events: make([]int, in.Causes),
			F: make([]float64, in.Causes), SE: make([]float64, in.Causes)}
	}
	return in.Steps[i-1]
}
