package stream

import "testing"

// Only an unbroken run of settled numbers from the first of the stream on is taken away at once.
func TestSettledFrom(t *testing.T) {
	for name, c := range map[string]struct {
		done              []uint64
		first, last, next uint64
		kept              int
	}{
		"an unbroken run":                {[]uint64{5, 6, 7}, 5, 9, 8, 3},
		"a message not settled in front": {[]uint64{6, 7}, 5, 9, 5, 2},
		"a gap":                          {[]uint64{5, 7}, 5, 9, 6, 2},
		"what is gone is forgotten":      {[]uint64{3, 4, 5}, 5, 9, 6, 1},
		"a stream made anew":             {[]uint64{5, 6, 70}, 5, 9, 5, 0},
		"made anew from the first":       {[]uint64{5, 6}, 1, 4, 1, 0},
	} {
		f := front{done: map[uint64]bool{}}
		for _, seq := range c.done {
			f.done[seq] = true
		}
		if next := f.settledFrom(c.first, c.last); next != c.next || len(f.done) != c.kept {
			t.Errorf("%s: from %d, %d kept; want %d, %d", name, next, len(f.done), c.next, c.kept)
		}
	}
}
