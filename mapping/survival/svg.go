package survival

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"gaussline/mapping/svg"
)

// Chart is a figure of step curves. All its words are needed: a figure without unit, definition, interval method
// and data cut does not say what it shows.
type Chart struct {
	Title      string
	XLabel     string // with the unit: "years since implantation"
	YLabel     string // with the unit: "cumulative percent revised (%)"
	Definition string // what counts as the event, for which unit, what ends observation
	Interval   string // method and level of the bands, see [Method.Words]
	DataCut    string // the moment the data were cut
	RiskTimes  []float64
	FewAtRisk  string // shown for a number at risk below zero: it is not told, and why; "<11"
	Series     []Series
}

// MaxSeries is how many curves one chart can tell apart without colour.
const MaxSeries = svg.MaxStyles

// Sizes in pixels.
const (
	svgWidth   = 800
	plotLeft   = 80.0
	plotRight  = 780.0
	plotTop    = 60.0
	plotBottom = 380.0
	lineHeight = 18.0
	wrapAt     = 112 // characters of the text lines below
)

// SVG draws the chart. The same chart gives the same bytes. It is an error when a text is missing, when there is
// no curve or more than MaxSeries, or when a series' numbers at risk do not match RiskTimes.
func (c Chart) SVG() ([]byte, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	a := c.axes()
	var notes []string
	for _, s := range []string{"Definition: " + c.Definition, "Bands: " + c.Interval, "Data cut: " + c.DataCut,
		"No estimate is shown beyond the end of a curve; no band where the method has none."} {
		notes = append(notes, svg.Wrap(s, wrapAt)...)
	}
	legendTop := plotBottom + 66
	tableTop := legendTop + lineHeight*float64(len(c.Series)) + 6
	notesTop := tableTop + lineHeight*float64(len(c.Series)+1) + 8
	height := notesTop + lineHeight*float64(len(notes)) + 10
	p := &svg.Page{}
	p.F(`<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%s" viewBox="0 0 %d %s" role="img" font-family="sans-serif" font-size="13">`,
		svgWidth, svg.Px(height), svgWidth, svg.Px(height))
	p.F(`<title>%s</title><desc>%s</desc>`, svg.Esc(c.Title), svg.Esc(strings.Join(notes, " ")))
	p.F(`<rect width="100%%" height="100%%" fill="#ffffff"/>`)
	p.Text(svgWidth/2, 28, "middle", `font-size="16" font-weight="bold"`, c.Title)
	c.drawAxes(p, a)
	for i, s := range c.Series {
		drawBand(p, a, s, i)
	}
	for i, s := range c.Series {
		drawCurve(p, a, s, i)
	}
	c.drawLegend(p, legendTop)
	if len(c.RiskTimes) > 0 {
		c.drawRisk(p, a, tableTop)
	}
	for i, s := range notes {
		p.Text(plotLeft-60, notesTop+lineHeight*float64(i), "start", `font-size="12"`, s)
	}
	p.F(`</svg>`)
	return p.Bytes(), nil
}

func (c Chart) check() error {
	for _, s := range []struct{ name, text string }{
		{"title", c.Title}, {"x label", c.XLabel}, {"y label", c.YLabel}, {"definition", c.Definition},
		{"interval", c.Interval}, {"data cut", c.DataCut},
	} {
		if strings.TrimSpace(s.text) == "" {
			return errors.New("chart: no " + s.name)
		}
	}
	if len(c.Series) == 0 || len(c.Series) > MaxSeries {
		return fmt.Errorf("chart: %d curves, want 1 to %d", len(c.Series), MaxSeries)
	}
	for _, s := range c.Series {
		if len(s.AtRisk) != len(c.RiskTimes) {
			return fmt.Errorf("chart: curve %q has %d numbers at risk for %d times", s.Name, len(s.AtRisk), len(c.RiskTimes))
		}
		for _, p := range s.Points {
			if math.IsNaN(p.X) || math.IsInf(p.X, 0) || math.IsNaN(p.Y) || math.IsInf(p.Y, 0) {
				return fmt.Errorf("chart: curve %q has a point that is not finite", s.Name)
			}
		}
	}
	return nil
}

// axes maps values to pixels.
type axes struct{ maxX, maxY, stepX, stepY float64 }

func (a axes) x(v float64) float64 { return plotLeft + (plotRight-plotLeft)*min(v/a.maxX, 1) }
func (a axes) y(v float64) float64 { return plotBottom - (plotBottom-plotTop)*min(v/a.maxY, 1) }

func (c Chart) axes() axes {
	maxX, maxY := 0.0, 0.0
	for _, s := range c.Series {
		maxX = max(maxX, s.End)
		for _, p := range s.Points {
			maxX, maxY = max(maxX, p.X), max(maxY, p.Y)
			if !math.IsNaN(p.Hi) {
				maxY = max(maxY, p.Hi)
			}
		}
	}
	for _, t := range c.RiskTimes {
		maxX = max(maxX, t)
	}
	a := axes{stepX: svg.Tick(maxX), stepY: svg.Tick(min(maxY, 100))}
	a.maxX = a.stepX * math.Ceil(max(maxX/a.stepX, 1))
	a.maxY = min(a.stepY*math.Ceil(max(maxY/a.stepY, 1)), 100)
	return a
}

