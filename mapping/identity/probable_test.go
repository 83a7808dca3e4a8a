package identity

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Winkler's table (US Census Bureau rr94-5 table 2.1, rr97-2), recomputed with independent libraries; Jaro and
// Jaro–Winkler to three places.
func TestJaroWinklerTable(t *testing.T) {
	for _, c := range []struct {
		a, b  string
		j, jw float64
	}{
		{"SHACKLEFORD", "SHACKELFORD", .970, .982}, {"DUNNINGHAM", "CUNNIGHAM", .896, .896},
		{"NICHLESON", "NICHULSON", .926, .956}, {"JONES", "JOHNSON", .790, .832}, {"MASSEY", "MASSIE", .889, .933},
		{"ABROMS", "ABRAMS", .889, .922}, {"HARDIN", "MARTINEZ", .722, .722}, {"ITMAN", "SMITH", .467, .467},
		{"JERALDINE", "GERALDINE", .926, .926}, {"MARTHA", "MARHTA", .944, .961}, {"MICHELLE", "MICHAEL", .869, .921},
		{"JULIES", "JULIUS", .889, .933}, {"TANYA", "TONYA", .867, .880}, {"DWAYNE", "DUANE", .822, .840},
		{"SEAN", "SUSAN", .783, .805}, {"JON", "JOHN", .917, .933}, {"JON", "JAN", .778, .800},
		{"BROOKHAVEN", "BRROKHAVEN", .933, .947}, {"BROOK HALLOW", "BROOK HLLW", .944, .967},
		{"DECATUR", "DECATIR", .905, .943}, {"FITZRUREITER", "FITZENREITER", .856, .913}, {"HIGBEE", "HIGHEE", .889, .922},
		{"LACURA", "LOCURA", .889, .900}, {"IOWA", "IONA", .833, .867}, {"1ST", "IST", .778, .778},
		{"DIXON", "DICKSONX", .767, .813}, {"CRATE", "TRACE", .733, .733}, {"MÜLLER", "MUELLER", .783, .804},
	} {
		for _, order := range [][2]string{{c.a, c.b}, {c.b, c.a}} {
			j, jw := Jaro(order[0], order[1]), JaroWinkler(order[0], order[1])
			if math.Abs(j-c.j) > 0.00051 || math.Abs(jw-c.jw) > 0.00051 {
				t.Errorf("%v: %.4f %.4f, want %.3f %.3f", order, j, jw, c.j, c.jw)
			}
		}
	}
	// Exact fractions of the same table.
	for _, c := range []struct {
		a, b string
		j    float64
	}{{"SHACKLEFORD", "SHACKELFORD", 32. / 33}, {"DUNNINGHAM", "CUNNIGHAM", 121. / 135}, {"NICHLESON", "NICHULSON", 25. / 27},
		{"JONES", "JOHNSON", 83. / 105}, {"MASSEY", "MASSIE", 8. / 9}, {"HARDIN", "MARTINEZ", 13. / 18}, {"ITMAN", "SMITH", 7. / 15}} {
		if got := Jaro(c.a, c.b); math.Abs(got-c.j) > 1e-12 {
			t.Errorf("%s %s: %.15f, want %.15f", c.a, c.b, got, c.j)
		}
	}
	if Jaro("", "") != 0 || JaroWinkler("", "A") != 0 {
		t.Error("an empty name is like another")
	}
}

// Worked weights: birth month is the textbook case (from memory), street name a vendor-neutral published FAQ
// (6.49), the others illustrative and recomputed.
func TestWeights(t *testing.T) {
	for _, c := range []struct {
		name                string
		m, u, agree, differ float64
	}{
		{"birth month", .95, 1. / 12, 3.5110, -4.1964}, {"street name", .9, .01, 6.4919, -3.3074}, {"sex", .99, .5, 0.9855, -5.6439},
		{"surname", .95, .001, 9.8918, -4.3205}, {"birth year", .98, 1. / 80, 6.2928, -5.6257}, {"postcode", .8, 1. / 2000, 10.6439, -2.3212},
	} {
		agree, differ := Weight(c.m, c.u)
		if math.Abs(agree-c.agree) > 5e-5 || math.Abs(differ-c.differ) > 5e-5 {
			t.Errorf("%s: %.4f %.4f, want %.4f %.4f", c.name, agree, differ, c.agree, c.differ)
		}
	}
}

