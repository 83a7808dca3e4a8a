package survival

import (
	"math"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	_ "gaussline/testdata/seed"
)

// read makes observations of times with "+" for censored, as the papers print them.
func read(t testing.TB, s string) []Obs {
	t.Helper()
	var out []Obs
	for _, f := range strings.Fields(s) {
		time, cause, coded := strings.Cut(strings.TrimSuffix(f, "+"), ":")
		v, err := strconv.ParseFloat(time, 64)
		if err != nil {
			t.Fatal(err)
		}
		o := Obs{Exit: v}
		switch {
		case coded:
			o.Event = int(cause[0] - '0')
		case !strings.HasSuffix(f, "+"):
			o.Event = 1
		}
		out = append(out, o)
	}
	return out
}

const (
	// Freireich 1963, remission in weeks, as reprinted in survival textbooks.
	sixMP   = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
	placebo = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"
	// Miller, acute myelogenous leukaemia, maintained arm; values from memory, recomputed.
	maintained = "9 13 13+ 18 23 28+ 31 34 45+ 48 161+"
	// Scrucca 2007, 35 transplant patients, time:cause (1 transplant death, 2 relapse).
	all = "13:2 1:1 72:0 7:2 8:2 9:2 5:2 1:2 22:2 0:2 0:1 35:0 4:2 14:2 26:2 3:2 12:1"
	aml = "67:0 70:0 4:0 7:0 68:0 10:2 7:2 3:1 4:1 4:1 3:1 3:1 8:1 2:2 35:0 2:0 8:0 32:0"
)

func within(a, b float64, places int) bool {
	return math.Abs(a-b) <= 0.5*math.Pow(10, -float64(places))+1e-9
}

