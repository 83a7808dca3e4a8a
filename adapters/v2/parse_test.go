package v2

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	_ "gaussline/testdata/seed"
)

// sample reads a sample message; the files have line feeds where the wire has carriage returns.
func sample(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return []byte(strings.ReplaceAll(string(b), "\n", "\r"))
}

func parsed(t testing.TB, raw []byte) *Message {
	t.Helper()
	m, f := Parse(raw, "")
	if f != nil {
		t.Fatal(f)
	}
	return m
}

// Source: answers of npm simple-hl7 3.3.0, an independent general parser, recorded by testdata/record-parse.mjs.
// It leaves escape sequences as they are, so the parts are compared before they are undone.
func TestPartsAsAnIndependentParserHasThem(t *testing.T) {
	var oracle struct {
		Messages map[string][]struct {
			Name   string
			Fields [][][][]string
		}
	}
	b, err := os.ReadFile("testdata/parse.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &oracle); err != nil {
		t.Fatal(err)
	}
	if len(oracle.Messages) < 5 {
		t.Fatalf("%d messages recorded", len(oracle.Messages))
	}
	for name, want := range oracle.Messages {
		m := parsed(t, sample(t, name))
		if len(m.Segments) != len(want) {
			t.Fatalf("%s: %d segments, recorded %d", name, len(m.Segments), len(want))
		}
		for i, s := range m.Segments {
			first := 1
			if s.Name == "MSH" {
				first = 3 // the other parser leaves MSH-1 and MSH-2 out
			}
			var got [][][][]string
			for n := first; n < len(s.fields); n++ {
				got = append(got, partsOf(s.Field(n)))
			}
			if d := cmp.Diff(want[i].Fields, got); s.Name != want[i].Name || d != "" {
				t.Errorf("%s %s %d: %s", name, s.Name, i, d)
			}
		}
	}
}

func partsOf(f Field) (reps [][][]string) {
	d := f.m.Delims
	for _, r := range f.cut(d.Rep) {
		var comps [][]string
		for _, c := range r.cut(d.Comp) {
			var subs []string
			for _, s := range c.cut(d.Sub) {
				subs = append(subs, s.raw)
			}
			comps = append(comps, subs)
		}
		reps = append(reps, comps)
	}
	return reps
}

// Source: HL7 v2.5.1 chapter 2, "use of escape sequences in text fields"; from memory.
func TestEscapeSequences(t *testing.T) {
	m := parsed(t, []byte("MSH|^~\\&|A||||||ORM^O01|1|P|2.5\r"))
	for in, want := range map[string]string{
		`a\F\b\S\c\T\d\R\e\E\f`: `a|b^c&d~e\f`,
		`one\.br\two`:           "one\ntwo",
		`\.sp2\x`:               "\n\nx",
		`\H\loud\N\ quiet`:      "loud quiet",
		`\X41C3A9\`:             "Aé",
		`\XZZ\`:                 `\XZZ\`,
		`\Zloc\`:                `\Zloc\`,
		`C:\dir`:                `C:\dir`,
		`half \T`:               `half \T`,
		`\\T\`:                  `\&`,
		`\C2842\`:               `\C2842\`,
		``:                      ``,
	} {
		if got := m.unescape(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// Whatever text stands in a field comes back as it was, with any delimiters.
func TestTextSurvivesEscaping(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		marks := rapid.Permutation([]byte(`|^~\&#@!%*`)).Draw(t, "delimiters")
		d := Delims{marks[0], marks[1], marks[2], marks[3], marks[4]}
		texts := rapid.SliceOfN(rapid.StringMatching(`[a-z0-9|^~\\&#@!%*äé€\n]{0,12}`), 1, 6).Draw(t, "texts")
		line := "ZZZ"
		for _, x := range texts {
			line += string(rune(d.Field)) + escape(d, x)
		}
		raw := "MSH" + string(marks[0]) + string([]byte{d.Comp, d.Rep, d.Esc, d.Sub}) + string(marks[0]) + "A\r" + line + "\r"
		m, f := Parse([]byte(raw), "")
		if f != nil {
			t.Fatal(f)
		}
		for i, x := range texts {
			if x = strings.TrimSpace(x); x == `""` {
				x = ""
			}
			if got := m.Segments[1].Field(i + 1).Text(); got != x {
				t.Fatalf("%q came back as %q", x, got)
			}
		}
	})
}

