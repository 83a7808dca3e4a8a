package survival

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"gaussline/mapping/svg"
)

// chart draws the two arms of the leukaemia trial (Freireich 1963).
func chart(t testing.TB) Chart {
	t.Helper()
	times := []float64{0, 5, 10, 15, 20, 25, 30, 35}
	c := Chart{
		Title: "Relapse after remission", XLabel: "weeks since remission", YLabel: "cumulative percent relapsed (%)",
		Definition: "first relapse of one patient; observation ends at the last visit <seen>",
		Interval:   LogLog.Words(0.95), DataCut: "1963 & before", RiskTimes: times,
	}
	for _, arm := range []struct{ name, data string }{{"6-MP", sixMP}, {"placebo", placebo}} {
		obs := read(t, arm.data)
		s := km(t, obs).Failure(Show{Name: arm.name, Method: LogLog, Level: 0.95})
		s.AtRisk = AtRisk(obs, times)
		c.Series = append(c.Series, s)
	}
	return c
}

func TestSVG(t *testing.T) {
	drawn, err := chart(t).SVG()
	if err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(drawn))
	var words []string
	dashes := map[string]bool{}
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch tok := tok.(type) {
		case xml.CharData:
			words = append(words, strings.TrimSpace(string(tok)))
		case xml.StartElement:
			for _, a := range tok.Attr {
				if tok.Name.Local == "path" && a.Name.Local == "stroke-dasharray" {
					dashes[a.Value] = true
				}
			}
		}
	}
	text := strings.Join(words, "\n")
	for _, want := range []string{"Relapse after remission", "weeks since remission", "cumulative percent relapsed (%)",
		"last visit <seen>", "log-log transformation", "95 %", "1963 & before", "Number at risk", "6-MP", "placebo"} {
		if !strings.Contains(text, want) {
			t.Errorf("the figure does not say %q", want)
		}
	}
	for _, n := range AtRisk(read(t, sixMP), []float64{0, 10, 20, 35}) { // published numbers at risk: 21 15 8 1
		if !strings.Contains(text, "\n"+strconv.Itoa(n)+"\n") {
			t.Errorf("number at risk %d is not shown", n)
		}
	}
	if len(dashes) != 2 {
		t.Errorf("curves told apart by %d dashes, want 2", len(dashes))
	}
	again, _ := chart(t).SVG()
	if !bytes.Equal(drawn, again) {
		t.Error("two drawings differ")
	}
}

func TestSeries(t *testing.T) {
	obs := read(t, sixMP)
	s := km(t, obs).Failure(Show{Name: "6-MP", Method: LogLog, Level: 0.95})
	if s.Points[0].X != 0 || s.Points[0].Y != 0 || !math.IsNaN(s.Points[0].Lo) || s.End != 35 || len(s.Points) != 8 {
		t.Errorf("%+v", s)
	}
	if p := s.Points[2]; p.X != 7 || !within(p.Y, 100-80.67, 2) || !within(p.Lo, 100-92.28, 2) || !within(p.Hi, 100-56.31, 2) {
		t.Errorf("at 7 weeks %+v, published S .8067 (.5631 to .9228)", p)
	}
	cut := km(t, obs).Failure(Show{Name: "6-MP", Method: LogLog, Level: 0.95, MinAtRisk: 12})
	if last := cut.Points[len(cut.Points)-1]; last.X != 13 || cut.End != 13 {
		t.Errorf("with at least 12 at risk the curve ends at %g (%g), want 13", last.X, cut.End)
	}
	in, _ := AalenJohansen(append(read(t, all), read(t, aml)...), 2)
	one := in.Failure(1, Show{Name: "transplant death", Method: LogLog, Level: 0.95})
	if p := one.Points[len(one.Points)-1]; !within(p.Y, 27.283899, 6) || !within(p.Lo, 13.53, 2) || !within(p.Hi, 43.03, 2) {
		t.Errorf("cumulative incidence %+v, want 27.28 (13.53 to 43.03)", p)
	}
	if none := in.Failure(3, Show{Name: "none"}); len(none.Points) != 0 {
		t.Errorf("a cause that was not estimated: %+v", none)
	}
}

func TestChartRefusals(t *testing.T) {
	for name, spoil := range map[string]func(*Chart){
		"no definition": func(c *Chart) { c.Definition = " " }, "no data cut": func(c *Chart) { c.DataCut = "" },
		"no interval": func(c *Chart) { c.Interval = "" }, "no unit": func(c *Chart) { c.XLabel = "" },
		"no curve": func(c *Chart) { c.Series = nil }, "numbers at risk missing": func(c *Chart) { c.Series[0].AtRisk = nil },
		"not finite": func(c *Chart) { c.Series[0].Points[0].Y = math.Inf(1) },
		"too many":   func(c *Chart) { c.Series = make([]Series, MaxSeries+1) },
	} {
		c := chart(t)
		spoil(&c)
		if _, err := c.SVG(); err == nil {
			t.Errorf("%s: drawn", name)
		}
	}
	empty := chart(t)
	for i := range empty.Series {
		empty.Series[i].Points, empty.Series[i].End = nil, 0
	}
	if svg, err := empty.SVG(); err != nil || !strings.Contains(string(svg), "(no estimate)") || strings.Contains(string(svg), "NaN") {
		t.Errorf("empty curves: %v", err)
	}
}

func TestTick(t *testing.T) {
	for span, want := range map[float64]float64{0: 1, 1: 0.2, 8: 1, 8.1: 2, 35: 5, 100: 20, 0.03: 0.005} {
		if got := svg.Tick(span); math.Abs(got-want) > 1e-12 {
			t.Errorf("tick(%g) = %g, want %g", span, got, want)
		}
	}
}
