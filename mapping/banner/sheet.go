package banner

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"slices"
	"strings"

	"gaussline/mapping/mri"
)

//go:embed sheet.html
var sheetHTML string

var sheetTemplate = template.Must(template.New("sheet").Parse(sheetHTML))

// titled is a list of the sheet.
type titled struct {
	Title string
	Lines []string
}

// sheetScanner is a row of the sheet's scanners.
type sheetScanner struct {
	Name, Answer string
	Reasons      []string
}

// sheet is what the page shows.
type sheet struct {
	Withdrawn              bool
	Headline, Meaning      string
	Name, Birth            string
	Identifiers            []string
	Order, OrderText, Site string
	Exam, AsOf, Revision   string
	Before, Ticks, After   []titled
	Scanners               []sheetScanner
	Sign                   []string // what is signed for, a line each
}

// Sheet makes the printable page of a note: HTML without script and without anything from elsewhere. It has every
// scanner, reason, point, question and source, nothing cut: tick boxes stand before each point to confirm, and there
// are lines to sign. An ordinary record fits one page of A4: who says so is named, each source once; the words of each are
// in Evidence.
func Sheet(o Order, n Note, withdrawn bool) ([]byte, error) {
	v := n.Verdict
	s := sheet{Withdrawn: withdrawn, Headline: firstLine(v.Kind), Meaning: Meaning(v.Kind),
		Name:  known(strings.TrimSpace(n.Record.Person.Family + ", " + n.Record.Person.Given)),
		Birth: known(date(n.Record.Person.Birth)), Order: o.Key, OrderText: oneLine(o.Referral.Text), Site: known(o.Site),
		Exam: examWords(v.Exam), AsOf: moment(v)}
	if s.Name == "," {
		s.Name = "not known"
	}
	for _, id := range n.Record.Person.Identifiers {
		s.Identifiers = append(s.Identifiers, id.Value)
	}
	if n.Revision > 1 {
		s.Revision = fmt.Sprintf("Revision %d: replaces all earlier sheets of this order.", n.Revision)
	}
	if withdrawn {
		s.Headline, s.Meaning = strings.ToUpper(withdrawnHeadline), Text(n, true)
	}
	n.Record = recordAsOf(n)
	s.Before = []titled{{"Changed", n.Changes}, {"Why", Reasons(v, n.Record)}, {"In the body, as recorded", Parts(n.Record, true)}}
	s.Scanners = sheetScanners(n)
	s.Ticks = []titled{{"Confirm before the scan and keep to during it, every point", confirmLines(v, mri.Before, mri.During)},
		{"Also keep to one of these ways, whole; never mix them", wayLines(v)},
		{"Limits, the strictest of all ways", limitLines(v.Limits)}, {"After the scan", confirmLines(v, mri.After)}}
	s.After = []titled{{"Open questions on this record", Questions(n.Record)}, {answeredTitle, Answers(n.Record)}, {"Out of the body, as recorded", Parts(n.Record, false)},
		{"Labelling relied on", labelLines(v.Labels)}, {"Who says so", sourceLines(n)}, {"Cautions", cautionLines(v.Cautions)}}
	if v.EarliestChange.Known() {
		s.After = append([]titled{{"Healing time", []string{"The answer may be another from " + string(v.EarliestChange) + " on. Ask again then."}}}, s.After...)
	}
	s.Sign = signFor(v, s.Ticks)
	var b bytes.Buffer
	err := sheetTemplate.Execute(&b, s)
	return b.Bytes(), err
}

// sourceLines names each source once.
func sourceLines(n Note) []string {
	keys := SourceKeys(n)
	if len(keys) == 0 {
		return nil
	}
	return []string{strings.Join(keys, "; "), "Their words, line by line: on the order's page, and by gaussline explain."}
}

// signFor gives the lines to sign: points only where there are some, a check of the device only where one is asked for
// and the verdict is not MR Unsafe. What the director decides is always written down.
func signFor(v mri.Verdict, ticks []titled) (out []string) {
	if slices.ContainsFunc(ticks, func(t titled) bool { return len(t.Lines) > 0 }) {
		out = append(out, "Points above confirmed by (name, role)")
	}
	if v.Kind != mri.KindUnsafe && slices.Contains(v.Cautions, mri.CautionDeviceCheck) {
		out = append(out, "Device checked before / after by (name, role)")
	}
	return append(out, "Decision of the MR medical director or the radiologist designated")
}

// sheetScanners gives every scanner with every reason.
func sheetScanners(n Note) (out []sheetScanner) {
	for _, a := range n.Verdict.Scanners {
		row := sheetScanner{Name: scannerName(a), Answer: "Conditions NOT met"}
		switch a.Truth {
		case mri.Met:
			row.Answer = "Conditions known now are met; the points to confirm are NOT yet confirmed"
		case mri.Unknown:
			row.Answer = "Not established"
		}
		seen := map[string]bool{}
		for _, r := range a.Reasons {
			if t := ReasonText(r, n.Record); !seen[t] {
				seen[t] = true
				row.Reasons = append(row.Reasons, t)
			}
		}
		if len(a.Reasons) == 0 && a.Truth != mri.Met {
			row.Reasons = []string{"see Why"}
		}
		if a.EarliestChange.Known() {
			row.Reasons = append(row.Reasons, "healing time: ask again from "+string(a.EarliestChange)+" on")
		}
		out = append(out, row)
	}
	return out
}
