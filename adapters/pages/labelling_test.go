package pages

import (
	"strings"
	"testing"

	"gaussline/mapping/mri"
)

// A complaint says in which file, document and component it lies; the folder of the file is nobody's business. Numbers
// of one column have one unit, with the printed words beside them (1 T/m is 100 G/cm). Our own rule.
func TestLabellingPage(t *testing.T) {
	h := newHouse(t)
	status, page, _ := h.visitor("safety").get("/labelling")
	if status != 200 {
		t.Fatal(status)
	}
	for _, want := range []string{"north-labelling.json, document ", "; component ", "; set ", "15 T/m (printed: 1500 G/cm)"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, never := range []string{"/etc/invented", "<td>1500 G/cm"} {
		if strings.Contains(page, never) {
			t.Errorf("the page says %q", never)
		}
	}
}

func TestNumbersOfAColumn(t *testing.T) {
	for _, c := range []struct{ unit, printed, want string }{
		{"T/m", "1500 G/cm", "15 T/m (printed: 1500 G/cm)"}, {"T/m", "18.5 T/m", "18.5 T/m"}, {"T/m", "", ""},
		{"T", "15 kG", "1.5 T (printed: 15 kG)"}, {"T/m", "about 20", "about 20"}, {"T/m/s", "200 mT/m/ms", "200 T/m/s (printed: 200 mT/m/ms)"},
	} {
		if got := inSI(mri.Dimension(c.unit), c.printed); got != c.want {
			t.Errorf("%q is shown as %q, wanted %q", c.printed, got, c.want)
		}
	}
}
