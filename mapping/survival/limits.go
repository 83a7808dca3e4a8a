package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Method is how confidence limits are made. Every figure must name it.
type Method string

// Methods for the limits of a probability.
const (
	Plain  Method = "plain"   // p ± z SE, cut to 0 to 1; none at p = 0 or 1, where SE is 0 and the limits would be p itself
	Log    Method = "log"     // p exp(± z SE/p), cut at 1
	LogLog Method = "log-log" // p^exp(± z SE/(p ln p)), stays within 0 to 1
)

// Words names the method as a figure's text does.
func (m Method) Words(level float64) string {
	return fmt.Sprintf("%g %% pointwise limits, %s", 100*level, map[Method]string{
		Plain: "plain (Greenwood), none before the first event", Log: "log transformation", LogLog: "log-log transformation, none before the first event",
	}[m])
}

// normalQuantile is z such that a standard normal lies within ±z with probability level.
func normalQuantile(level float64) float64 {
	return distuv.UnitNormal.Quantile(0.5 + level/2)
}

// Limits gives the two-sided limits of a probability p with standard error se at a level such as 0.95. ok is
// false where the method has none: at p = 0, for plain and log-log also at p = 1 (no event yet: a standard error of 0
// is no certainty), and for a standard error that is not known. lo and hi are then NaN.
func Limits(p, se float64, method Method, level float64) (lo, hi float64, ok bool) {
	none := math.NaN()
	if math.IsNaN(p) || math.IsNaN(se) || level <= 0 || level >= 1 {
		return none, none, false
	}
	z := normalQuantile(level)
	switch {
	case method == Plain && p > 0 && p < 1:
		return max(p-z*se, 0), min(p+z*se, 1), true
	case method == Log && p > 0:
		w := math.Exp(z * se / p)
		return p / w, min(p*w, 1), true
	case method == LogLog && p > 0 && p < 1:
		w := math.Exp(z * se / (p * math.Log(p)))
		lo, hi := math.Pow(p, w), math.Pow(p, 1/w)
		return min(lo, hi), max(lo, hi), true
	}
	return none, none, false
}

// Poisson gives the exact two-sided (Garwood) limits of the mean of a Poisson count, as chi-square quantiles.
// With no event the lower limit is 0 and the upper is still that of two sides (3.689 at 95 %).
func Poisson(events int, level float64) (lo, hi float64) {
	tail := (1 - level) / 2
	k := float64(events)
	if events > 0 {
		lo = chiSquare(tail, 2*k) / 2
	}
	return lo, chiSquare(1-tail, 2*k+2) / 2
}

func chiSquare(p, df float64) float64 { return distuv.ChiSquared{K: df}.Quantile(p) }

// Rate is a number of events over time observed.
type Rate struct {
	Events              int
	Time                float64 // in the unit that Per counts, such as component-years
	Per                 float64 // how many units of time the figures are for, such as 100
	Value, Lower, Upper float64 // events per Per units, exact Poisson limits
	Level               float64
}

// NewRate gives events per `per` units of time with exact Poisson limits. ok is false when no time was observed.
func NewRate(events int, time, per, level float64) (r Rate, ok bool) {
	if time <= 0 || events < 0 || math.IsNaN(time) {
		return Rate{}, false
	}
	lo, hi := Poisson(events, level)
	f := per / time
	return Rate{events, time, per, float64(events) * f, lo * f, hi * f, level}, true
}