func TestCharacterSets(t *testing.T) {
	for _, c := range []struct {
		msh18, fallback, name, want string // want "" is a fault
	}{
		{"8859/1", "", "M\xfcller", "Müller"},
		{"UNICODE UTF-8", "", "Müller", "Müller"},
		{"", "", "Müller", "Müller"},
		{"", "", "M\xfcller", ""}, // neither ASCII nor UTF-8, and nothing says what
		{"", "8859/1", "M\xfcller", "Müller"},
		{"8859/15", "", "\xa4", "€"},
		{"8859/5", "", "\xb8\xd2\xd0\xdd", "Иван"},
		{"GB 18030-2000", "", "\xd6\xd0", "中"},
		{"ASCII", "", "M\xfcller", ""},
		{"8859/1~ISO IR87", "", "M\xfcller", "Müller"},
		{"UNICODE UTF-16", "", "x", ""},
		{"NO SUCH", "", "x", ""},
	} {
		raw := "MSH|^~\\&|||||||ORM^O01|1|P|2.5||||||" + c.msh18 + "\rPID|||1||" + c.name + "^\\X41\\\r"
		m, f := Parse([]byte(raw), c.fallback)
		if c.want == "" {
			if f == nil || f.Field != 18 {
				t.Errorf("%+v: fault %v, want one at MSH-18", c, f)
			}
			continue
		}
		if f != nil {
			t.Errorf("%+v: %v", c, f)
			continue
		}
		if got := m.first("PID").Field(5); got.Comp(1).Text() != c.want || got.Comp(2).Text() != "A" {
			t.Errorf("%+v: %q %q", c, got.Comp(1).Text(), got.Comp(2).Text())
		}
	}
}

// In these sets the second byte of a character can be a delimiter: 0x5c in Shift-JIS, 0x7c in Big5.
func TestDelimitersInsideACharacterAreNone(t *testing.T) {
	for set, name := range map[string]string{"ISO IR14": "\x95\x5c", "BIG-5": "\xa5\x7c"} {
		m, f := Parse([]byte("MSH|^~\\&|||||||ORM^O01|1|P|2.5||||||"+set+"\rPID|||1||"+name+"|19610203\r"), "")
		if f != nil {
			t.Fatal(set, f)
		}
		pid := m.first("PID")
		if got := pid.Field(5).Text(); len([]rune(got)) != 1 || pid.Field(6).Text() != "19610203" {
			t.Errorf("%s: %q %q", set, got, pid.Field(6).Text())
		}
	}
}

func TestShapesRefused(t *testing.T) {
	head := "MSH|^~\\&|A|B|C|D|2026||ORM^O01|1|P|2.5\r"
	for name, raw := range map[string]string{
		"empty": "", "no header": "PID|1\r", "letters as delimiters": "MSHabcde\r", "same twice": "MSH|^^\\&|\r", "no end": "MSH|^~\\&",
		"two headers": head + head, "a line of something else": head + "hello world\r", "lower case": head + "pid|1\r",
		"too many fields": head + "ZZZ" + strings.Repeat("|", 500) + "\r", "too many segments": head + strings.Repeat("ZZZ|1\r", 2100),
	} {
		if _, f := Parse([]byte(raw), ""); f == nil || f.Code != codeSequence {
			t.Errorf("%s: %v", name, f)
		}
	}
	for name, raw := range map[string]string{"line feeds": "MSH|^~\\&|A\nPID|1\n", "both": "MSH|^~\\&|A\r\nPID|1\r\n", "blank lines": "\r\nMSH|^~\\&|A\r\r\nPID|1\r\r",
		"truncation character of 2.7": "MSH|^~\\&#|A\rPID|1\r", "no sub-components": "MSH|^~\\|A\rPID|1\r"} {
		m, f := Parse([]byte(raw), "")
		if f != nil || len(m.Segments) != 2 || m.Segments[1].Field(1).Text() != "1" {
			t.Errorf("%s: %v", name, f)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, n := range []string{"orm-new.hl7", "omi-new.hl7", "orm-change.hl7", "orm-cancel.hl7", "other-delimiters.hl7"} {
		f.Add(sample(f, n))
	}
	cfg := &Config{Sender: "hillside", PatientSystems: map[string]string{"HILLSIDE": "urn:oid:2.16.840.1.113883.4.9999.9", "": "urn:oid:1.2"}}
	f.Fuzz(func(t *testing.T, raw []byte) {
		m, fault := Parse(raw, "")
		if fault != nil {
			return
		}
		for _, s := range m.Segments {
			var parts []string
			for n := 1; n < len(s.fields); n++ {
				var reps []string
				for _, r := range s.Field(n).cut(m.Delims.Rep) {
					reps = append(reps, r.raw)
				}
				parts = append(parts, strings.Join(reps, string(rune(m.Delims.Rep))))
			}
			if s.Name != "MSH" && strings.Join(parts, string(rune(m.Delims.Field))) != strings.Join(s.fields[1:], string(rune(m.Delims.Field))) {
				t.Fatal("the parts of a segment are not the segment")
			}
		}
		body, fault := cfg.Convert(m, raw)
		if fault != nil {
			return
		}
		again, _ := cfg.Convert(m, raw)
		if string(body) != string(again) {
			t.Fatal("two conversions of one message differ")
		}
		if fault := readable(body); fault != nil {
			t.Fatalf("our own Bundle is refused: %s", body)
		}
	})
}
