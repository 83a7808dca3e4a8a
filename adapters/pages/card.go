package pages

import (
	"fmt"
	"image/color"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/datamatrix"
	"github.com/boombuler/barcode/qr"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
	"gaussline/mapping/udi"
)

var dayZero time.Time

// matrix is a two-dimensional code as one path of unit squares.
type matrix struct {
	Size int
	Path string
	Kind string // "GS1 DataMatrix", "QR"
	Text string // as printed beneath it
}

// quiet is the empty margin around a code in modules: four for QR (ISO/IEC 18004), one for DataMatrix (ISO/IEC 16022);
// four serves both. From memory.
const quiet = 4

// udiCode draws the UDI of a component: GS1 DataMatrix where the carrier parses as GS1, else QR of the text as it
// was recorded; nil when there is none, or none that can be drawn.
func udiCode(c implant.Component, year int) *matrix {
	text := strings.TrimSpace(c.UDI)
	if text == "" {
		return nil
	}
	kind := "QR"
	var code barcode.Barcode
	var err error
	if parsed := udi.Parse(text, year); parsed.Issuer == udi.GS1 && strings.HasPrefix(text, "(") {
		kind = "GS1 DataMatrix"
		code, err = datamatrix.Encode(gs1Data(text))
	} else {
		code, err = qr.Encode(text, qr.M, qr.Auto)
	}
	if err != nil {
		return nil
	}
	return &matrix{Size: code.Bounds().Dx() + 2*quiet, Path: modules(code), Kind: kind, Text: text}
}

// fixedLength are the application identifiers of our UDIs whose length is given, after which no separator stands (GS1
// General Specifications, figure on predefined lengths; from memory): GTIN, production, expiry.
var fixedLength = map[string]bool{"01": true, "11": true, "17": true}

// gs1Data turns "(01)…(17)…" into what a GS1 symbol holds: FNC1 first and after each element of variable length.
func gs1Data(text string) string {
	var b strings.Builder
	b.WriteByte(datamatrix.FNC1)
	elements := strings.Split(text, "(")[1:]
	for i, e := range elements {
		ai, value, _ := strings.Cut(e, ")")
		b.WriteString(ai + value)
		if !fixedLength[ai] && i+1 < len(elements) {
			b.WriteByte(datamatrix.FNC1)
		}
	}
	return b.String()
}

// modules gives the dark squares as one SVG path, runs of a row joined.
func modules(code barcode.Barcode) string {
	var b strings.Builder
	r := code.Bounds()
	dark := func(x, y int) bool {
		g := color.GrayModel.Convert(code.At(x, y)).(color.Gray)
		return g.Y < 128
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			start := x
			for x < r.Max.X && dark(x, y) {
				x++
			}
			if n := x - start; n > 0 {
				fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", start-r.Min.X+quiet, y-r.Min.Y+quiet, n, n)
			}
		}
	}
	return b.String()
}

// cardPart is a part on the card.
type cardPart struct {
	Part implant.Part
	Line string
	Code *matrix
}

// card is what a patient carries: the parts in the body, where, since when, and the MR line.
func (p *pages) card(c *call) error {
	rec, err := p.openRecord(c, "card", dayZero, dayZero)
	if err != nil {
		return outsideOr(c, err)
	}
	now := p.Now().UTC()
	var parts []cardPart
	slices.SortStableFunc(rec.Parts, func(a, b implant.Part) int { return drawOrder(a) - drawOrder(b) })
	for _, part := range rec.Parts {
		if part.State.InBody() {
			parts = append(parts, cardPart{Part: part, Line: banner.PartLine(part), Code: udiCode(part.Component, now.Year())})
		}
	}
	return c.show("card", http.StatusOK, "Implant card of "+personName(rec.Person), map[string]any{"ID": c.r.PathValue("id"), "Name": personName(rec.Person),
		"Number": personNumber(rec.Person), "Birth": rec.Person.Birth, "Parts": parts, "Questions": len(rec.Questions), "MR": mrLine(p.Service, rec),
		"AsOf": now.Format("2006-01-02 15:04 UTC"), "Cautions": []string{banner.Caution(mri.CautionLabelOfTheDay), banner.Caution(mri.CautionRecord),
			banner.Caution(mri.CautionRescreen), banner.Caution(mri.CautionNoRecord)}})
}

// mrLine is the MR line of a card: what is known without an order, whose region, date and scanner are not known. Only
// what forbids or leaves open is said; conditions belong to an order.
func mrLine(s *pipeline.Service, rec implant.Record) string {
	v := s.Verdict(rec, implant.Referral{MR: implant.Yes}, "", false)
	if v.Kind == mri.KindWithinIf || v.Kind == mri.KindNotEstablished { // nothing more can be said without an examination
		return banner.Headline(mri.KindNotEstablished) + ". No examination is judged here"
	}
	return banner.Headline(v.Kind)
}
