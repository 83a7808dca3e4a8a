package pages

import (
	"fmt"
	"image"
	"image/color"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	zxdm "github.com/makiuchi-d/gozxing/datamatrix"
	zxqr "github.com/makiuchi-d/gozxing/qrcode"

	"gaussline/mapping/implant"
)

// picture draws the path of a matrix, ten pixels a module, as a browser would.
func picture(t *testing.T, m *matrix) image.Image {
	t.Helper()
	const scale = 10
	img := image.NewGray(image.Rect(0, 0, m.Size*scale, m.Size*scale))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for _, sq := range strings.Split(strings.TrimSuffix(m.Path, "z"), "z") {
		x, y, n := numbers(t, sq)
		for py := y * scale; py < (y+1)*scale; py++ {
			for px := x * scale; px < (x+n)*scale; px++ {
				img.SetGray(px, py, color.Gray{})
			}
		}
	}
	return img
}

// The codes are read back with another library (gozxing, a port of ZXing).
func TestUDICodesAreReadBackByAnotherLibrary(t *testing.T) {
	gs1 := "(01)09506000134352(17)280331(10)TBL2401(21)AG1" // GTIN with GS1's example prefix 9506000; its check digit is right
	m := udiCode(implant.Component{UDI: gs1}, 2026)
	if m == nil || m.Kind != "GS1 DataMatrix" {
		t.Fatalf("%+v, want a GS1 DataMatrix", m)
	}
	bmp, err := gozxing.NewBinaryBitmapFromImage(picture(t, m))
	if err != nil {
		t.Fatal(err)
	}
	got, err := zxdm.NewDataMatrixReader().Decode(bmp, nil)
	if err != nil {
		t.Fatal(err)
	}
	// FNC1 is read as GS (0x1d); fixed elements have none behind them, the lot has one (GS1 General Specifications).
	if text := strings.TrimLeft(got.GetText(), "\x1d\u00e8"); text != "01095060001343521728033110TBL2401\x1d21AG1" {
		t.Errorf("read back %q", got.GetText())
	}
	other := "+M123TBL451/$$32803310TBL2401" // not GS1: as recorded, in a QR code
	m = udiCode(implant.Component{UDI: other}, 2026)
	if m == nil || m.Kind != "QR" {
		t.Fatalf("%+v, want QR", m)
	}
	if bmp, err = gozxing.NewBinaryBitmapFromImage(picture(t, m)); err != nil {
		t.Fatal(err)
	}
	if got, err = zxqr.NewQRCodeReader().Decode(bmp, nil); err != nil || got.GetText() != other {
		t.Errorf("%v %v", got, err)
	}
	if udiCode(implant.Component{}, 2026) != nil || udiCode(implant.Component{UDI: strings.Repeat("x", 9000)}, 2026) != nil {
		t.Error("a code of nothing, or of what does not fit")
	}
}

func numbers(t *testing.T, sq string) (x, y, n int) {
	t.Helper()
	if _, err := fmt.Sscanf(sq, "M%d %dh%d", &x, &y, &n); err != nil {
		t.Fatalf("%q: %v", sq, err)
	}
	return x, y, n
}
