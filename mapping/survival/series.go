package survival

import "math"

// Point is a value of a step curve, in percent, that holds from X to the next point. Lo and Hi are its limits,
// NaN where there are none.
type Point struct{ X, Y, Lo, Hi float64 }

// Series is one curve of a [Chart].
type Series struct {
	Name   string
	Points []Point // by X
	End    float64 // time to which the last point holds
	AtRisk []int   // at the chart's RiskTimes
}

// Show says how an estimate becomes a series.
type Show struct {
	Name   string
	Method Method
	Level  float64
	// MinAtRisk ends the curve before the first time with fewer at risk; 0 shows all. About 40 is the habit of one
	// register; common practice, no source.
	MinAtRisk int
}

// Failure gives the cumulative percent that has failed, 100(1 - S), from time 0.
func (c Curve) Failure(show Show) Series {
	b := builder{show: show}
	for _, step := range c.Steps {
		lo, hi, ok := Limits(step.S, step.SE, show.Method, show.Level)
		if !b.add(step.Time, step.AtRisk, 1-step.S, 1-hi, 1-lo, ok) {
			break
		}
	}
	return b.series()
}

// Failure gives the cumulative incidence of one cause in percent, from time 0; cause counts from 1. A cause that
// was not estimated gives an empty series.
func (in Incidence) Failure(cause int, show Show) Series {
	b := builder{show: show}
	if cause < 1 || cause > in.Causes {
		return Series{Name: show.Name}
	}
	for _, step := range in.Steps {
		p, se := step.F[cause-1], step.SE[cause-1]
		lo, hi, ok := Limits(p, se, show.Method, show.Level)
		if !b.add(step.Time, step.AtRisk, p, lo, hi, ok) {
			break
		}
	}
	return b.series()
}

type builder struct {
	show   Show
	points []Point
	end    float64
}

// add takes one step of a probability and its limits; false ends the curve.
func (b *builder) add(time float64, atRisk int, p, lo, hi float64, ok bool) bool {
	if atRisk < b.show.MinAtRisk {
		return false
	}
	b.end = time
	q := Point{time, 100 * p, 100 * lo, 100 * hi}
	if !ok {
		q.Lo, q.Hi = math.NaN(), math.NaN()
	}
	if n := len(b.points); n == 0 || !sameValues(b.points[n-1], q) {
		b.points = append(b.points, q)
	}
	return true
}

func sameValues(a, b Point) bool {
	return a.Y == b.Y && same(a.Lo, b.Lo) && same(a.Hi, b.Hi)
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

func (b *builder) series() Series {
	if len(b.points) > 0 && b.points[0].X > 0 {
		b.points = append([]Point{{0, 0, math.NaN(), math.NaN()}}, b.points...)
	}
	return Series{Name: b.show.Name, Points: b.points, End: b.end}
}
