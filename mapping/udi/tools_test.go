package udi

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
)

// toolAnswers is what independent tools said, recorded in testdata/udi/tools.json with their versions.
type toolAnswers struct {
	GS1 []struct {
		Raw, Bwip string
	}
	HIBCC []struct {
		Raw, Bwip, Zint string
	}
	Link []struct {
		Raw, Bwip, Digitallink string
	}
	Split []struct {
		Raw   string
		Items []struct{ AI, Data string }
	}
}

func answers(t *testing.T) toolAnswers {
	t.Helper()
	b, err := os.ReadFile("../../testdata/udi/tools.json")
	if err != nil {
		t.Fatal(err)
	}
	var a toolAnswers
	if err := json.Unmarshal(b, &a); err != nil {
		t.Fatal(err)
	}
	if len(a.GS1) < 250 || len(a.HIBCC) < 250 || len(a.Link) < 70 || len(a.Split) < 10 {
		t.Fatalf("too few answers: %d %d %d %d", len(a.GS1), len(a.HIBCC), len(a.Link), len(a.Split))
	}
	return a
}

// Known differences from bwip-js, each with the reason it stands.
var gs1Differences = map[string]string{
	"(01)00844588003288(17)141120(10)7654321D(421)10987654d321": "country 109 unknown to ISO 3166: we keep no country list",
}

func TestGS1AgainstBwip(t *testing.T) {
	agree := 0
	for _, a := range answers(t).GS1 {
		r := Parse(a.Raw, refYear)
		if r.OK() == (a.Bwip == "") {
			agree++
			continue
		}
		if gs1Differences[a.Raw] == "" {
			t.Errorf("%q: bwip-js says %q, we say %+v", a.Raw, a.Bwip, r.Problems)
		}
	}
	t.Logf("%d strings agree", agree)
}

func TestHIBCCCheckAgainstBwipAndZint(t *testing.T) {
	compared := 0
	for _, a := range answers(t).HIBCC {
		r := Parse(a.Raw, refYear)
		if r.Issuer != HIBCC {
			continue
		}
		if got := r.Check == CheckOK; got != (a.Bwip == "") {
			t.Errorf("%q: bwip-js says %q, our check is %q", a.Raw, a.Bwip, r.Check)
		}
		// zint 2.11.1 prints the symbol with the check character it computes; it refuses over 60 characters.
		if strings.HasPrefix(a.Zint, "+") && strings.TrimSpace(a.Raw) == a.Raw {
			compared++
			same := a.Zint == a.Raw
			if got := r.Check == CheckOK; got != same {
				t.Errorf("%q: zint prints %q, our check is %q", a.Raw, a.Zint, r.Check)
			}
		}
	}
	if compared < 200 {
		t.Errorf("only %d strings compared with zint", compared)
	}
}

func TestDigitalLinkAgainstTools(t *testing.T) {
	for _, a := range answers(t).Link {
		r := Parse(a.Raw, refYear)
		if r.OK() != (a.Bwip == "") && linkDifferences[a.Raw] == "" {
			t.Errorf("%q: bwip-js %q, digital-link.js %q, we say %+v", a.Raw, a.Bwip, a.Digitallink, r.Problems)
		}
	}
}

// linkDifferences are strings on which we keep to another answer than bwip-js.
var linkDifferences = map[string]string{
	"https://id.gs1.org/01/9521234543213": "GTIN-13 in the path: GS1's own engine takes it only behind an option",
}

// The splitter is an oracle for valid input only: it accepts wrong check digits and months.
func TestSplitAgainstParser(t *testing.T) {
	for _, a := range answers(t).Split {
		r := Parse(a.Raw, refYear)
		for _, item := range a.Items {
			got := map[string]string{
				"01": r.DI, "10": r.Lot, "21": r.Serial, "17": r.Expiry.Value, "11": r.Made.Value,
			}[item.AI]
			for _, e := range r.Other {
				if e.ID == item.AI {
					got = e.Value
				}
			}
			// The tool gives the last day of the month for day 00; we keep the precision.
			month := item.AI == "17" && r.Expiry.Precision == PrecisionMonth && got+"-28" == item.Data
			if got != item.Data && !month {
				t.Errorf("%q (%s): tool %q, we %q", a.Raw, item.AI, item.Data, got)
			}
		}
	}
}