func km(t testing.TB, obs []Obs, causes ...int) Curve {
	t.Helper()
	c, err := KaplanMeier(obs, causes...)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

type line struct {
	t                   float64
	n                   int
	s, se, lo, hi, l, h float64
}

func checkLines(t *testing.T, c Curve, first, second Method, lines []line) {
	t.Helper()
	for _, w := range lines {
		step := c.At(w.t)
		lo, hi, _ := Limits(step.S, step.SE, first, 0.95)
		l, h, _ := Limits(step.S, step.SE, second, 0.95)
		got := []float64{step.S, step.SE, lo, hi, l, h}
		for i, want := range []float64{w.s, w.se, w.lo, w.hi, w.l, w.h} {
			if !within(got[i], want, 4) {
				t.Errorf("t=%g: figure %d is %.6f, want %.4f", w.t, i, got[i], want)
			}
		}
		if step.AtRisk != w.n {
			t.Errorf("t=%g: %d at risk, want %d", w.t, step.AtRisk, w.n)
		}
	}
}

func TestLeukaemiaRemission(t *testing.T) {
	obs := read(t, sixMP)
	c := km(t, obs)
	checkLines(t, c, Plain, LogLog, []line{
		{6, 21, .8571, .0764, .7075, 1, .6197, .9516}, {7, 17, .8067, .0869, .6363, .9771, .5631, .9228},
		{10, 15, .7529, .0963, .5641, .9418, .5032, .8894}, {13, 12, .6902, .1068, .4808, .8995, .4316, .8491},
		{16, 11, .6275, .1141, .4039, .8510, .3675, .8049}, {22, 7, .5378, .1282, .2865, .7891, .2678, .7468},
		{23, 6, .4482, .1346, .1844, .7120, .1881, .6801},
	})
	if got := AtRisk(obs, []float64{0, 5, 10, 15, 20, 25, 30, 35}); !reflect.DeepEqual(got, []int{21, 21, 15, 11, 8, 5, 4, 1}) {
		t.Errorf("numbers at risk %v", got)
	}
	if q := c.Quantile(0.5, LogLog, 0.95); q.Time != 23 || q.Lower != 13 || !math.IsNaN(q.Upper) {
		t.Errorf("median %+v, published 23 (13 to not reached)", q)
	}
	if got := c.RestrictedMean(23); !within(got, 17.91, 2) {
		t.Errorf("restricted mean to 23 weeks %.4f, published 17.91", got)
	}
	lr, err := LogRank([][]Obs{obs, read(t, placebo)})
	if err != nil || !within(lr.ChiSquare, 16.7929, 4) {
		t.Errorf("log-rank %.6f %v, published 16.7929", lr.ChiSquare, err)
	}
	rate, _ := NewRate(9, Total(obs), 100, 0.95)
	if rate.Time != 359 || !within(rate.Value, 2.507, 3) || !within(rate.Lower, 1.146, 3) || !within(rate.Upper, 4.759, 3) {
		t.Errorf("rate %+v, want 2.507 (1.146 to 4.759) per 100 weeks of 359", rate)
	}
	p := km(t, read(t, placebo))
	if s := p.At(10); !within(s.S, 0.381, 3) || !within(s.SE, 0.106, 3) {
		t.Errorf("placebo at 10 weeks %.4f %.4f, published .381 .106", s.S, s.SE)
	}
	last := p.Steps[len(p.Steps)-1]
	if _, _, ok := Limits(last.S, last.SE, LogLog, 0.95); ok || last.S != 0 || !math.IsNaN(last.SE) {
		t.Errorf("at zero: %+v", last)
	}
}

// Bewick 2004: eight patients, the curve reaches zero, an event and a censoring tie at 9.
func TestCurveToZero(t *testing.T) {
	c := km(t, read(t, "1 1 4 5 6+ 9 9+ 22"))
	for at, want := range map[float64]float64{1: .750, 4: .625, 5: .500, 9: .333, 22: 0} {
		if got := c.At(at).S; !within(got, want, 3) {
			t.Errorf("S(%g) = %.4f, published %.3f", at, got, want)
		}
	}
	if got := c.At(9).AtRisk; got != 3 {
		t.Errorf("%d at risk at 9, want 3", got)
	}
}

func TestMaintenance(t *testing.T) {
	checkLines(t, km(t, read(t, maintained)), Log, LogLog, []line{
		{9, 11, .9091, .0867, .7541, 1, .5081, .9867}, {13, 10, .8182, .1163, .6192, 1, .4474, .9512},
		{18, 8, .7159, .1397, .4884, 1, .3502, .8990}, {23, 7, .6136, .1526, .3769, .9992, .2658, .8353},
		{31, 5, .4909, .1642, .2549, .9456, .1673, .7534}, {34, 4, .3682, .1627, .1549, .8753, .0928, .6570},
		{48, 2, .1841, .1535, .0359, .9435, .0117, .5250},
	})
}

// Published tables of exact Poisson limits; 3.689 and 4.80 to 18.39 in print, the others recomputed elsewhere.
func TestExactPoissonTable(t *testing.T) {
	for k, want := range map[int][2]float64{
		0: {0, 3.6889}, 1: {.0253, 5.5716}, 2: {.2422, 7.2247}, 3: {.6187, 8.7673}, 4: {1.0899, 10.2416}, 5: {1.6235, 11.6683},
		6: {2.2019, 13.0595}, 7: {2.8144, 14.4227}, 8: {3.4538, 15.7632}, 9: {4.1154, 17.0848}, 10: {4.7954, 18.3904},
		15: {8.3954, 24.7402}, 20: {12.2165, 30.8884}, 30: {20.2409, 42.8269}, 50: {37.1110, 65.9188}, 100: {81.3640, 121.6268},
	} {
		if lo, hi := Poisson(k, 0.95); !within(lo, want[0], 4) || !within(hi, want[1], 4) {
			t.Errorf("%d events: %.5f to %.5f, want %v", k, lo, hi, want)
		}
	}
	// Worked rate in print: 14 events in 400 years are 0.035 a year, exact .019135 to .058724.
	if r, _ := NewRate(14, 400, 1, 0.95); !within(r.Lower, .019135, 6) || !within(r.Upper, .058724, 6) || !within(r.Value, .035, 9) {
		t.Errorf("%+v", r)
	}
	if r, _ := NewRate(0, 120, 100, 0.95); r.Value != 0 || r.Lower != 0 || !within(r.Upper, 3.07, 2) {
		t.Errorf("no event in 120 years: %+v", r)
	}
	if _, ok := NewRate(0, 0, 100, 0.95); ok {
		t.Error("a rate without time observed")
	}
}

// Satagopan 2004, hand table of 305 patients; the paper adds rounded increments, so the computed values count.
func TestCompetingHandTable(t *testing.T) {
	obs := read(t, "7:0 10:1 14:0 16:1 18:2 23:1 24:0 26:2 27:1")
	for len(obs) < 305 {
		obs = append(obs, Obs{Exit: 100})
	}
	in, err := AalenJohansen(obs, 2)
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[float64][2]float64{
		10: {99.6711, .3289}, 16: {99.3410, .6590}, 18: {99.0110, .6590}, 23: {98.6809, .9890}, 26: {98.3498, .9890}, 27: {98.0187, 1.3202},
	} {
		step := in.At(at)
		if !within(100*step.S, want[0], 4) || !within(100*step.F[0], want[1], 4) {
			t.Errorf("t=%g: S %.4f F %.4f, want %v", at, 100*step.S, 100*step.F[0], want)
		}
	}
}

func TestTransplantPatients(t *testing.T) {
	obs := append(read(t, all), read(t, aml)...)
	in, err := AalenJohansen(obs, 2)
	if err != nil || in.N != 35 {
		t.Fatal(err, in.N)
	}
	for at, want := range map[float64][3]float64{ // at risk, F1, F2: Scrucca 2007, from a public test suite
		0: {35, .02857143, .02857143}, 1: {33, .05714286, .05714286}, 3: {29, .14581281, .11527094},
		4: {25, .20492611, .14482759}, 7: {20, .20492611, .23771992}, 8: {17, .23771164, .27050544},
		12: {12, .27283899, .34076015}, 14: {10, .27283899, .41101485}, 26: {8, .27283899, .48126955},
	} {
		step := in.At(at)
		if step.AtRisk != int(want[0]) || !within(step.F[0], want[1], 8) || !within(step.F[1], want[2], 8) {
			t.Errorf("t=%g: %d %.8f %.8f, want %v", at, step.AtRisk, step.F[0], step.F[1], want)
		}
	}
	end := in.Steps[len(in.Steps)-1]
	if !within(end.S, .24589146, 8) || !within(end.S+end.F[0]+end.F[1], 1, 12) {
		t.Errorf("at the end %+v", end)
	}
	for k, want := range []struct{ naive, lo, hi float64 }{{.329664, .1353, .4303}, {.628190, .2990, .6421}} {
		c := km(t, obs, k+1)
		if got := 1 - c.Steps[len(c.Steps)-1].S; !within(got, want.naive, 6) {
			t.Errorf("cause %d: naive %.6f, want %.6f", k+1, got, want.naive)
		}
		step := in.At(26)
		if lo, hi, _ := Limits(step.F[k], step.SE[k], LogLog, 0.95); !within(lo, want.lo, 4) || !within(hi, want.hi, 4) {
			t.Errorf("cause %d: %.4f to %.4f, want %.4f to %.4f", k+1, lo, hi, want.lo, want.hi)
		}
	}
	for name, want := range map[string][2]float64{all: {.17647059, .70588235}, aml: {.36818576, .20570747}} {
		in, _ := AalenJohansen(read(t, name), 2)
		if f := in.Steps[len(in.Steps)-1].F; !within(f[0], want[0], 8) || !within(f[1], want[1], 8) {
			t.Errorf("by disease: %v, want %v", f, want)
		}
	}
}

func anyObs(t *rapid.T, causes int) []Obs {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Obs {
		entry := float64(rapid.SampledFrom([]int{0, 0, 0, 1, 3}).Draw(t, "entry"))
		return Obs{Entry: entry, Exit: entry + float64(rapid.IntRange(1, 9).Draw(t, "length")),
			Event: rapid.IntRange(0, causes).Draw(t, "event")}
	}), 1, 40).Draw(t, "obs")
}

