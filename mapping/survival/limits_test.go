package survival

import (
	"math"
	"testing"
)

// Before the first event the estimate is 1 with a standard error of 0: limits of 1 to 1 would look like certainty.
// The log-log limits are undefined there (they divide by ln 1), and the plain ones say as little.
func TestNoLimitsBeforeTheFirstEvent(t *testing.T) {
	for _, m := range []Method{Plain, LogLog} {
		if lo, hi, ok := Limits(1, 0, m, .95); ok || !math.IsNaN(lo) || !math.IsNaN(hi) {
			t.Errorf("%s: %v to %v", m, lo, hi)
		}
		if lo, hi, ok := Limits(.9, .05, m, .95); !ok || !(lo < .9 && .9 < hi) {
			t.Errorf("%s with events: %v to %v", m, lo, hi)
		}
	}
}