// PMC5297137 table 1, real hospital data by birth date, sex, postcode: 14,009 matches to 10 chance pairs when all
// agree, 15,924 to 415,888 when only birth date and sex do. Posterior odds are prior odds times 2^weight, so any
// prior and the pattern's likelihood ratio must give the published share back.
func TestPosterior(t *testing.T) {
	const matches, chance = 29983., 830457. // sums of the five patterns printed
	prior := matches / (matches + chance)
	for _, c := range []struct{ match, chance, want float64 }{{14009, 10, .9993}, {15924, 415888, .0369}, {12, 4, .7500}} {
		weight := math.Log2(c.match / matches / (c.chance / chance))
		if got := Posterior(prior, weight); math.Abs(got-c.want) > 5e-5 {
			t.Errorf("%g matches to %g: %.4f, want %.4f", c.match, c.chance, got, c.want)
		}
	}
	if got := Posterior(0.5, 2000); got != 1 {
		t.Errorf("beyond the range: %g", got)
	}
}

func TestProbable(t *testing.T) {
	base := Person{Key: "a", Birth: "1960-05-01", Sex: "female", Family: "Müller", Given: "Anna-Lena"}
	with := func(key string, change func(*Person)) Person {
		p := base
		p.Key = key
		change(&p)
		return p
	}
	for _, c := range []struct {
		name  string
		other Person
		asked bool
	}{
		{"the same person typed elsewhere", with("b", func(p *Person) { p.Family, p.Given = "MUELLER", "Anna Lena" }), true},
		{"slip in the day", with("b", func(p *Person) { p.Birth = "1960-05-10" }), true},
		{"family name changed", with("b", func(p *Person) { p.Family = "Oberhuber" }), true},
		{"names exchanged", with("b", func(p *Person) { p.Family, p.Given = p.Given, p.Family }), true},
		{"birth date missing", with("b", func(p *Person) { p.Birth = "" }), true},
		{"only birth date and sex", with("b", func(p *Person) { p.Family, p.Given = "Oberhuber", "Petra" }), false},
		{"namesake", with("b", func(p *Person) { p.Birth = "1987-11-23" }), false},
		{"old number, nothing else known", Person{Key: "b", Identifiers: []ID{{mrn, "7001", "old"}}}, true},
		{"old number given to somebody else", with("b", func(p *Person) {
			p.Birth, p.Sex, p.Family, p.Given = "1987-11-23", "male", "Oberhuber", "Peter"
			p.Identifiers = []ID{{mrn, "7001", "old"}}
		}), false},
	} {
		first := base
		first.Identifiers = []ID{{mrn, "7001", ""}}
		people := []Person{first, c.other}
		clusters := Clusters(people, nil)
		if len(clusters) != 2 {
			t.Fatalf("%s: joined", c.name)
		}
		got, skipped := Probable(people, clusters)
		if (len(got) == 1) != c.asked || skipped != 0 {
			t.Errorf("%s: asked %v, want %v: %+v; weight %.2f", c.name, len(got) == 1, c.asked, got, compare(first, c.other).Weight)
		}
		if len(got) == 1 && (got[0].A != "a" || got[0].B != "b") {
			t.Errorf("%s: %+v", c.name, got[0])
		}
		if joined, _ := Probable(people, [][]string{{"a", "b"}}); len(joined) != 0 {
			t.Errorf("%s: asked about people already joined", c.name)
		}
	}
}

func TestProbableSaysWhenItSkips(t *testing.T) {
	var people []Person
	for i := range MaxBlock + 1 {
		people = append(people, Person{Key: string(rune('A' + i)), Birth: "1900-01-01"})
	}
	if got, skipped := Probable(people, nil); len(got) != 0 || skipped != 1 {
		t.Errorf("%d matches, %d skipped", len(got), skipped)
	}
}

func TestProbableIgnoresOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		people := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Person {
			return Person{
				Key:   rapid.SampledFrom([]string{"a", "b", "c", "d", "e"}).Draw(t, "key"),
				Birth: rapid.SampledFrom([]string{"", "1960", "1960-05-01", "1960-05-10", "[1960-05-01,1960-01-05]"}).Draw(t, "birth"),
				Sex:   rapid.SampledFrom([]string{"", "female", "male", "unknown"}).Draw(t, "sex"),
				Given: rapid.SampledFrom([]string{"", "Anna", "Ana", "Peter"}).Draw(t, "given"), Family: rapid.SampledFrom([]string{"", "Müller", "Mueller"}).Draw(t, "family"),
			}
		}), 0, 7).Draw(t, "people")
		want, _ := Probable(people, nil)
		slices.Reverse(people)
		if got, _ := Probable(people, nil); !reflect.DeepEqual(got, want) {
			t.Fatalf("%+v\n%+v", got, want)
		}
	})
}
