package survival

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
)

// The files in testdata/survival are the output of R 4.2.2, survival 3.5-3, on published data sets; the script
// that made them is beside them. Agreement is asked to 1e-9.
const tolerance = 1e-9

// table reads a CSV as rows of named columns.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("../../testdata/survival", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = r[i]
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		t.Fatalf("%s is empty", name)
	}
	return out
}

// number reads a figure; blank is R's NA.
func number(t testing.TB, s string) float64 {
	t.Helper()
	if s == "" || s == "NA" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(a, b float64) bool {
	if math.IsNaN(a) || math.IsNaN(b) {
		return math.IsNaN(a) && math.IsNaN(b)
	}
	return math.Abs(a-b) <= tolerance*max(1, math.Abs(b))
}

// dataset is one oracle: which columns of the input are what, and how strata are named.
type dataset struct {
	name, input, entry, time, event, stratum string
	eventIs                                  string // value of event that counts; "" any but 0
}

var kmSets = []dataset{
	{name: "lung-all", input: "lung-input.csv", time: "time", event: "event"},
	{name: "lung-sex", input: "lung-input.csv", time: "time", event: "event", stratum: "sex"},
	{name: "veteran-trt", input: "veteran-input.csv", time: "time", event: "status", stratum: "trt"},
	{name: "aml", input: "aml-input.csv", time: "time", event: "status", stratum: "x"},
	{name: "ovarian", input: "ovarian-input.csv", time: "futime", event: "fustat", stratum: "rx"},
	{name: "pbc-death-all", input: "pbc-input.csv", time: "time", event: "status", eventIs: "2"},
	{name: "heart-delayed-entry", input: "heart-input.csv", entry: "start", time: "stop", event: "event", stratum: "transplant"},
}

// strata reads the input as R's strata.
func (d dataset) strata(t testing.TB) map[string][]Obs {
	out := map[string][]Obs{}
	for _, row := range table(t, d.input) {
		o := Obs{Exit: number(t, row[d.time])}
		if d.entry != "" {
			o.Entry = number(t, row[d.entry])
		}
		if e := row[d.event]; e != "0" && (d.eventIs == "" || e == d.eventIs) {
			o.Event = 1
		}
		name := "all"
		if d.stratum != "" {
			name = d.stratum + "=" + row[d.stratum]
		}
		out[name] = append(out[name], o)
	}
	return out
}

func TestKaplanMeierAgainstR(t *testing.T) {
	compared := 0
	for _, set := range kmSets {
		for name, obs := range set.strata(t) {
			curve, err := KaplanMeier(obs)
			if err != nil {
				t.Fatal(err)
			}
			i := map[string]int{}
			for _, row := range table(t, set.name+"-km.csv") {
				method := Method(row["conf_type"])
				if row["stratum"] != name || method == "arcsin" { // a fourth method we do not offer
					continue
				}
				step := curve.Steps[i[row["conf_type"]]]
				i[row["conf_type"]]++
				lo, hi, _ := Limits(step.S, step.SE, method, 0.95)
				for _, c := range []struct {
					what string
					got  float64
				}{
					{"time", step.Time}, {"n_risk", float64(step.AtRisk)}, {"n_event", float64(step.Events)},
					{"n_censor", float64(step.Censored)}, {"surv", step.S}, {"std_err", step.SE}, {"lower", lo},
					{"upper", hi}, {"cumhaz_na", step.CumHaz}, {"std_chaz_na", step.CumHazSE},
				} {
					if want := number(t, row[c.what]); !near(c.got, want) {
						t.Errorf("%s %s %s at %s: %s %.15g, R %.15g", set.name, name, method, row["time"], c.what, c.got, want)
					}
					compared++
				}
			}
			for method, n := range i {
				if n != len(curve.Steps) {
					t.Errorf("%s %s %s: %d steps, R %d", set.name, name, method, len(curve.Steps), n)
				}
			}
		}
	}
	t.Logf("%d figures compared", compared)
	if compared < 10000 {
		t.Errorf("only %d figures compared", compared)
	}
}

func TestAtTimesAgainstR(t *testing.T) {
	for _, set := range kmSets {
		strata := set.strata(t)
		for _, row := range table(t, set.name+"-km-at-times.csv") {
			obs := strata[row["stratum"]]
			curve, _ := KaplanMeier(obs)
			at := number(t, row["time"])
			step := curve.At(at)
			lo, hi, _ := Limits(step.S, step.SE, Log, 0.95)
			for what, got := range map[string]float64{"surv": step.S, "std_err": step.SE, "lower": lo, "upper": hi,
				"n_risk": float64(AtRisk(obs, []float64{at})[0])} {
				if what == "n_risk" && set.entry != "" && at == 0 {
					continue // R prints the risk set of the first later time; we count who has begun by then
				}
				want := number(t, row[what])
				if !near(got, want) {
					t.Errorf("%s %s at %g: %s %.15g, R %.15g", set.name, row["stratum"], at, what, got, want)
				}
			}
		}
	}
}

func TestQuantilesAgainstR(t *testing.T) {
	for _, set := range kmSets {
		strata := set.strata(t)
		for _, row := range table(t, set.name+"-quantiles.csv") {
			curve, _ := KaplanMeier(strata[row["stratum"]])
			q := curve.Quantile(number(t, row["prob"]), Log, 0.95)
			for what, got := range map[string]float64{"time": q.Time, "lower": q.Lower, "upper": q.Upper} {
				if want := number(t, row[what]); !near(got, want) {
					t.Errorf("%s %s p=%s: %s %g, R %g", set.name, row["stratum"], row["prob"], what, got, want)
				}
			}
		}
	}
}

// ajSets are the competing-risk oracles; causes in the order of R's states after s0.
var ajSets = []struct {
	name, input, time, status, stratum string
	causes                             []string
}{
	{"pbc", "pbc-input.csv", "time", "status", "", []string{"transplant", "death"}},
	{"mgus2-sex", "mgus2-input.csv", "etime", "estat", "sex", []string{"pcm", "death"}},
}

func TestAalenJohansenAgainstR(t *testing.T) {
	for _, set := range ajSets {
		strata := map[string][]Obs{}
		for _, row := range table(t, set.input) {
			name := "all"
			if set.stratum != "" {
				name = set.stratum + "=" + row[set.stratum]
			}
			strata[name] = append(strata[name], Obs{Exit: number(t, row[set.time]), Event: int(number(t, row[set.status]))})
		}
		curves := map[string]Incidence{}
		for name, obs := range strata {
			in, err := AalenJohansen(obs, len(set.causes))
			if err != nil {
				t.Fatal(err)
			}
			curves[name] = in
		}
		next := map[string]int{}
		for _, row := range table(t, set.name+"-aj.csv") {
			in := curves[row["stratum"]]
			step := in.Steps[next[row["stratum"]]]
			next[row["stratum"]]++
			checkState(t, set.name, row, step, set.causes)
			if want := number(t, row["n_risk_start"]); float64(step.AtRisk) != want {
				t.Errorf("%s at %s: at risk %d, R %g", set.name, row["time"], step.AtRisk, want)
			}
		}
		for name, in := range curves {
			if next[name] != len(in.Steps) {
				t.Errorf("%s %s: %d steps, R %d", set.name, name, len(in.Steps), next[name])
			}
		}
		for _, row := range table(t, set.name+"-aj-at-times.csv") {
			step := curves[row["stratum"]].At(number(t, row["time"]))
			checkState(t, set.name, row, step, set.causes)
			for k, cause := range set.causes {
				lo, hi, _ := Limits(step.F[k], step.SE[k], Log, 0.95)
				if !near(lo, number(t, row["lo_"+cause])) || !near(hi, number(t, row["hi_"+cause])) {
					t.Errorf("%s %s %s: limits %g %g, R %s %s", set.name, cause, row["time"], lo, hi, row["lo_"+cause], row["hi_"+cause])
				}
			}
		}
	}
}

func checkState(t *testing.T, set string, row map[string]string, step IncidenceStep, causes []string) {
	t.Helper()
	check := func(what string, got float64) {
		if want := number(t, row[what]); !near(got, want) {
			t.Errorf("%s %s at %s: %s %.15g, R %.15g", set, row["stratum"], row["time"], what, got, want)
		}
	}
	check("p_s0", step.S)
	check("se_s0", step.SSE)
	sum := step.S
	for k, cause := range causes {
		check("p_"+cause, step.F[k])
		check("se_"+cause, step.SE[k])
		sum += step.F[k]
	}
	if math.Abs(sum-1) > 1e-12 {
		t.Errorf("%s at %s: probabilities sum to %.15g", set, row["time"], sum)
	}
}

func TestLogRankAgainstR(t *testing.T) {
	sets := map[string]string{"lung-sex": "lung-sex", "veteran-trt": "veteran-trt", "aml": "aml", "ovarian-rx": "ovarian"}
	rows := table(t, "logrank.csv")
	for name, setName := range sets {
		var strata map[string][]Obs
		for _, set := range kmSets {
			if set.name == setName {
				strata = set.strata(t)
			}
		}
		var groups [][]Obs
		var want []map[string]string
		for _, row := range rows {
			if row["test"] == name {
				groups = append(groups, strata[row["group"]])
				want = append(want, row)
			}
		}
		got, err := LogRank(groups)
		if err != nil {
			t.Fatal(name, err)
		}
		if !near(got.ChiSquare, number(t, want[0]["chisq"])) || !near(got.P, number(t, want[0]["p"])) || got.DF != 1 {
			t.Errorf("%s: chi-square %.15g p %.15g, R %s %s", name, got.ChiSquare, got.P, want[0]["chisq"], want[0]["p"])
		}
		for i, row := range want {
			if !near(got.Observed[i], number(t, row["observed"])) || !near(got.Expected[i], number(t, row["expected"])) {
				t.Errorf("%s %s: observed %g expected %.15g, R %s %s", name, row["group"], got.Observed[i], got.Expected[i],
					row["observed"], row["expected"])
			}
		}
	}
}

func TestPoissonAgainstR(t *testing.T) {
	for _, row := range table(t, "poisson-exact-ci.csv") {
		lo, hi := Poisson(int(number(t, row["count"])), number(t, row["conf_level"]))
		if !near(lo, number(t, row["lower"])) || !near(hi, number(t, row["upper"])) {
			t.Errorf("count %s at %s: %.15g %.15g, R %s %s", row["count"], row["conf_level"], lo, hi, row["lower"], row["upper"])
		}
	}
	for _, row := range table(t, "poisson-rate-ci.csv") {
		r, ok := NewRate(int(number(t, row["events"])), number(t, row["person_time"]), 1, 0.95)
		if !ok || !near(r.Value, number(t, row["rate"])) || !near(r.Lower, number(t, row["lower"])) || !near(r.Upper, number(t, row["upper"])) {
			t.Errorf("rate of %s in %s: %+v", row["events"], row["person_time"], r)
		}
	}
}

// Three and more groups have no oracle file; with two groups exchanged the statistic must stay, and a group cut
// in two at random by position must not change the pooled expectation.
func TestLogRankGroupsExchanged(t *testing.T) {
	strata := kmSets[1].strata(t)
	a, b := strata["sex=1"], strata["sex=2"]
	x, err1 := LogRank([][]Obs{a, b})
	y, err2 := LogRank([][]Obs{b, a})
	z, err3 := LogRank([][]Obs{a[:60], b, a[60:]})
	if err1 != nil || err2 != nil || err3 != nil {
		t.Fatal(err1, err2, err3)
	}
	if !near(x.ChiSquare, y.ChiSquare) || z.DF != 2 || !near(z.Expected[0]+z.Expected[2], x.Expected[0]) {
		t.Errorf("%+v\n%+v\n%+v", x, y, z)
	}
	if !slices.Equal(z.Observed, []float64{z.Observed[0], x.Observed[1], x.Observed[0] - z.Observed[0]}) {
		t.Errorf("observed %v", z.Observed)
	}
}