// S never rises, the causes and S sum to 1, all-cause S is the Kaplan–Meier one, the order of the observations
// does not matter, and Kaplan–Meier cannot be below Aalen–Johansen for one cause.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		obs := anyObs(t, 3)
		in, err := AalenJohansen(obs, 3)
		if err != nil {
			t.Fatal(err)
		}
		c, _ := KaplanMeier(obs)
		one, _ := KaplanMeier(obs, 1)
		reversed := make([]Obs, len(obs))
		for i, o := range obs {
			reversed[len(obs)-1-i] = o
		}
		if again, _ := AalenJohansen(reversed, 3); !reflect.DeepEqual(again, in) {
			t.Fatal("order matters")
		}
		last := 1.0
		for i, step := range in.Steps {
			sum := step.S
			for _, f := range step.F {
				sum += f
			}
			if math.Abs(sum-1) > 1e-12 || step.S > last || step.S != c.Steps[i].S || 1-one.Steps[i].S < step.F[0]-1e-12 {
				t.Fatalf("step %d: %+v, all-cause %+v, cause 1 alone %+v", i, step, c.Steps[i], one.Steps[i])
			}
			last = step.S
			if at := AtRisk(obs, []float64{step.Time}); at[0] != step.AtRisk {
				t.Fatalf("at risk %d and %d", at[0], step.AtRisk)
			}
		}
	})
}

