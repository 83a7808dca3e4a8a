package opnote

import (
	"errors"
	"strings"
	"testing"
)

// Character sets: WHATWG Encoding Standard labels. RTF: the published format 1.9.1. Values worked out by hand.
func TestText(t *testing.T) {
	for _, c := range []struct{ name, typ, in, want string }{
		{"plain", "text/plain", "Lead out.", "Lead out."},
		{"utf-8 mark", "text/plain; charset=utf-8", "\ufeffLead", "Lead"},
		{"latin-1", "text/plain; charset=iso-8859-1", "Elektrode \xfcber L3", "Elektrode über L3"},
		{"unlabelled Windows-1252", "", "5\x968", "5–8"},
		{"utf-16", "text/plain", "\xff\xfeL\x003\x00", "L3"},
		{"html", "text/html", "<style>x</style><p>Lead&nbsp;<b>out</b></p><p>IPG &gt; in</p>", "Lead out\n\nIPG > in"},
		{"html table", "text/html", "<table><tr><th>Item</th><th>Lot</th></tr><tr><td>Lead</td><td></td><td>L3&#8211;4</td></tr></table>", "Item | Lot\nLead |  | L3–4"},
		{"html boxes", "text/html", "<input type=checkbox checked>Explant <input type=checkbox>Revision", "[x] Explant [ ] Revision"},
		{"html struck out", "text/html", "<p><del>Lead removed.</del> Lead left.</p>", "[struck out: Lead removed.] Lead left."},
		{"html never closed", "text/html", "<div><p>Lead <b>out", "Lead out"},
		{"xhtml", "application/xhtml+xml", `<?xml version="1.0"?><html xmlns="http://www.w3.org/1999/xhtml"><body><div>Lead<br/>out</div></body></html>`, "Lead\nout"},
		{"rtf", "text/rtf", `{\rtf1\ansi\ansicpg1252{\fonttbl{\f0 Arial;}}{\b Op}\par M\'fcller \u8211?\~L3{\*\generator x;}{\v secret}\par}`, "Op\nMüller – L3"},
		{"rtf row", "application/rtf", `{\rtf1\trowd Lead\cell L3\cell\row}`, "Lead | L3 |"},
		{"rtf by its bytes", "application/octet-stream", `{\rtf1 x}`, "x"},
	} {
		got, err := Text(c.typ, []byte(c.in))
		if err != nil || got != c.want {
			t.Errorf("%s: %q, %v; want %q", c.name, got, err, c.want)
		}
	}
}

func TestTextErrors(t *testing.T) {
	deep := strings.Repeat("{", maxRTFDepth+5) + strings.Repeat("}", maxRTFDepth+5)
	for _, c := range []struct {
		name, typ, in string
		want          error
	}{
		{"pdf", "application/pdf", "%PDF-1.4", ErrPDF},
		{"pdf called text", "text/plain", "%PDF-1.4 x", ErrPDF},
		{"picture", "image/png", "x", ErrType},
		{"binary", "application/octet-stream", "a\x00b", ErrType},
		{"unknown charset", "text/plain; charset=klingon", "x", ErrType},
		{"too large", "text/plain", strings.Repeat("a", MaxText+1), ErrTooLarge},
		{"rtf not closed", "text/rtf", `{\rtf1 x`, ErrMalformed},
		{"rtf closed twice", "text/rtf", `{\rtf1 x}}`, ErrMalformed},
		{"rtf too deep", "text/rtf", `{\rtf1 ` + deep + `}`, ErrMalformed},
		{"rtf binary beyond the end", "text/rtf", `{\rtf1 \bin999999 x}`, ErrMalformed},
		{"rtf cut in a character", "text/rtf", `{\rtf1 \'`, ErrMalformed},
	} {
		if got, err := Text(c.typ, []byte(c.in)); !errors.Is(err, c.want) || got != "" {
			t.Errorf("%s: %.20q, %v; want %v", c.name, got, err, c.want)
		}
	}
}

// Deep nesting of HTML costs no more than its length: a document of a million open elements is read at once.
func TestTextDeepHTML(t *testing.T) {
	got, err := Text("text/html", []byte(strings.Repeat("<b>", 1_000_000)+"Lead"))
	if err != nil || got != "Lead" {
		t.Errorf("%.20q, %v", got, err)
	}
}
