package survival

import (
	"math"
	"testing"
)

// Veteran data by cell type: R's documentation output, from memory: chi-square 25.4 on 3 degrees of freedom, p
// 1e-05, expected 47.7, 30.1, 15.7, 34.5.
func TestLogRankFourGroups(t *testing.T) {
	names := []string{"squamous", "smallcell", "adeno", "large"}
	groups := make([][]Obs, len(names))
	for _, row := range table(t, "veteran-input.csv") {
		for i, name := range names {
			if row["celltype"] == name {
				groups[i] = append(groups[i], Obs{Exit: number(t, row["time"]), Event: int(number(t, row["status"]))})
			}
		}
	}
	got, err := LogRank(groups)
	if err != nil || got.DF != 3 || !within(got.ChiSquare, 25.4, 1) || !within(got.P, 1e-5, 5) {
		t.Fatalf("%+v %v", got, err)
	}
	for i, want := range []float64{47.7, 30.1, 15.7, 34.5} {
		if !within(got.Expected[i], want, 1) {
			t.Errorf("%s: expected %.3f, want %.1f", names[i], got.Expected[i], want)
		}
	}
}

// A curve that stays at the share to its end: R takes the middle up to the last time observed (quantile.survfit,
// rule from memory). One that falls below at a later event: the middle of the stretch.
func TestQuantileOnAStretch(t *testing.T) {
	for data, want := range map[string]float64{"1 5+": 3, "1 3 4 5": 3.5, "1 3+ 4 5+": 4} {
		if got := km(t, read(t, data)).Quantile(0.5, Log, 0.95).Time; got != want {
			t.Errorf("median of %s: %g, want %g", data, got, want)
		}
	}
	if q := km(t, read(t, "1 2+ 3+ 4+")).Quantile(0.5, Log, 0.95); !math.IsNaN(q.Time) {
		t.Errorf("median %g of a curve that never gets there", q.Time)
	}
}

func TestTotalCountsFromEntry(t *testing.T) {
	if got := Total([]Obs{{Entry: -2, Exit: 3}, {Entry: 1, Exit: 4}, {Exit: 5}}); got != 11 {
		t.Errorf("time observed %g, want 3 + 3 + 5", got)
	}
}
