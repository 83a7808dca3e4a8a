package survival

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

func causesWithin(obs []Obs, causes int) error {
	if causes < 1 || causes > MaxCauses {
		return fmt.Errorf("%d causes, want 1 to %d", causes, MaxCauses)
	}
	for i, o := range obs {
		if o.Event > causes {
			return fmt.Errorf("observation %d: cause %d of %d", i, o.Event, causes)
		}
	}
	return nil
}

// MaxGroups is how many groups one log-rank test compares.
const MaxGroups = 64

// LogRankResult is the outcome of a log-rank test.
type LogRankResult struct {
	ChiSquare float64
	DF        int
	P         float64
	Observed  []float64 // events in each group
	Expected  []float64 // had all groups one hazard
}

// LogRank compares the hazards of two or more groups (Mantel–Haenszel); every event counts. It is an error when
// there are fewer than two groups or nothing to compare them by.
func LogRank(groups [][]Obs) (LogRankResult, error) {
	g := len(groups)
	if g < 2 || g > MaxGroups {
		return LogRankResult{}, fmt.Errorf("%d groups, want 2 to %d", g, MaxGroups)
	}
	var all []Obs
	tables := make([][]riskRow, g)
	for i, obs := range groups {
		rows, err := riskTable(obs)
		if err != nil {
			return LogRankResult{}, fmt.Errorf("group %d: %w", i, err)
		}
		tables[i] = rows
		all = append(all, obs...)
	}
	pooled, err := riskTable(all)
	if err != nil {
		return LogRankResult{}, err
	}
	times := make([]float64, len(pooled))
	for i, r := range pooled {
		times[i] = r.time
	}
	atRisk := make([][]int, g)
	for i := range groups {
		atRisk[i] = AtRisk(groups[i], times)
	}
	res := LogRankResult{DF: g - 1, Observed: make([]float64, g), Expected: make([]float64, g)}
	covariance := make([][]float64, g-1)
	for i := range covariance {
		covariance[i] = make([]float64, g-1)
	}
	for j, r := range pooled {
		res.addTime(r, atRisk, j, covariance)
	}
	for i, rows := range tables {
		for _, r := range rows {
			res.Observed[i] += float64(r.events[0])
		}
	}
	return res, res.solve(covariance)
}

// addTime adds one event time to the expected counts and their covariance.
func (res *LogRankResult) addTime(r riskRow, atRisk [][]int, j int, covariance [][]float64) {
	d, n := float64(r.events[0]), float64(r.atRisk)
	if d == 0 {
		return
	}
	for i := range atRisk {
		share := float64(atRisk[i][j]) / n
		res.Expected[i] += d * share
		if i == len(covariance) || n <= 1 {
			continue
		}
		for k := range covariance {
			v := -share * float64(atRisk[k][j]) / n
			if i == k {
				v += share
			}
			covariance[i][k] += d * (n - d) / (n - 1) * v
		}
	}
}

// solve computes the statistic u'V⁻¹u for the first g-1 groups by elimination with pivoting.
func (res *LogRankResult) solve(v [][]float64) error {
	g := len(v)
	x := make([]float64, g)
	for i := range x {
		x[i] = res.Observed[i] - res.Expected[i]
	}
	u := append([]float64(nil), x...)
	for i := range g {
		p := i
		for k := i + 1; k < g; k++ {
			if math.Abs(v[k][i]) > math.Abs(v[p][i]) {
				p = k
			}
		}
		if math.Abs(v[p][i]) < 1e-12 {
			return errors.New("groups cannot be compared: no event while two of them are at risk")
		}
		v[i], v[p], x[i], x[p] = v[p], v[i], x[p], x[i]
		for k := i + 1; k < g; k++ {
			f := v[k][i] / v[i][i]
			for m := i; m < g; m++ {
				v[k][m] -= f * v[i][m]
			}
			x[k] -= f * x[i]
		}
	}
	for i := g - 1; i >= 0; i-- {
		for k := i + 1; k < g; k++ {
			x[i] -= v[i][k] * x[k]
		}
		x[i] /= v[i][i]
		res.ChiSquare += u[i] * x[i]
	}
	res.P = distuv.ChiSquared{K: float64(res.DF)}.Survival(res.ChiSquare)
	return nil
}
