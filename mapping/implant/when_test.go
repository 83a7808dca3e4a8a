package implant

import (
	"fmt"
	"testing"
	"time"
)

// A day means what Go's time package reads it as, and nothing is a day that time does not take for one.
func TestDaysAreReadAsTimeReadsThem(t *testing.T) {
	texts := []string{"2026-02-29", "2024-02-29", "1900-02-29", "2000-02-29", "2026-00-10", "2026-13-10", "2026-01-00", "2026-01-32",
		"0000-01-01", "9999-12-31", "2026-1-011", "2026-01-1 ", " 026-01-01", "-026-01-01", "+026-01-01", "2026/01-01", "2026-01/01", "2026-0١-1"}
	for m := 0; m < 14; m++ {
		for d := 0; d < 34; d++ {
			texts = append(texts, fmt.Sprintf("2023-%02d-%02d", m, d), fmt.Sprintf("2024-%02d-%02d", m, d))
		}
	}
	days := 0
	for _, s := range texts {
		want, err := time.Parse(time.DateOnly, s)
		from, ok := plainDay(s)
		if ok != (err == nil) || ok && from != want {
			t.Errorf("%q: %v %v, time says %v %v", s, from, ok, want, err)
		}
		if ok {
			days++
			if _, to, ok := When(s).Bounds(); !ok || to != want.AddDate(0, 0, 1) {
				t.Errorf("%q ends at %v", s, to)
			}
		}
	}
	if days < 365+366 {
		t.Errorf("%d days", days)
	}
}
