package registry

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gaussline/mapping/svg"
)

// charted are the measures that the chart shows, a panel each: one or two of validity, completeness and timeliness.
var charted = []string{MeasureValid, MeasureSettled, MeasureIdentified, MeasureLot, MeasureReason, MeasureTimely}

// Sizes of the chart in pixels.
const (
	chartWidth  = 900.0
	panelLeft   = 60.0
	panelRight  = 880.0
	panelHeight = 120.0
	panelGap    = 62.0
	chartTop    = 70.0
	chartLine   = 18.0
	chartWrap   = 125 // characters of a line of the notes
	maxMonths   = 36  // the newest are shown
)

// QualityChart draws the table: a panel for each measure, months along, a line for each site, told apart by dash and
// mark and not by colour alone. A gap is a month whose number may not be told, or is of nothing. cut is the moment of
// the data. At most svg.MaxStyles sites are drawn, those with the most rows first; the words say how many are not.
func QualityChart(measures []QualityRow, cut string, least int) []byte {
	months, sites, left := chartAxes(measures)
	p := &svg.Page{}
	notes := []string{
		"Unit: percent of the rows that the measure applies to, by month of the event and site (a system that sends). Undated rows are in the table only.",
		"Definition: as the measures' names; the table says how many rows each rests on.", SmallCellWords(least) + " No interval: these are counts of all rows, not a sample.",
		"Data cut: " + cut,
	}
	if left > 0 {
		notes = append(notes, fmt.Sprintf("%d further sites are in the table and not drawn.", left))
	}
	var lines []string
	for _, n := range notes {
		lines = append(lines, svg.Wrap(n, chartWrap)...)
	}
	legend := chartTop + float64(len(charted))*(panelHeight+panelGap)
	height := legend + chartLine*float64(len(sites)+len(lines)+1) + 20
	p.F(`<svg xmlns="http://www.w3.org/2000/svg" width="%s" height="%s" viewBox="0 0 %s %s" role="img" font-family="sans-serif" font-size="13">`,
		svg.Px(chartWidth), svg.Px(height), svg.Px(chartWidth), svg.Px(height))
	p.F(`<title>Quality of registry rows by site and month</title><desc>%s</desc>`, svg.Esc(strings.Join(notes, " ")))
	p.F(`<rect width="100%%" height="100%%" fill="#ffffff"/>`)
	p.Text(chartWidth/2, 28, "middle", `font-size="16" font-weight="bold"`, "Quality of registry rows by site and month")
	for i, m := range charted {
		drawPanel(p, chartTop+float64(i)*(panelHeight+panelGap), m, months, sites, measures)
	}
	for i, s := range sites {
		y := legend + chartLine*float64(i)
		svg.Sample(p, i, panelLeft, panelLeft+60, y)
		mark(p, i, panelLeft+30, y-4)
		p.Text(panelLeft+70, y, "start", "", s)
	}
	for i, l := range lines {
		p.Text(20, legend+chartLine*float64(len(sites)+1+i), "start", `font-size="12"`, l)
	}
	p.F(`</svg>`)
	return p.Bytes()
}

// chartAxes gives the months and sites to draw, and how many sites are left out.
func chartAxes(measures []QualityRow) (months, sites []string, left int) {
	rows := map[string]int{}
	for _, r := range measures {
		if r.Month != "" {
			months = append(months, r.Month)
		}
		rows[r.Site] += r.Rows
	}
	slices.Sort(months)
	months = slices.Compact(months)
	months = months[max(0, len(months)-maxMonths):]
	for s := range rows {
		sites = append(sites, s)
	}
	slices.SortFunc(sites, func(a, b string) int {
		if rows[a] != rows[b] {
			return rows[b] - rows[a]
		}
		return strings.Compare(a, b)
	})
	left = max(0, len(sites)-svg.MaxStyles)
	return months, sites[:len(sites)-left], left
}

func drawPanel(p *svg.Page, top float64, measure string, months, sites []string, measures []QualityRow) {
	bottom := top + panelHeight
	y := func(percent float64) float64 { return bottom - panelHeight*percent/100 }
	x := func(i int) float64 {
		return panelLeft + (panelRight-panelLeft)*(float64(i)+0.5)/float64(max(len(months), 1))
	}
	p.Text(panelLeft, top-8, "start", `font-weight="bold"`, MeasureWords(measure)+" (%)")
	for _, v := range []float64{0, 50, 100} {
		p.F(`<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="#d0d0d0"/>`, svg.Px(panelLeft), svg.Px(y(v)), svg.Px(panelRight), svg.Px(y(v)))
		p.Text(panelLeft-8, y(v)+4, "end", "", svg.Short(v))
	}
	every := int(math.Ceil(float64(len(months)) / 12))
	for i, m := range months {
		if i%max(every, 1) == 0 {
			p.Text(x(i), bottom+18, "middle", `font-size="11"`, m)
		}
	}
	at := map[string]float64{}
	for _, r := range measures {
		if r.Measure == measure && r.Percent >= 0 {
			at[r.Site+"\x00"+r.Month] = r.Percent
		}
	}
	if len(at) == 0 {
		p.Text((panelLeft+panelRight)/2, top+panelHeight/2-8, "middle", "", "nothing to draw: no month of a site has a number that may be told")
	}
	for k, site := range sites {
		var d strings.Builder
		pen := "M"
		for i, m := range months {
			v, ok := at[site+"\x00"+m]
			if !ok {
				pen = "M"
				continue
			}
			fmt.Fprintf(&d, "%s%s %s", pen, svg.Px(x(i)), svg.Px(y(v)))
			pen = "L"
			mark(p, k, x(i), y(v))
		}
		if d.Len() > 0 {
			s := svg.Styles()[k]
			p.F(`<path d="%s" fill="none" stroke="%s" stroke-width="2" stroke-dasharray="%s"/>`, d.String(), s.Colour, s.Dash)
		}
	}
}

// mark draws the mark of site i: filled and open squares, lozenges, triangles and bars.
func mark(p *svg.Page, i int, x, y float64) {
	shapes := []string{"M-4-4H4V4H-4Z", "M0-6L6 0L0 6L-6 0Z", "M0-6L6 5H-6Z", "M0 6L6-5H-6Z"}
	fill := svg.Styles()[i].Colour
	if i >= len(shapes) {
		fill = "#ffffff"
	}
	p.F(`<path transform="translate(%s %s)" d="%s" fill="%s" stroke="%s" stroke-width="1.5"/>`, svg.Px(x), svg.Px(y), shapes[i%len(shapes)], fill, svg.Styles()[i].Colour)
}
