package banner

import (
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

func sheetText(t *testing.T, o Order, n Note, withdrawn bool) (raw, text string, ticks int) {
	t.Helper()
	b, err := Sheet(o, n, withdrawn)
	if err != nil {
		t.Fatal(err)
	}
	z := html.NewTokenizer(strings.NewReader(string(b)))
	var out strings.Builder
	skip, inTick := false, false
	for {
		switch z.Next() {
		case html.ErrorToken:
			if z.Err() != io.EOF {
				t.Fatal(z.Err())
			}
			return string(b), out.String(), ticks
		case html.TextToken:
			if !skip {
				out.WriteString(string(z.Text()))
			}
		case html.StartTagToken, html.SelfClosingTagToken:
			tok := z.Token()
			skip = tok.Data == "style"
			for _, a := range tok.Attr {
				if strings.HasPrefix(a.Key, "on") || a.Key == "src" || a.Key == "href" || a.Key == "style" {
					t.Errorf("attribute %s=%q", a.Key, a.Val)
				}
				inTick = inTick || a.Key == "class" && a.Val == "tick"
			}
			if tok.Data == "script" || tok.Data == "img" || tok.Data == "link" || tok.Data == "iframe" {
				t.Errorf("element %s", tok.Data)
			}
			if tok.Data == "li" && inTick {
				ticks++
			}
		case html.EndTagToken:
			tok := z.Token()
			inTick = inTick && tok.Data != "ul"
			skip = false
		}
	}
}

// The sheet has every scanner, reason, point, question and source, a box before each point, lines to sign, and
// says what it is.
func TestSheetIsWhole(t *testing.T) {
	n := manyNote(mri.KindWithinIf)
	n.Record.Person = implant.Person{Family: "Invented", Given: "Ada", Birth: "1960-02-03", Identifiers: []implant.Identifier{{Value: "H-9"}}}
	for i := range n.Record.Parts {
		n.Record.Parts[i].Evidence = []implant.Source{{Key: fmt.Sprintf("hillside|Procedure/%d", i), Version: "3", Path: "Procedure.note[0].text", Quote: fmt.Sprintf("lead %d placed", i)}}
	}
	n.Verdict.Scanners = append(n.Verdict.Scanners, mri.ScannerAnswer{ID: "shut", Truth: mri.NotMet, Reasons: []mri.Reason{
		{Code: mri.WhyScannerOutside, Args: []string{mri.ElementField, "3 T", "1.5 T"}}, {Code: mri.WhyLabelSilent, Args: []string{mri.ElementDBDt}},
		{Code: mri.WhyScannerUnknown, Args: []string{mri.ElementB1Rms}}, {Code: mri.WhyScannerUnknown, Args: []string{mri.ElementSlewRate}}}})
	o := order(oddOrder)
	o.Referral.Text = "MR <knee>"
	raw, text, ticks := sheetText(t, o, n, false)
	for i := range 60 {
		for _, want := range []string{fmt.Sprintf("scanner-%d", i), fmt.Sprintf("hillside|Procedure/%d", i),
			fmt.Sprintf("point %d", i), fmt.Sprintf("limit %d", i), fmt.Sprintf("(p%d)", i)} {
			if !regexp.MustCompile(regexp.QuoteMeta(want) + `($|\D)`).MatchString(text) {
				t.Errorf("%s is not on the sheet", want)
			}
		}
	}
	if said := strings.Join(Evidence(n), "\n"); !strings.Contains(said, `"lead 59 placed" (hillside|Procedure/59 3 Procedure.note[0].text)`) {
		t.Errorf("the words of a source are nowhere:\n%s", said)
	}
	for _, want := range []string{"Decision support. Not a clearance.", "Invented, Ada", "1960-02-03", "H-9", "MR <knee>", "Signature", "Date, time",
		"the scanner has 3 T", "does not state dB/dt", "does not state B1+rms", "does not state gradient slew rate"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not on the sheet", want)
		}
	}
	if ticks != 60+60 { // ways, each with its point, and limits
		t.Errorf("%d boxes, want 120", ticks)
	}
	if !strings.Contains(raw, "@page") || strings.Contains(raw, "green") {
		t.Error("print rules")
	}
	if bad := soundsLikeClearance(strings.ReplaceAll(text, "Not a clearance.", "")); bad != "" {
		t.Errorf("%q", bad)
	}
}

// What sources wrote is text on the page.
func TestSheetEscapes(t *testing.T) {
	n := oddNote(mri.KindOutside)
	n.Record.Parts[0].Component.Model = `<script>alert(1)</script><b onclick="x">`
	n.Record.Person.Family = `"><img src=x onerror=y>`
	_, text, _ := sheetText(t, order(oddOrder), n, false)
	if !strings.Contains(text, "<script>alert(1)</script>") && !strings.Contains(text, "&lt;script&gt;") {
		t.Error("the model is not on the page")
	}
}

// A withdrawn note is a page that says so and nothing else to act on; one about nobody known still prints.
func TestSheetWithdrawnAndBare(t *testing.T) {
	_, text, ticks := sheetText(t, order(oddOrder), oddNote(mri.KindUnsafe), true)
	if !strings.Contains(text, "NOTE WITHDRAWN, NOT THE IMPLANT RECORD") || strings.Contains(text, "UNSAFE") || ticks != 0 {
		t.Errorf("%s", text)
	}
	_, text, _ = sheetText(t, Order{}, Note{Verdict: mri.Verdict{Kind: mri.KindNothing}}, false)
	if !strings.Contains(text, "NOTHING RECORDED AS IN PLACE") || !strings.Contains(text, "Patient: not known") {
		t.Errorf("%s", text)
	}
}

// There are lines to sign for what the sheet asks, and for nothing else: no points where it has none, no check of a
// device where none is recorded or the verdict is MR Unsafe. The director's line is on every sheet.
func TestSheetIsSignedForWhatItAsks(t *testing.T) {
	check := []string{mri.CautionDeviceCheck}
	point := []mri.Condition{{Code: mri.CheckMRMode, Phase: mri.Before}}
	for _, c := range []struct {
		name           string
		v              mri.Verdict
		points, device bool
	}{
		{"nothing recorded", mri.Verdict{Kind: mri.KindNothing}, false, false},
		{"MR Unsafe", mri.Verdict{Kind: mri.KindUnsafe, Cautions: check}, false, false},
		{"outside, with a generator", mri.Verdict{Kind: mri.KindOutside, Cautions: check}, false, true},
		{"not established, without a power source", mri.Verdict{Kind: mri.KindNotEstablished}, false, false},
		{"within if", mri.Verdict{Kind: mri.KindWithinIf, Cautions: check, Confirm: point}, true, true},
		{"within if, passive parts alone", mri.Verdict{Kind: mri.KindWithinIf, Confirm: point}, true, false},
	} {
		_, text, _ := sheetText(t, order(oddOrder), Note{Verdict: c.v}, false)
		for words, want := range map[string]bool{"Points above confirmed by": c.points, "Device checked before / after by": c.device, "Decision of the MR medical director": true} {
			if strings.Contains(text, words) != want {
				t.Errorf("%s: %q %v, want %v", c.name, words, !want, want)
			}
		}
	}
}
