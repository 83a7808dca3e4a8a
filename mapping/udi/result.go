package udi

// Issuer is an issuing agency for unique device identifiers; empty when the string shows none.
type Issuer string

// The issuing agencies. IFA is recognised in the EU only.
const (
	GS1    Issuer = "GS1"
	HIBCC  Issuer = "HIBCC"
	ICCBBA Issuer = "ICCBBA"
	IFA    Issuer = "IFA"
)

// Forms of carrier, [Result.Form].
const (
	FormAIDC        = "aidc"         // GS1 element string as scanned; ISBT 128 and IFA as scanned
	FormHRF         = "hrf"          // GS1 with application identifiers in brackets
	FormDI          = "di"           // a GS1 device identifier alone, digits only
	FormDigitalLink = "digital-link" //
	FormPrimary     = "primary"      // HIBCC, device identifier only
	FormSecondary   = "secondary"    // HIBCC, production identifiers only
	FormCombined    = "combined"     // HIBCC, both; or two scans joined
)

// Answers of [Result.Check].
const (
	CheckOK     = "ok"     // every check digit or character the carrier has is right
	CheckFailed = "failed" // at least one is wrong: the identity is unverified
	CheckNone   = "none"   // the carrier has none, or none could be read
)

// Severity of a [Problem].
type Severity string

// Severities. A string with an Error is not a correct identifier; a Warning is for the person who reviews.
const (
	Error   Severity = "error"
	Warning Severity = "warning"
)

// Problem says what is wrong with a string and where. Text does not repeat the content.
type Problem struct {
	Code     string // one of the Code constants
	At       int    // byte offset in the raw string
	Severity Severity
	Text     string
}

// Problem codes.
const (
	CodeEmpty        = "empty"
	CodeTooLong      = "too-long"       // the whole string, or a value beyond its field
	CodeTooShort     = "too-short"      // a value short of its field, or empty
	CodeNotUDI       = "not-a-udi"      // a known kind of barcode or key that is no unique device identifier
	CodeNoIssuer     = "no-issuer"      // nothing shows an issuing agency
	CodeCheck        = "check"          // check digit or check character
	CodeCharset      = "charset"        //
	CodeDate         = "date"           // no such month, day, hour, or not digits
	CodeUnknownField = "unknown-field"  // unknown application identifier, data identifier or data structure
	CodeRepeat       = "repeat"         // one field, two different values
	CodeNoDI         = "no-di"          // production identifiers without a device identifier
	CodePairing      = "pairing"        // fields that exclude or require one another
	CodeOrder        = "order"          // Digital Link path order, HIBCC quantity not last
	CodeStructure    = "structure"      // does not have the parts the standard asks for
	CodeBracket      = "bracket"        // a bracket inside a value: where the value ends is ambiguous
	CodeSpace        = "space"          // white space between elements
	CodeLink         = "link"           // link character of a secondary symbol and its primary differ
	CodeIssuers      = "issuers-differ" // two scans of different agencies
	CodeSuperseded   = "superseded"     // readable form that should not be written any more
)

// Element is a piece of data kept beside the named fields.
type Element struct {
	ID    string // application identifier ("240"), data identifier ("16D") or our word: "quantity", "flags"
	Value string
	Bad   bool // broke a rule of its field: kept as evidence, not as a value
}

// Result is what a carrier says. A field whose value broke a rule stays empty and the value is in Other, marked
// Bad; the device identifier alone is kept with a wrong check digit, under Check "failed".
type Result struct {
	Issuer   Issuer
	Form     string
	DI       string // device identifier as FHIR wants it: no flag, no HIBCC check character; a GTIN has 14 digits
	Lot      string
	Serial   string // ICCBBA: product divisions
	DIN      string // donation identification number (ICCBBA), the distinct identification code
	Software string // software version (GS1 8012)
	Expiry   Date
	Made     Date
	Other    []Element // in the order carried
	Link     string    // HIBCC secondary: the check character of the primary it belongs to
	CheckChr string    // HIBCC: the check character carried; may be a space
	Check    string    // CheckOK, CheckFailed or CheckNone
	Problems []Problem // by offset
}

// OK says that nothing is wrong with the string; warnings do not count. A production-identifier symbol of a pair
// may be OK and still have no DI.
func (r Result) OK() bool {
	for _, p := range r.Problems {
		if p.Severity == Error {
			return false
		}
	}
	return true
}

// Verified says that r names a device and nothing about it is in doubt: only then is it fit for a registry row.
func (r Result) Verified() bool { return r.OK() && r.DI != "" && r.Check != CheckFailed }

// Has says whether r has a problem of this code.
func (r Result) Has(code string) bool {
	for _, p := range r.Problems {
		if p.Code == code {
			return true
		}
	}
	return false
}

func (r *Result) errorAt(at int, code, text string) {
	r.Problems = append(r.Problems, Problem{Code: code, At: at, Severity: Error, Text: text})
}

func (r *Result) warnAt(at int, code, text string) {
	r.Problems = append(r.Problems, Problem{Code: code, At: at, Severity: Warning, Text: text})
}

func (r *Result) keep(id, value string, bad bool) {
	r.Other = append(r.Other, Element{ID: id, Value: value, Bad: bad})
}

// checked records the outcome of one check; one failure makes the whole failed.
func (r *Result) checked(ok bool) {
	switch {
	case !ok:
		r.Check = CheckFailed
	case r.Check == CheckNone:
		r.Check = CheckOK
	}
}

// Family is the part of a device identifier that all its packaging levels share: a HIBCC identifier without its
// last digit, the unit of measure (ANSI/HIBC 2.6); any other identifier whole. A trace compares this too.
func (r Result) Family() string {
	if r.Issuer == HIBCC && len(r.DI) >= hibcMinDI {
		return r.DI[:len(r.DI)-1]
	}
	return r.DI
}
