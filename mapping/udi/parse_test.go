package udi

import (
	"strings"
	"testing"
)

func TestCheckCharacters(t *testing.T) {
	if got := mod10("5102222223333"); got != '6' {
		t.Errorf("GTIN 5102222223333: %c, want 6 (regulator's example, vector G01)", got)
	}
	if got, _ := mod43("+A123BJC5D6E71"); got != 'G' {
		t.Errorf("mod 43: %c, want G (ANSI/HIBC 2.6-2016 appendix B, worked sum 145)", got)
	}
	if got := mod97("PP12345ABCD.12345678.90"); got != "04" {
		t.Errorf("mod 97: %s, want 04 (EU document on the Basic UDI-DI, recomputed)", got)
	}
	if got := mod97("1112345678"); got != "42" {
		t.Errorf("mod 97: %s, want 42 (IFA specification example, recomputed)", got)
	}
	if got := DINCheck("G123417654321"); got != 'A' {
		t.Errorf("DIN check: %c, want A (ISBT 128 ST-001 example)", got)
	}
	if got := DINCheck("g12"); got != 0 {
		t.Errorf("DIN check of lower case: %c, want none", got)
	}
}

// GS1 General Specifications 7.12: the rule depends on the year it is applied in.
func TestCentury(t *testing.T) {
	for _, c := range []struct{ yy, ref, want int }{
		{76, 2026, 2076}, {77, 2026, 1977}, {0, 2026, 2000}, {26, 2026, 2026}, {99, 2026, 1999},
		{49, 2099, 2149}, {50, 2099, 2050}, {0, 1999, 2000}, {51, 2000, 1951}, {50, 2000, 2050},
	} {
		if got := century(c.yy, c.ref); got != c.want {
			t.Errorf("century(%d, %d) = %d, want %d", c.yy, c.ref, got, c.want)
		}
	}
}

func TestForms(t *testing.T) {
	for _, c := range []struct {
		name, raw, form string
		issuer          Issuer
		di, lot, serial string
	}{
		{"scanner that passes FNC1 on", "\x1d015102222223333610LOT7", FormAIDC, GS1, "51022222233336", "LOT7", ""},
		{"GS1-128", "]C10151022222233336", FormAIDC, GS1, "51022222233336", "", ""},
		{"GS1 QR", "]Q3015102222223333621S9", FormAIDC, GS1, "51022222233336", "", "S9"},
		{"retail EAN-13, padded", "]E09506000117843", FormDI, GS1, "09506000117843", "", ""},
		{"HIBCC in plain DataMatrix", "]d1+A123BJC5D6E71G", FormPrimary, HIBCC, "A123BJC5D6E71", "", ""},
		{"line end of a scanner", "+A123BJC5D6E71G\r\n", FormPrimary, HIBCC, "A123BJC5D6E71", "", ""},
		{"space check character typed as _", "+$$52001510X3+_", FormSecondary, HIBCC, "", "10X3", ""},
		{"escaped bracket, GS1's own notation", `(01)51022222233336(10)A\(21)B`, FormHRF, GS1, "51022222233336", "A(21)B", ""},
		{"escaped characters in a link", "https://id.gs1.org/x/01/09521234543213/10/A%2FB%28", FormDigitalLink, GS1, "09521234543213", "A/B(", ""},
		{"software version", "(01)51022222233336(8012)1.0.3", FormHRF, GS1, "51022222233336", "", ""},
		{"blood structure beside a device's", "=/A9999XYZ100T0476&>0190322359=,000025", FormAIDC, ICCBBA, "A9999XYZ100T0476", "", "000025"},
		{"IFA, data identifiers from memory", "[)>\x1e06\x1d9N111234567842\x1d1TLOT1\x1dD290600\x1dSSN1\x1e\x04", FormAIDC, IFA, "111234567842", "LOT1", "SN1"},
	} {
		r := Parse(c.raw, refYear)
		if !r.OK() || r.Form != c.form || r.Issuer != c.issuer || r.DI != c.di || r.Lot != c.lot || r.Serial != c.serial {
			t.Errorf("%s %q: %+v", c.name, c.raw, r)
		}
		if r.CheckChr == "_" {
			t.Errorf("%s: the check character is a space", c.name)
		}
	}
	if r := Parse("(01)51022222233336(8012)1.0.3", refYear); r.Software != "1.0.3" {
		t.Errorf("software version %q", r.Software)
	}
}

