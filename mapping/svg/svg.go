// Package svg writes SVG text: the few shapes of our charts, line styles that tell curves apart without colour, ticks
// and wrapped text. What a chart shows is not here; see survival and registry.
package svg

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// MaxStyles is how many curves one chart can tell apart without colour.
const MaxStyles = 8

// Style is how one curve is drawn.
type Style struct{ Colour, Dash string }

// Styles tell curves apart by dash first; colour only helps.
func Styles() [MaxStyles]Style {
	return [MaxStyles]Style{
		{"#1b3a5c", "none"}, {"#a3480f", "9 4"}, {"#2f6b3c", "2 3"}, {"#6a2a78", "10 3 2 3"},
		{"#4d4d4d", "16 4"}, {"#8a6d00", "5 2 1 2 1 2"}, {"#0f6e78", "1 5"}, {"#8c1c3c", "14 3 5 3"},
	}
}

// Page collects SVG text.
type Page struct{ b bytes.Buffer }

// F writes one formatted line.
func (p *Page) F(format string, args ...any) {
	fmt.Fprintf(&p.b, format, args...)
	p.b.WriteByte('\n')
}

// Text writes s at a place; anchor is start, middle or end, attributes may be "".
func (p *Page) Text(x, y float64, anchor, attributes, s string) {
	if attributes != "" {
		attributes = " " + attributes
	}
	p.F(`<text x="%s" y="%s" text-anchor="%s"%s>%s</text>`, Px(x), Px(y), anchor, attributes, Esc(s))
}

// Bytes gives what was written.
func (p *Page) Bytes() []byte { return p.b.Bytes() }

// Sample draws a short piece of the line of curve i.
func Sample(p *Page, i int, from, to, y float64) {
	s := Styles()[i]
	p.F(`<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="%s" stroke-width="2" stroke-dasharray="%s"/>`,
		Px(from), Px(y-4), Px(to), Px(y-4), s.Colour, s.Dash)
}

// Tick is the least of 1, 2 and 5 times a power of ten that cuts span into at most 8.
func Tick(span float64) float64 {
	if span <= 0 {
		return 1
	}
	unit := math.Pow(10, math.Floor(math.Log10(span/8)))
	for _, f := range []float64{1, 2, 5} {
		if span/(f*unit) <= 8 {
			return f * unit
		}
	}
	return 10 * unit
}

// Px writes a coordinate.
func Px(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

// Short writes a tick value.
func Short(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// Esc writes text for XML.
func Esc(s string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(s)) // writing to a buffer does not fail
	return b.String()
}

// Wrap breaks a text into lines of at most n characters at spaces.
func Wrap(s string, n int) []string {
	var out []string
	line := ""
	for _, word := range strings.Fields(s) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > n {
			out = append(out, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(out, line)
}
