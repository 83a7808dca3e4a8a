package banner

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
	"gaussline/testdata/cases"
)

// constants gives the string constants of a package whose names start with prefix, or whose type is typ.
func constants(t *testing.T, dir, prefix, typ string) map[string]string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, path := range files {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			if g, ok := d.(*ast.GenDecl); ok && g.Tok == token.CONST {
				for _, s := range g.Specs {
					constant(s.(*ast.ValueSpec), prefix, typ, out)
				}
			}
		}
	}
	if len(out) < 5 {
		t.Fatalf("only %d constants %q %q in %s", len(out), prefix, typ, dir)
	}
	return out
}

func constant(v *ast.ValueSpec, prefix, typ string, out map[string]string) {
	if typ != "" {
		if id, ok := v.Type.(*ast.Ident); !ok || id.Name != typ {
			return
		}
	}
	for i, n := range v.Names {
		if i >= len(v.Values) || !strings.HasPrefix(n.Name, prefix) {
			continue
		}
		if lit, ok := v.Values[i].(*ast.BasicLit); ok && lit.Kind == token.STRING {
			out[n.Name], _ = strconv.Unquote(lit.Value)
		}
	}
}

// Every code that package mri or implant can put into a verdict or record has words here. The codes are read from
// the source, so that a new one without words fails.
func TestEveryCodeHasWords(t *testing.T) {
	for _, c := range []struct {
		dir, prefix, typ string
		has              func(string) bool
	}{
		{"../mri", "Why", "", func(s string) bool { return reasons[s] != "" }},
		{"../mri", "Element", "", func(s string) bool { return elements[s] != "" }},
		{"../mri", "Check", "", func(s string) bool { return elements[s] != "" }},
		{"../mri", "Caution", "", func(s string) bool { return cautions[s] != "" }},
		{"../mri", "Kind", "Kind", func(s string) bool {
			k := mri.Kind(s)
			return headlines[k] != "" && meanings[k] != "" && severities[k] != "" && alerts[k] != ""
		}},
		{"../implant", "", "State", func(s string) bool { return states[s] != "" }},
		{"../implant", "", "QuestionCode", func(s string) bool { return questions[implant.QuestionCode(s)] != "" }},
		{"../implant", "", "EventKind", func(s string) bool { return eventNames[implant.EventKind(s)] != "" }},
		{"../implant", "", "Kind", func(s string) bool { return kindNames[implant.Kind(s)] != "" }},
	} {
		for name, code := range constants(t, c.dir, c.prefix, c.typ) {
			if !c.has(code) {
				t.Errorf("%s (%s) has no words", name, code)
			}
		}
	}
}

// Every placeholder of a reason is one that fill knows: a wrong one would reach a reader as braces.
func TestNoBracesReachAReader(t *testing.T) {
	for code := range reasons {
		text := ReasonText(mri.Reason{Code: code, Part: "p", Args: []string{"a", "b", "c", "d"}}, implant.Record{})
		if strings.ContainsAny(text, "{}") {
			t.Errorf("%s: %s", code, text)
		}
	}
	for code := range asks {
		if text := conditionLine(mri.Condition{Code: code, Args: []string{"a"}}); strings.ContainsAny(text, "{}") {
			t.Errorf("%s: %s", code, text)
		}
	}
}

// clearances are wordings that a hurried reader could take for permission to scan. The list: ASTM F2503-23
// keeps "MR Safe" for what is non-conducting; the rest is common practice, no source.
var clearances = regexp.MustCompile(`(?i)\b(safe (to|for)|mr[ -]?(safe|compatible|ok)|is safe|cleared|ok to|okay|all clear|go ahead|approved|` +
	`no implants?\b|no devices? (in|found|present)|may be scanned|can be scanned|fit for|no contra-?indication|no restrictions?|scan permitted|is permitted|suitable for)`)

// notClearance is the one allowed use of the word.
var notClearance = regexp.MustCompile(`(?i)(this is )?not a clearance`)

var quoted = regexp.MustCompile(`\\?"[^"]*"`)

func soundsLikeClearance(text string) string {
	text = notClearance.ReplaceAllString(quoted.ReplaceAllString(text, ""), "")
	if strings.ContainsAny(text, "✓✔✅☑👍🟢") || strings.Contains(strings.ToLower(text), "clearance") {
		return "a tick or the word clearance"
	}
	return clearances.FindString(text)
}

func TestClearanceWordsAreSeen(t *testing.T) {
	for _, bad := range []string{"Safe to scan", "cleared for MR", "OK to scan", "No implants", "The lead is MR compatible", "a clearance", "No implant recorded", "✓ done"} {
		if soundsLikeClearance(bad) == "" {
			t.Errorf("%q passes", bad)
		}
	}
}

// No sentence of the tables, and no text of any verdict or story, reads as a clearance.
func TestNothingReadsAsAClearance(t *testing.T) {
	texts := []string{withdrawnHeadline, withdrawnText}
	for _, table := range []map[string]string{cautions, reasons, elements, states, asks} {
		for _, s := range table {
			texts = append(texts, s)
		}
	}
	for k := range headlines {
		texts = append(texts, headlines[k], meanings[k], alerts[k])
		for _, n := range []Note{{}, manyNote(k)} {
			n.Verdict.Kind = k
			texts = append(texts, Plain(n))
		}
	}
	for _, q := range questions {
		texts = append(texts, q)
	}
	stories, err := cases.All()
	if err != nil || len(stories) == 0 {
		t.Fatal("no stories", err)
	}
	for _, s := range stories {
		texts = append(texts, s.Want["want/sent.txt"])
	}
	for _, text := range texts {
		if bad := soundsLikeClearance(text); bad != "" {
			t.Errorf("%q in: %s", bad, text)
		}
	}
}