func TestProblems(t *testing.T) {
	for _, c := range []struct{ name, raw, code string }{
		{"nothing", " \r\n", CodeEmpty},
		{"far too long", strings.Repeat("1", MaxLength+1), CodeTooLong},
		{"wrong case of the AIM identifier", "]E00151022222233336", CodeNoIssuer},
		{"plain DataMatrix is no GS1", "]d10151022222233336", CodeNoIssuer},
		{"13 digits without a symbology", "9506000117843", CodeNoIssuer},
		{"unknown application identifier", "(01)51022222233336(05)X", CodeUnknownField},
		{"unknown in a scan", "]d2015102222223333605X", CodeUnknownField},
		{"bracket in a lot", "(01)51022222233336(10)A(B", CodeBracket},
		{"space in a lot", "(01)51022222233336(10)A B", CodeCharset},
		{"logistic unit", "(01)51022222233336(37)5", CodePairing},
		{"serial and third-party serial", "(01)51022222233336(21)A(235)B", CodePairing},
		{"day 00 where it is not allowed", "(01)51022222233336(7006)260100", CodeDate},
		{"29 February of no leap year", "(01)51022222233336(17)250229", CodeDate},
		{"link in the wrong order", "https://id.gs1.org/01/09521234543213/21/1/10/2", CodeOrder},
		{"link with an attribute in the path", "https://id.gs1.org/01/09521234543213/17/261231", CodeOrder},
		{"withdrawn short name", "https://id.gs1.org/gtin/09521234543213", CodeNotUDI},
		{"any web address", "https://example.org/", CodeNotUDI},
		{"mixed-case scheme", "Https://id.gs1.org/01/09521234543213", CodeStructure},
		{"broken escape", "https://id.gs1.org/01/09521234543213/10/A%2", CodeCharset},
		{"Basic UDI-DI", "++A999MODELIDENTIFIER11S8", CodeNotUDI},
		{"lower case", "+a123BJC5D6E71G", CodeStructure},
		{"plus alone", "+", CodeTooShort},
		{"two lots", "+A99912345/$$710X3/S1/S2A", CodeRepeat},
		{"IFA check digits", "[)>\x1e06\x1d9N111234567843\x1e\x04", CodeCheck},
		{"IFA without PPN", "[)>\x1e06\x1d1TLOT1\x1e\x04", CodeNoDI},
		{"compound with another count", "=+05000=/A9999XYZ100T0476=,000025", CodeStructure},
		{"ISBT century digit", "=/A9999XYZ100T0476=>519032", CodeDate},
		{"blood product only", "=<E0291V00=%5100", CodeNotUDI},
		{"separator spelt out", "]d2015102222223333610LOT<GS>21B", CodeStructure},
		{"unprintable lot separators", "]d2015102222223333610A\x1c21B", CodeCharset},
	} {
		r := Parse(c.raw, refYear)
		if r.OK() || !r.Has(c.code) {
			t.Errorf("%s %q: want %s, got %+v", c.name, c.raw, c.code, r.Problems)
		}
		if r.Verified() {
			t.Errorf("%s: verified", c.name)
		}
	}
}

// Provider data (ANSI/HIBC 1.3) may carry a patient number: nothing of it may come back.
func TestProviderDataIsNotEchoed(t *testing.T) {
	for _, raw := range []string{"+/EO5232013", "*+/EO5232013*", "]C0+/EO5232013", " +/EO5232013\r\n"} {
		r := Parse(raw, refYear)
		if !r.Has(CodeNotUDI) || r.DI+r.Lot+r.Serial+r.Link+r.CheckChr != "" || len(r.Other) != 0 {
			t.Errorf("%q: %+v", raw, r)
		}
		for _, p := range r.Problems {
			if strings.Contains(p.Text, "5232") {
				t.Errorf("%q echoed in %q", raw, p.Text)
			}
		}
	}
}

func TestProblemTextsHoldNoValues(t *testing.T) {
	for _, v := range vectors(t) {
		r := Parse(v.raw, refYear)
		values := []string{r.Lot, r.Serial, r.DI, r.DIN}
		for _, e := range r.Other {
			values = append(values, e.Value)
		}
		for _, p := range r.Problems {
			for _, value := range values {
				if len(value) > 3 && strings.Contains(p.Text, value) {
					t.Errorf("%s: %q holds a value", v.id, p.Text)
				}
			}
		}
	}
}

func TestTrimmedSpaceCheckCharacterIsSuspectedNotMended(t *testing.T) {
	r := Parse("+$$52001510X3+", refYear) // vector H16 without its trailing space
	if r.Check != CheckFailed || r.Verified() {
		t.Fatalf("%+v", r)
	}
	if !strings.Contains(r.Problems[0].Text, "trailing space") {
		t.Errorf("no hint in %q", r.Problems[0].Text)
	}
}

