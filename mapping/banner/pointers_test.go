package banner

import (
	"encoding/json"
	"regexp"
	"strings"
	"testing"

	"gaussline/mapping/mri"
)

// pointers are words that send a reader to another place of the same text.
var pointers = regexp.MustCompile(`(?i)\b(below|above|overleaf|following|see why)\b`)

// Words that are shown alone, by whatever receives them, send nobody to a place that is not there.
func TestWordsShownAloneDoNotPoint(t *testing.T) {
	for k := range headlines {
		n := manyNote(k)
		n.Changes = Changes(Show(mri.Verdict{Kind: mri.KindWithinIf}, n.Record), mri.Verdict{Kind: k}, n.Record)
		alone := append([]string{Headline(k), Meaning(k), alerts[k]}, n.Changes...)
		alone = append(alone, Changes(Show(n.Verdict, n.Record), n.Verdict, n.Record)...)
		alone = append(alone, Alerts(n, false)...)
		alone = append(alone, Relevant(n, false))
		n.Reminder = 1
		_, v, _ := bundleOf(t, order(oddOrder), n, false)
		for _, e := range v.Entry {
			var r struct {
				ResourceType string
				Code, Reason struct{ Text string }
			}
			if json.Unmarshal(e.Resource, &r) == nil && r.ResourceType != "ServiceRequest" {
				alone = append(alone, r.Code.Text, r.Reason.Text)
			}
		}
		for _, seg := range strings.Split(V2(n, false, 1), "\r") {
			if f := strings.Split(seg, "|"); f[0] == "OBX" {
				alone = append(alone, f[5])
			}
		}
		for _, text := range alone {
			if at := pointers.FindString(text); at != "" {
				t.Errorf("%s: %q in %q", k, at, text)
			}
		}
	}
}

// Where a text of ours does point, what it points to is there.
func TestPointersLeadSomewhere(t *testing.T) {
	n := manyNote(mri.KindWithinIf)
	n.Verdict.Scanners = append(n.Verdict.Scanners, mri.ScannerAnswer{ID: "shut", Truth: mri.NotMet})
	n.Verdict.Confirm = append(n.Verdict.Confirm, mri.Condition{Code: mri.CheckMRMode, Phase: mri.Before})
	n.Verdict.Reasons = []mri.Reason{{Code: mri.WhyRegionUnknown}}
	_, sheet, _ := sheetText(t, order(oddOrder), n, false)
	cut := comment(Plain(n), strings.ToUpper(Headline(n.Verdict.Kind)))
	for name, text := range map[string]string{"text": Plain(n), "sheet": sheet} {
		if _, after, ok := strings.Cut(text, "CONFIRM EVERY POINT BELOW"); !ok || !strings.Contains(after, "Confirm before the scan and keep to during it, every point") {
			t.Errorf("%s: no points below the headline", name)
		}
		if before, _, ok := strings.Cut(text, "see Why"); !ok || !strings.Contains(before, "Why") {
			t.Errorf("%s: no reasons before they are pointed to", name)
		}
	}
	if strings.Contains(cut, "BELOW") || !strings.Contains(cut, strings.ToUpper(ofTheNote)) {
		t.Errorf("a comment that is cut sends to points that may be cut off: %.120q", cut)
	}
}
