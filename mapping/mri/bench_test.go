package mri

import (
	"testing"

	"gaussline/mapping/codes"
)

// BenchmarkDecide decides for a patient with two systems on four scanners. Aim: under 20 µs on an idle machine.
func BenchmarkDecide(b *testing.B) {
	labels, scanners := demo(b)
	rec, exam := twoSystems(), examOf(codes.Brain)
	if k := Decide(rec, exam, labels, scanners, Policy{}, asOf).Kind; k != KindWithinIf {
		b.Fatalf("kind %s", k)
	}
	b.ReportAllocs()
	for b.Loop() {
		Decide(rec, exam, labels, scanners, Policy{}, asOf)
	}
}
