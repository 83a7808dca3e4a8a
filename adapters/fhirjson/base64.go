package fhirjson

import (
	"encoding/base64"
	"strings"
)

var base64Tidy = strings.NewReplacer("\r", "", "\n", "", "\t", "", " ", "", "-", "+", "_", "/")

// mendBase64 brings base64 with white space, of the URL alphabet (RFC 4648, 5) or without padding to the plain form.
// It is not ok when the rest is no base64 at all, or mixes the two alphabets.
func mendBase64(s string) (mended, bool) {
	if strings.ContainsAny(s, "+/") && strings.ContainsAny(s, "-_") {
		return mended{}, false
	}
	if !blanksBetweenGroups(s) {
		return mended{}, false
	}
	t := strings.TrimRight(base64Tidy.Replace(s), "=")
	if t == "" {
		return mended{}, false
	}
	data, err := base64.RawStdEncoding.DecodeString(t)
	if err != nil {
		return mended{}, false
	}
	return mended{text: base64.StdEncoding.EncodeToString(data), what: "base64 brought to the plain form"}, true
}

// blanksBetweenGroups says whether blanks and tabs stand only between groups of four characters, as R4 has it for
// base64Binary. Anything else with blanks is more likely plain text, which would decode to rubbish.
func blanksBetweenGroups(s string) bool {
	if !strings.ContainsAny(s, " \t") {
		return true
	}
	parts := strings.Fields(s)
	for i, p := range parts {
		if i < len(parts)-1 && len(p)%4 != 0 {
			return false
		}
	}
	return true
}