func TestUnusableObservations(t *testing.T) {
	for name, o := range map[string]Obs{
		"NaN": {Exit: math.NaN()}, "infinite": {Exit: math.Inf(1)}, "exit before entry": {Entry: 3, Exit: 2},
		"before time 0": {Entry: -3, Exit: -2}, "no time": {Entry: 3, Exit: 3}, "cause": {Exit: 1, Event: MaxCauses + 1},
		"negative cause": {Exit: 1, Event: -1},
	} {
		if _, err := KaplanMeier([]Obs{{Exit: 1}, o}); err == nil || !strings.Contains(err.Error(), "observation 1") {
			t.Errorf("%s: error %v", name, err)
		}
	}
	if _, err := AalenJohansen([]Obs{{Exit: 1, Event: 3}}, 2); err == nil {
		t.Error("a cause beyond those named")
	}
	if _, err := LogRank([][]Obs{{{Exit: 1, Event: 1}}}); err == nil {
		t.Error("one group")
	}
	if c := km(t, nil); len(c.Steps) != 0 || c.At(5).S != 1 {
		t.Errorf("nothing observed: %+v", c)
	}
	if _, err := LogRank([][]Obs{{{Exit: 1}}, {{Exit: 2}}}); err == nil {
		t.Error("groups without events compared")
	}
}

func BenchmarkMillion(b *testing.B) {
	obs := make([]Obs, 1_000_000)
	x := uint32(1)
	for i := range obs {
		x = x*1664525 + 1013904223
		entry := 0.0
		if x>>28 == 0 {
			entry = float64(x >> 8 % 1000)
		}
		obs[i] = Obs{Entry: entry, Exit: entry + 1 + float64(x>>10%8000), Event: int(x >> 5 % 4)}
	}
	b.ReportAllocs()
	for b.Loop() {
		c, err := KaplanMeier(obs, 1)
		if err != nil || len(c.Steps) < 1000 {
			b.Fatal(err, len(c.Steps))
		}
		if _, err := AalenJohansen(obs, 3); err != nil {
			b.Fatal(err)
		}
		AtRisk(obs, []float64{0, 365, 3650})
		c.Quantile(0.1, LogLog, 0.95)
	}
}
