package fhirjson

import (
	"encoding/json"
	"net/url"
	"regexp"
	"strings"
)

var (
	allowedID = regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`) // R4 data type id
	wholeZero = regexp.MustCompile(`^(-?[0-9]+)\.0+$`)
)

// placeholderID stands for an id that the library would refuse until the proto is there and the id is put back.
const placeholderID = "x"

// scalar mends one primitive value; nil means that it is left out. What it does not know how to mend it leaves to
// the library to refuse.
func (m *mender) scalar(path string, f *field, v any) any {
	switch v := v.(type) {
	case json.Number:
		return m.numeral(path, f, v)
	case string:
		if f.codes != nil {
			return m.code(path, f, v)
		}
		return m.text(path, f, v)
	}
	return v
}

// numeral writes a whole number with a fraction of zeros as an integer where one is expected.
func (m *mender) numeral(path string, f *field, v json.Number) any {
	switch f.kind {
	case "Integer", "PositiveInt", "UnsignedInt":
		if g := wholeZero.FindStringSubmatch(string(v)); g != nil {
			m.note(noted("value", path, "a whole number written with a fraction", string(v)))
			return json.Number(g[1])
		}
	}
	return v
}

// dropWhole are data types whose use is a modifier ("old"), and without one of which a resource still says what
// matters here. An Identifier is not among them: without it a record may not be found.
var dropWhole = map[string]bool{"HumanName": true, "Address": true, "ContactPoint": true}

// code brings a code of a required set into its form, or leaves an unknown one out where it changes no meaning.
func (m *mender) code(path string, f *field, v string) any {
	code, exact, ok := f.codes.match(v)
	switch {
	case exact:
		return v
	case ok:
		m.note(noted("code-invalid", path, "code brought into the form of the required set", clip(v)))
		return code
	case f.name == "use" && dropWhole[f.owner]:
		m.note(fault("code-invalid", path, "the whole element left out: not a code of the required set, and the element may be out of use", clip(v)))
		m.dropped = strings.TrimSuffix(path, ".use")
		return nil
	case f.required || f.modifier():
		m.refuse(fault("code-invalid", path, "not a code of the required set", clip(v)))
		return v
	}
	m.note(fault("code-invalid", path, "left out: not a code of the required set", clip(v)))
	return nil
}

// text mends a string by the data type that is expected.
func (m *mender) text(path string, f *field, v string) any {
	switch f.kind {
	case "Boolean":
		return m.boolean(path, f, v)
	case "Decimal", "Integer", "PositiveInt", "UnsignedInt":
		if t := strings.TrimSpace(v); number(t) {
			m.note(noted("value", path, "a number written as a string", clip(v)))
			return m.numeral(path, f, json.Number(t))
		}
	case "Base64Binary":
		if r, ok := mendBase64(v); ok {
			return m.replaced(path, v, r)
		}
	case "Date", "DateTime", "Instant", "Time":
		return m.moment(path, f, v)
	case "Code":
		t := strings.Join(strings.Fields(v), " ")
		return m.replaced(path, v, mended{text: t, what: "blanks left out of a code"})
	case "Id":
		return m.id(path, f, v)
	case "Uri", "Url", "Canonical", "Oid", "Uuid":
		return m.uri(path, f, v)
	case "String":
		return m.replaced(path, v, mended{text: withoutControls(v), what: "control characters replaced by blanks", lossy: true})
	case "Xhtml":
		if activeContent([]byte(v)) {
			return m.replaced(path, v, mended{text: plainNarrative(v), lossy: true,
				what: "the narrative holds active content (txt-1); its words are kept, its markup is left out"})
		}
	}
	return v
}

// replaced gives the mended text and reports it when it differs. Nothing left means left out.
func (m *mender) replaced(path, v string, r mended) any {
	if r.text == v {
		return v
	}
	words := clip(v)
	if r.lossy {
		m.note(lost("value", path, r.what, words))
	} else {
		m.note(noted("value", path, r.what, words))
	}
	if r.text == "" {
		return nil
	}
	return r.text
}

func (m *mender) boolean(path string, f *field, v string) any {
	t := strings.TrimSpace(v)
	if t != "true" && t != "false" {
		return v
	}
	if f.modifier() {
		m.refuse(fault("value", path, "a truth value written as a string, in an element that can turn the meaning round", clip(v)))
		return v
	}
	m.note(noted("value", path, "a truth value written as a string", clip(v)))
	return t == "true"
}

func (m *mender) moment(path string, f *field, v string) any {
	var r mended
	var ok bool
	switch f.kind {
	case "Date":
		r, ok = mendDate(v)
	case "DateTime":
		r, ok = mendDateTime(v)
	case "Instant":
		r, ok = mendInstant(v)
	default:
		r, ok = mendTime(v)
	}
	if ok {
		return m.replaced(path, v, r)
	}
	_, readable := mendDateTime(v)
	version := f.owner == "Meta" && f.name == "lastUpdated"
	if f.kind == "Instant" && (readable || version) && !f.required && !f.modifier() {
		m.note(lost("value", path, "left out: not an instant with zone", clip(v)))
		return nil
	}
	return v
}

// id keeps an id that FHIR does not allow: references name it as it was sent.
func (m *mender) id(path string, f *field, v string) any {
	t := strings.TrimSpace(v)
	if allowedID.MatchString(t) {
		return m.replaced(path, v, mended{text: t, what: "blanks left out of an id"})
	}
	_, ofResource := r4Types[f.owner]
	ofVersion := f.owner == "Meta" && f.name == "versionId" && m.within < 0
	if t == "" || !(ofResource && f.name == "id" || ofVersion) || withoutControls(v) != v {
		return v
	}
	m.note(noted("value", path, "not an id by the rules of FHIR; kept as it was sent", clip(v)))
	m.ids = append(m.ids, keptID{within: m.within, version: ofVersion, text: v})
	return placeholderID
}

// uri leaves out blanks around a URI and percent-encodes what may not stand in one (RFC 3986, 2.1).
func (m *mender) uri(path string, f *field, v string) any {
	t := strings.TrimSpace(v)
	if t == "" {
		m.note(lost("structure", path, "blank value left out", ""))
		return nil
	}
	out := m.replaced(path, v, mended{text: t, what: "blanks left out around a URI"})
	if f.kind == "Oid" || f.kind == "Uuid" {
		return out
	}
	if _, err := url.Parse(t); err == nil {
		return out
	}
	encoded := percentEncoded(t)
	if _, err := url.Parse(encoded); err != nil {
		return out
	}
	return m.replaced(path, t, mended{text: encoded, what: "characters that may not stand in a URI percent-encoded"})
}

// percentEncoded encodes blanks, controls and percent signs that encode nothing.
func percentEncoded(s string) string {
	const hex = "0123456789ABCDEF"
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		c := s[i]
		bare := c == '%' && !(i+2 < len(s) && isHex(s[i+1]) && isHex(s[i+2]))
		if c <= ' ' || c == 0x7F || bare {
			b.WriteString("%" + string(hex[c>>4]) + string(hex[c&15]))
			continue
		}
		b.WriteByte(c)
	}
	return b.String()
}

func isHex(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c|0x20 && c|0x20 <= 'f'
}

// withoutControls replaces the characters that an R4 string may not have (below U+0020 but tab, CR, LF) by blanks,
// one for one, so that counts of characters stay what they were.
func withoutControls(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\r' && r != '\n' {
			return ' '
		}
		return r
	}, s)
}