func (c Chart) drawAxes(p *svg.Page, a axes) {
	for i := 0; float64(i)*a.stepY <= a.maxY*1.0001; i++ {
		v := float64(i) * a.stepY
		p.F(`<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="#d0d0d0"/>`, svg.Px(plotLeft), svg.Px(a.y(v)), svg.Px(plotRight), svg.Px(a.y(v)))
		p.Text(plotLeft-8, a.y(v)+4, "end", "", svg.Short(v))
	}
	for i := 0; float64(i)*a.stepX <= a.maxX*1.0001; i++ {
		v := float64(i) * a.stepX
		p.F(`<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="#000000"/>`, svg.Px(a.x(v)), svg.Px(plotBottom), svg.Px(a.x(v)), svg.Px(plotBottom+5))
		p.Text(a.x(v), plotBottom+20, "middle", "", svg.Short(v))
	}
	p.F(`<path d="M%s %sV%sH%s" fill="none" stroke="#000000"/>`, svg.Px(plotLeft), svg.Px(plotTop), svg.Px(plotBottom), svg.Px(plotRight))
	p.Text((plotLeft+plotRight)/2, plotBottom+40, "middle", "", c.XLabel)
	p.Text(0, 0, "middle", fmt.Sprintf(`transform="translate(24 %s) rotate(-90)"`, svg.Px((plotTop+plotBottom)/2)), c.YLabel)
}

func drawCurve(p *svg.Page, a axes, s Series, i int) {
	if len(s.Points) == 0 {
		return
	}
	var d strings.Builder
	fmt.Fprintf(&d, "M%s %s", svg.Px(a.x(s.Points[0].X)), svg.Px(a.y(s.Points[0].Y)))
	for _, q := range s.Points[1:] {
		fmt.Fprintf(&d, "H%sV%s", svg.Px(a.x(q.X)), svg.Px(a.y(q.Y)))
	}
	fmt.Fprintf(&d, "H%s", svg.Px(a.x(s.End)))
	p.F(`<path d="%s" fill="none" stroke="%s" stroke-width="2" stroke-dasharray="%s"/>`, d.String(), svg.Styles()[i].Colour, svg.Styles()[i].Dash)
}

// drawBand fills between the limits, one shape for each stretch that has them.
func drawBand(p *svg.Page, a axes, s Series, i int) {
	for from := 0; from < len(s.Points); {
		to := from
		for to < len(s.Points) && !math.IsNaN(s.Points[to].Lo) && !math.IsNaN(s.Points[to].Hi) {
			to++
		}
		if to > from {
			end := s.End
			if to < len(s.Points) {
				end = s.Points[to].X
			}
			p.F(`<path d="%s" fill="%s" fill-opacity="0.12" stroke="%s" stroke-opacity="0.5" stroke-width="0.7" stroke-dasharray="%s"/>`,
				bandPath(a, s.Points[from:to], end), svg.Styles()[i].Colour, svg.Styles()[i].Colour, svg.Styles()[i].Dash)
		}
		from = to + 1
	}
}

func bandPath(a axes, points []Point, end float64) string {
	var d strings.Builder
	fmt.Fprintf(&d, "M%s %s", svg.Px(a.x(points[0].X)), svg.Px(a.y(points[0].Hi)))
	for _, q := range points[1:] {
		fmt.Fprintf(&d, "H%sV%s", svg.Px(a.x(q.X)), svg.Px(a.y(q.Hi)))
	}
	fmt.Fprintf(&d, "H%s", svg.Px(a.x(end)))
	for k := len(points) - 1; k >= 0; k-- {
		fmt.Fprintf(&d, "V%sH%s", svg.Px(a.y(points[k].Lo)), svg.Px(a.x(points[k].X)))
	}
	d.WriteString("Z")
	return d.String()
}

// drawLegend writes one line a curve: its dash and its name.
func (c Chart) drawLegend(p *svg.Page, top float64) {
	for i, s := range c.Series {
		y := top + lineHeight*float64(i)
		svg.Sample(p, i, plotLeft, plotLeft+60, y)
		name := s.Name
		if len(s.Points) == 0 {
			name += " (no estimate)"
		}
		p.Text(plotLeft+70, y, "start", "", name)
	}
}

// drawRisk writes under each time how many are still at risk, a line a curve.
func (c Chart) drawRisk(p *svg.Page, a axes, top float64) {
	p.Text(plotLeft-60, top, "start", `font-weight="bold"`, "Number at risk")
	for i, s := range c.Series {
		y := top + lineHeight*float64(i+1)
		svg.Sample(p, i, 4, 50, y)
		for k, t := range c.RiskTimes {
			n := strconv.Itoa(s.AtRisk[k])
			if s.AtRisk[k] < 0 {
				n = c.FewAtRisk
			}
			p.Text(a.x(t), y, "middle", "", n)
		}
	}
}
