package mri_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gaussline/mapping/mri"
)

// The grid that the worked cases must fill: each element of a label, met, not met and unknown.
var truths = []mri.Truth{mri.Met, mri.NotMet, mri.Unknown}

// notOnGrid are the cells that no case can fill, with the reason.
var notOnGrid = map[string]string{
	"rf-exposure met":          "stands for the four RF limits together, where a label states none of them; each has a row of its own",
	"rf-exposure not met":      "as for met",
	"rf-exposure unknown":      "as for met; the case 'neither SAR nor B1+rms' is the silence",
	"nuclei unknown":           "patients are imaged on hydrogen, no input says otherwise; the case 'proton imaging is to be confirmed' asks on the day",
	"label-current not met":    "a label that is not reviewed in time is not known to be current; it is never known to be wrong",
	"restore-settings met":     "is done after the scan and listed, not judged",
	"restore-settings not met": "as for met",
	"restore-settings unknown": "as for met",
	"check-function met":       "as for restore-settings",
	"check-function not met":   "as for restore-settings",
	"check-function unknown":   "as for restore-settings",
	"mr-mode-off met":          "as for restore-settings",
	"mr-mode-off not met":      "as for restore-settings",
	"mr-mode-off unknown":      "as for restore-settings",
}

// sayAlso are the other codes under which the trace judges an element.
var sayAlso = map[string][]string{
	mri.ElementCombination: {mri.WhyUnidentified, mri.WhyUnlabelled, mri.WhyIdentityConflict, mri.WhyNoSource, mri.WhyNotInCombination},
	mri.ElementAbandoned:   {mri.WhyAbandoned},
	mri.ElementPlace:       {"place level", "place region", "place side", "place pocket", "place tip", "place entry"},
}

// elements are the codes of what a label states, read from the source: a new one has no cases yet and fails the test.
func elements(t *testing.T) (out []string) {
	f, err := parser.ParseFile(token.NewFileSet(), "why.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok || !strings.HasPrefix(v.Names[0].Name, "Element") && !strings.HasPrefix(v.Names[0].Name, "Check") {
			return true
		}
		code, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, code)
		return true
	})
	if len(out) < 30 {
		t.Fatalf("only %v", out)
	}
	return out
}

// mark fills the cell that a case says it covers, and only where the decision's own trace shows it.
func (c workedCase) mark(t *testing.T, trace []mri.TraceLine, covered map[string]bool) {
	for _, e := range elements(t) {
		claim, ok := strings.CutPrefix(c.Covers, e+" ")
		claim, _, _ = strings.Cut(claim, ",")
		i := slices.IndexFunc(truths, func(x mri.Truth) bool { return x.String() == claim })
		if !ok || i < 0 || e == mri.ElementRF {
			continue
		}
		codes := append([]string{e}, sayAlso[e]...)
		if !slices.ContainsFunc(trace, func(l mri.TraceLine) bool { return l.Truth == truths[i] && slices.Contains(codes, l.Code) }) {
			t.Errorf("covers %q, and its trace does not show it", c.Covers)
		}
		covered[e+" "+claim] = true
	}
}

func wholeGrid(t *testing.T, covered map[string]bool) {
	for _, e := range elements(t) {
		for _, truth := range truths {
			cell := e + " " + truth.String()
			switch reason, excused := notOnGrid[cell]; {
			case covered[cell] && excused:
				t.Errorf("%s has a case and an excuse (%s)", cell, reason)
			case !covered[cell] && !excused:
				t.Errorf("no case covers %s", cell)
			}
		}
	}
}
