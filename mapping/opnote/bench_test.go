package opnote

import (
	"fmt"
	"strings"
	"testing"
)

// benchText is ordinary note text of about n bytes: the development notes one after another.
func benchText(tb testing.TB, n int) string {
	var b strings.Builder
	notes := loadCorpus(tb, "dev")
	for i := 0; b.Len() < n; i++ {
		b.WriteString(notes[i%len(notes)].note.Text)
		b.WriteString("\n\n")
	}
	return b.String()[:n]
}

// BenchmarkRead shows that time grows with length and no faster: MB/s must not fall from 1 kB to 1 MB.
func BenchmarkRead(b *testing.B) {
	for _, n := range []int{1_000, 10_000, 100_000, 1_000_000} {
		note := Note{Text: benchText(b, n), Title: "Revision", Type: TypeProcedure, Date: "2026-05-03"}
		b.Run(fmt.Sprintf("%dB", n), func(b *testing.B) {
			b.SetBytes(int64(n))
			b.ReportAllocs()
			for range b.N {
				Read(note)
			}
		})
	}
}

// BenchmarkReadOrdinary is the same over one ordinary full operation report (development note 096), most of whose
// sentences are not about a part. The notes of BenchmarkRead are denser than real ones: each sentence is a trap.
func BenchmarkReadOrdinary(b *testing.B) {
	for _, c := range loadCorpus(b, "dev") {
		if !strings.HasPrefix(c.name, "096") {
			continue
		}
		note := c.note
		note.Text = strings.Repeat(note.Text+"\n\n", 1+10_000/len(note.Text))
		b.SetBytes(int64(len(note.Text)))
		b.ReportAllocs()
		for range b.N {
			Read(note)
		}
	}
}
