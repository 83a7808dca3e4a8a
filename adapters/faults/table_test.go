package faults

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// line is a line of the table.
type line struct {
	fault         string
	rounds        int
	lost, doubled int
	recovered     string // how long after the fault ended everything was in order again
	note          string
}

var table struct {
	sync.Mutex
	lines []line
}

// figure adds a line to the table.
func figure(l line) {
	table.Lock()
	defer table.Unlock()
	table.lines = append(table.lines, l)
}

func TestMain(m *testing.M) {
	code := m.Run()
	slices.SortFunc(table.lines, func(a, b line) int { return strings.Compare(a.fault, b.fault) })
	if len(table.lines) > 0 {
		fmt.Printf("%-50s %7s %5s %8s %13s  %s\n", "fault", "rounds", "lost", "doubled", "recovered in", "")
	}
	for _, l := range table.lines {
		fmt.Printf("%-50s %7d %5d %8d %13s  %s\n", l.fault, l.rounds, l.lost, l.doubled, l.recovered, l.note)
	}
	os.Exit(code)
}

// clock is a clock that tests move.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func newClock() *clock { return &clock{at: time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) forward(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}