// A missing FNC1 cannot be seen (vector G21): the value is given as read, never split.
func TestMissingSeparatorIsNotRepaired(t *testing.T) {
	r := Parse("]d2015102222223333610A213B1211234", refYear)
	if r.Lot != "A213B1211234" || r.Serial != "" {
		t.Errorf("lot %q serial %q", r.Lot, r.Serial)
	}
}

func TestIssuerURIs(t *testing.T) {
	const ns = "http://hl7.org/fhir/NamingSystem/"
	// R4 text, R4 examples, R5 text, and the OIDs of HL7 v2 and CDA (Device.udiCarrier.issuer).
	for uri, want := range map[string]Issuer{
		ns + "gs1-di": GS1, ns + "gs1": GS1, ns + "hibcc-dI": HIBCC, ns + "hibcc": HIBCC, ns + "hibcc-diI": HIBCC,
		ns + "iccbba-blood-di": ICCBBA, ns + "iccbba-other-di": ICCBBA, ns + "iccbba-other": ICCBBA,
		ns + "ifa-gmbh-di": IFA, "urn:oid:2.51.1.1": GS1, ns + "fda-udi": "", "": "",
	} {
		if got := IssuerOf(uri); got != want {
			t.Errorf("IssuerOf(%q) = %q, want %q", uri, got, want)
		}
	}
	for _, i := range []Issuer{GS1, HIBCC, ICCBBA, IFA, ""} {
		if got := IssuerOf(URI(i)); got != i {
			t.Errorf("IssuerOf(URI(%q)) = %q", i, got)
		}
	}
	if URI(HIBCC) != ns+"hibcc-dI" { // capital I as printed in FHIR R4
		t.Error(URI(HIBCC))
	}
}

func TestJoin(t *testing.T) {
	gtin, lot := Parse("]d20151022222233336", refYear), Parse("]d21715070710A213B1", refYear)
	if lot.OK() || !lot.Has(CodeNoDI) {
		t.Fatalf("a symbol without (01) by itself: %+v", lot)
	}
	for _, r := range []Result{Join(gtin, lot), Join(lot, gtin)} {
		if !r.Verified() || r.DI != "51022222233336" || r.Lot != "A213B1" || r.Expiry.Value != "2015-07-07" {
			t.Errorf("GS1 pair: %+v", r)
		}
	}
	// ANSI/HIBC 2.6-2016: primary of appendix B, linked secondary of 4.3.2.
	primary, secondary := Parse("+A123BJC5D6E71G", refYear), Parse("+$$52001510X3GD", refYear)
	r := Join(secondary, primary)
	if !r.Verified() || r.DI != "A123BJC5D6E71" || r.Lot != "10X3" {
		t.Errorf("HIBCC pair: %+v", r)
	}
	if got := r.HRF(); got != "+A123BJC5D6E71/$$320011510X3"+string([]byte{mustMod43(t, "+A123BJC5D6E71/$$320011510X3")}) {
		t.Errorf("joined text %q", got)
	}
	other := Parse("+A999ABC1230V", refYear)
	if r := Join(other, secondary); r.Verified() || !r.Has(CodeLink) {
		t.Errorf("secondary of another primary: %+v", r.Problems)
	}
	if r := Join(gtin, secondary); !r.Has(CodeIssuers) || r.Lot != "" {
		t.Errorf("two agencies: %+v", r)
	}
	if r := Join(gtin, Parse("(01)09506000117843", refYear)); !r.Has(CodeRepeat) || r.DI != "51022222233336" {
		t.Errorf("two devices: %+v", r)
	}
	if r := Join(gtin, Parse("(37)5", refYear)); !r.Has(CodePairing) {
		t.Errorf("pairing over the union: %+v", r)
	}
	bad := Parse("(01)51022222233337", refYear)
	if r := Join(bad, lot); r.Check != CheckFailed || r.Verified() {
		t.Errorf("failed check kept: %+v", r)
	}
}

func mustMod43(t *testing.T, s string) byte {
	t.Helper()
	c, ok := mod43(s)
	if !ok {
		t.Fatal(s)
	}
	return c
}

func TestFamily(t *testing.T) {
	unit, box := Parse("+A999ABC1230V", refYear), Result{Issuer: HIBCC, DI: "A999ABC1231"}
	if unit.Family() != box.Family() || unit.Family() != "A999ABC123" {
		t.Errorf("%q %q", unit.Family(), box.Family())
	}
	if r := Parse("51022222233336", refYear); r.Family() != "51022222233336" {
		t.Error(r.Family())
	}
}
