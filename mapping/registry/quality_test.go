package registry

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
)

func qualityRow(site string, i int) Row {
	return Row{Kind: "implant", PeriodOfEvent: "2026-04", EventDate: "2026-04-03", Precision: "day", FirstStated: fmt.Sprintf("2026-04-%02d", 3+i%20),
		ComponentID: fmt.Sprint(i), ComponentKind: "lead", Role: RoleIn, Model: "TB-L45", BirthYear: 1960, Sex: "female", Senders: []string{site}}
}

func measureOf(t *testing.T, rows []QualityRow, site, measure string) QualityRow {
	t.Helper()
	i := slices.IndexFunc(rows, func(r QualityRow) bool { return r.Site == site && r.Measure == measure })
	if i < 0 {
		t.Fatalf("no %s of %s", measure, site)
	}
	return rows[i]
}

// Counts by hand: 40 components, 20 with a lot, 12 rows held back, delays 0 to 19 days twice each.
func TestQualityCounts(t *testing.T) {
	var q, half Quality
	held := []Reject{{Rule: "/properties/lot/pattern", Pointer: "/lot", Reason: "lot is not as it must be", Mend: "sender"}}
	for i := range 40 {
		r, rejects := qualityRow("hillside", i), []Reject(nil)
		if i%2 == 0 {
			r.Lot = "A1"
		}
		if i < 12 {
			rejects = held
		}
		if i < 20 {
			q.Add(r, rejects)
		} else {
			half.Add(r, rejects)
		}
	}
	q.Merge(&half)
	rows, rejects := q.Table(SmallCells)
	for measure, want := range map[string]QualityRow{
		MeasureValid: {Has: 28, Of: 40, Percent: 70}, MeasureLot: {Has: 20, Of: 40, Percent: 50}, MeasureDay: {Has: 40, Of: 40, Percent: 100},
		MeasureDI: {Has: 0, Of: 40}, MeasureReason: {Percent: -1}, MeasureTimely: {Has: 40, Of: 40, Percent: 100},
	} {
		got := measureOf(t, rows, "hillside", measure)
		if got.Rows != 40 || got.Has != want.Has || got.Of != want.Of || got.Percent != want.Percent {
			t.Errorf("%s: %+v, want %+v", measure, got, want)
		}
	}
	if r := measureOf(t, rows, "hillside", MeasureTimely); r.MedianDays != 9 || r.P90Days != 17 {
		t.Errorf("delays: %+v", r)
	}
	if len(rejects) != 1 || rejects[0].Rows != 12 || rejects[0].Mend != "sender" || rejects[0].Month != "2026-04" {
		t.Errorf("rejects %+v", rejects)
	}
	if len(rows) != len(Measures()) {
		t.Errorf("%d rows", len(rows))
	}
}

// No number of 1 to 10 rows can be read or worked out from the table: not the part, not the rest.
func TestQualityHidesSmallCells(t *testing.T) {
	var q Quality
	for i := range 10 {
		q.Add(qualityRow("tiny", i), nil)
	}
	for i := range 40 {
		r := qualityRow("big", i)
		if i < 5 {
			r.Lot = "A1" // few have it
		}
		if i >= 5 {
			r.DI = "09506000117843" // few do not
		}
		if i < 7 {
			r.Kind = "revision" // few need a reason
		}
		var rejects []Reject
		if i < 3 {
			rejects = []Reject{{Rule: "x", Reason: "y", Mend: "clinic"}}
		}
		q.Add(r, rejects)
	}
	rows, rejects := q.Table(SmallCells)
	for _, r := range rows {
		if r.Site == "tiny" && (r.Rows != -1 || r.Has != -1 || r.Of != -1 || r.Percent != -1) {
			t.Errorf("told: %+v", r)
		}
		for _, n := range []int{r.Rows, r.Has, r.Of, r.Rows - r.Of, r.Of - r.Has} {
			if r.Rows >= 0 && r.Of >= 0 && r.Has >= 0 && n > 0 && n < SmallCells {
				t.Errorf("%d can be worked out: %+v", n, r)
			}
		}
	}
	for measure, hidden := range map[string]bool{MeasureLot: true, MeasureDI: true, MeasureReason: true, MeasureValid: true, MeasureSex: false} {
		if r := measureOf(t, rows, "big", measure); (r.Percent < 0) != hidden {
			t.Errorf("%s: %+v", measure, r)
		}
	}
	if len(rejects) != 1 || rejects[0].Rows != -1 {
		t.Errorf("rejects %+v", rejects)
	}
	if all, _ := q.Table(1); measureOf(t, all, "big", MeasureLot).Has != 5 || measureOf(t, all, "tiny", MeasureLot).Rows != 10 {
		t.Error("without a threshold the numbers are not told")
	}
}

func TestQualityChart(t *testing.T) {
	var q Quality
	for s := range 10 {
		for i := range 30 {
			r := qualityRow(fmt.Sprintf("site-%d", s), i)
			r.PeriodOfEvent = fmt.Sprintf("2026-%02d", 1+i%2)
			q.Add(r, nil)
		}
	}
	rows, _ := q.Table(SmallCells)
	b := QualityChart(rows, "2026-06-01T00:00:00Z", SmallCells)
	if !bytes.Equal(b, QualityChart(rows, "2026-06-01T00:00:00Z", SmallCells)) {
		t.Error("the same table gives other bytes")
	}
	d, text := xml.NewDecoder(bytes.NewReader(b)), ""
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		if c, ok := tok.(xml.CharData); ok {
			text += strings.TrimSpace(string(c)) + " "
		}
	}
	for _, want := range []string{"Unit:", "Definition:", "Data cut: 2026-06-01", "site-7", "2 further sites", "2026-02", "timeliness", "completeness", "validity", "threshold 11"} {
		if !strings.Contains(text, want) {
			t.Errorf("the chart does not say %q", want)
		}
	}
	if got := bytes.Count(QualityChart(nil, "cut", 1), []byte("nothing to draw")); got != len(charted) {
		t.Errorf("an empty chart says so in %d of %d panels", got, len(charted))
	}
	if got := bytes.Count(b, []byte("nothing to draw")); got != 1 { // these rows are of no revision or removal
		t.Errorf("%d panels with numbers say that they have none", got-1)
	}
	if len(QualityChart(nil, "cut", 1)) == 0 {
		t.Error("nothing is drawn of nothing")
	}
}
