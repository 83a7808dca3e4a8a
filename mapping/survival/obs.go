package survival

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// MaxCauses is the largest Event number accepted.
const MaxCauses = 15

// Obs is one thing observed from Entry to Exit, in any one unit of time.
type Obs struct {
	Entry float64 // when observation began; 0 from the start, later for a thing known only later (left truncation)
	Exit  float64 // when the event happened or observation ended
	Event int     // 0 censored, else the number of the cause
}

// Check reports the first observation that cannot be used: a time that is not finite, an exit before entry, an
// entry after 0 with no time after it, or a cause outside 0 to MaxCauses. The caller decides what becomes of it.
func Check(obs []Obs) error {
	for i, o := range obs {
		switch {
		case math.IsNaN(o.Entry) || math.IsInf(o.Entry, 0) || math.IsNaN(o.Exit) || math.IsInf(o.Exit, 0):
			return fmt.Errorf("observation %d: time is not finite", i)
		case o.Exit < o.Entry, o.Exit < 0:
			return fmt.Errorf("observation %d: exit before entry or before time 0", i)
		case o.Entry > 0 && o.Exit == o.Entry:
			return fmt.Errorf("observation %d: no time between entry and exit", i)
		case o.Event < 0 || o.Event > MaxCauses:
			return fmt.Errorf("observation %d: cause %d, want 0 to %d", i, o.Event, MaxCauses)
		}
	}
	return nil
}

// riskRow is one distinct exit time: how many are at risk there, how many events of each cause, how many end
// without.
type riskRow struct {
	time     float64
	atRisk   int
	events   [MaxCauses + 1]int32 // by cause; [0] is all causes
	censored int
}

// riskTable sorts the observations once into rows of distinct exit times: O(n log n).
func riskTable(obs []Obs) ([]riskRow, error) {
	if err := Check(obs); err != nil {
		return nil, err
	}
	exits := slices.Clone(obs)
	slices.SortFunc(exits, func(a, b Obs) int { return cmp.Compare(a.Exit, b.Exit) })
	late := lateEntries(obs)
	var rows []riskRow
	entered, begun := 0, len(obs)-len(late)
	for i := 0; i < len(exits); {
		row := riskRow{time: exits[i].Exit}
		for entered < len(late) && late[entered] < row.time {
			entered++
		}
		row.atRisk = begun + entered - i
		for ; i < len(exits) && exits[i].Exit == row.time; i++ {
			if k := exits[i].Event; k > 0 {
				row.events[k]++
				row.events[0]++
			} else {
				row.censored++
			}
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// lateEntries are the entries after time 0, sorted.
func lateEntries(obs []Obs) []float64 {
	var late []float64
	for _, o := range obs {
		if o.Entry > 0 {
			late = append(late, o.Entry)
		}
	}
	slices.Sort(late)
	return late
}

// AtRisk counts the observations at risk at each time: begun before it (or from the start) and not ended before.
func AtRisk(obs []Obs, times []float64) []int {
	exits := make([]float64, len(obs))
	for i, o := range obs {
		exits[i] = o.Exit
	}
	slices.Sort(exits)
	late := lateEntries(obs)
	out := make([]int, len(times))
	for i, t := range times {
		gone, _ := slices.BinarySearch(exits, t) // ended before t
		begun, _ := slices.BinarySearch(late, t) // began before t
		out[i] = len(obs) - len(late) + begun - gone
	}
	return out
}

// Total is the time under observation, from entry (not before 0) to exit.
func Total(obs []Obs) float64 {
	sum := 0.0
	for _, o := range obs {
		sum += o.Exit - max(o.Entry, 0)
	}
	return sum
}