// A line cut after a few words is not more permissive than the whole: the first words of every headline carry the
// warning.
func TestHeadlinesWarnFromTheFirstWords(t *testing.T) {
	for k, h := range headlines {
		for n := 12; n < len(h); n++ {
			head := strings.ToLower(h[:n])
			if strings.Contains(head, "within") && !strings.Contains(head, "only then") || strings.HasPrefix(head, "no implant") {
				t.Errorf("%s: cut to %q", k, h[:n])
			}
		}
	}
}

// manyNote is a note with more of everything than a list shows.
func manyNote(k mri.Kind) Note {
	n := Note{Revision: 1, Verdict: mri.Verdict{Kind: k, AsOf: "2026-06-01T09:00:00Z"}}
	for i := range 60 {
		id := fmt.Sprintf("p%d", i)
		n.Record.Parts = append(n.Record.Parts, implant.Part{ID: id, State: implant.Connected, Component: implant.Component{Kind: implant.Lead, Model: id}})
		n.Record.Questions = append(n.Record.Questions, implant.Question{Code: implant.AskDateMissing, Detail: id, Parts: []string{id}})
		c := mri.Condition{Code: fmt.Sprintf("point-%d", i), Phase: []mri.Phase{mri.Before, mri.During, mri.After}[i%3], Words: []string{strings.Repeat("long words ", 100) + "do not scan"}}
		n.Verdict.Confirm = append(n.Verdict.Confirm, c)
		n.Verdict.Limits = append(n.Verdict.Limits, mri.Limit{Code: fmt.Sprintf("limit-%d", i), Words: strings.Repeat("x", 900) + " not exceeded"})
		n.Verdict.Scanners = append(n.Verdict.Scanners, mri.ScannerAnswer{ID: fmt.Sprintf("scanner-%d", i), Truth: mri.Met, Ways: []mri.Way{{Confirm: []mri.Condition{c}}}})
		n.Verdict.Cautions = append(n.Verdict.Cautions, fmt.Sprintf("caution-%d", i))
	}
	return n
}

// What is to be confirmed or kept to is never cut, however much it is; neither are the label's words beside it.
func TestConfirmListIsNeverCut(t *testing.T) {
	n := manyNote(mri.KindWithinIf)
	text := Plain(n)
	for i := range 60 {
		for _, want := range []string{fmt.Sprintf("point %d", i), fmt.Sprintf("limit %d", i), fmt.Sprintf("scanner-%d", i), fmt.Sprintf("caution-%d", i)} {
			if !regexp.MustCompile(regexp.QuoteMeta(want) + `\b`).MatchString(text) {
				t.Errorf("%s is not in the text", want)
			}
		}
	}
	if got := strings.Count(text, "do not scan"); got != 60 {
		t.Errorf("the end of the label's words is there %d times of 60", got)
	}
	if strings.Count(text, "not exceeded") != 60 {
		t.Error("a limit's words are cut")
	}
	if !strings.Contains(text, "and 48 more, not listed here") {
		t.Error("what is left out of the lists is not counted")
	}
}

// Points of some ways only are alternatives, each with its scanner; points of all ways, and of none, are for all.
func TestAlternativesAreToldApart(t *testing.T) {
	at := func(code string, args ...string) mri.Condition {
		return mri.Condition{Code: code, Phase: mri.During, Args: args}
	}
	head, body, mode, lost := at(mri.ElementCoil, "head"), at(mri.ElementCoil, "body"), at(mri.ElementMode, "normal"), at(mri.ElementNuclei, "1H")
	v := mri.Verdict{Kind: mri.KindWithinIf, Confirm: []mri.Condition{head, mode, body, lost}, Scanners: []mri.ScannerAnswer{
		{ID: "A", Truth: mri.Met, Ways: []mri.Way{{Confirm: []mri.Condition{head, mode}}, {Confirm: []mri.Condition{body, mode}}}},
		{ID: "B", Truth: mri.Met, Ways: []mri.Way{{Confirm: []mri.Condition{body, mode}}}},
		{ID: "C", Truth: mri.NotMet, Ways: []mri.Way{{Confirm: []mri.Condition{at(mri.ElementCoil, "head", "body")}}}}}}
	if got, want := confirmLines(v, mri.During), []string{"operating mode: normal", "nuclei imaged: 1H"}; !slices.Equal(got, want) {
		t.Errorf("for all: %q, want %q", got, want)
	}
	want := []string{"Way 1, on A: RF transmit coil: head", "Way 2, on A; B: RF transmit coil: body"}
	if got := wayLines(v); !slices.Equal(got, want) {
		t.Errorf("ways: %q, want %q", got, want)
	}
}

// Words of a source cannot make lines of their own: a device name with a line feed could otherwise forge a verdict.
func TestSourceWordsCannotForgeALine(t *testing.T) {
	n := Note{Verdict: mri.Verdict{Kind: mri.KindNotEstablished, Reasons: []mri.Reason{{Code: mri.WhyOldWords, Args: []string{"a\n- b {1:state}"}}}},
		Record: implant.Record{Parts: []implant.Part{{ID: "p", State: implant.Connected, Component: implant.Component{Name: "X\r\nMR FORGED\u2028Y"}}}}}
	for _, line := range strings.Split(Plain(n), "\n") {
		if strings.HasPrefix(line, "MR FORGED") || strings.HasPrefix(line, "- b") || strings.ContainsAny(line, "\r\u2028") {
			t.Errorf("forged: %q", line)
		}
	}
	if !strings.Contains(Plain(n), "{1:state}") {
		t.Error("an argument was taken for a template")
	}
}
