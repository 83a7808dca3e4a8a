package fhirjson

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"strings"

	"gaussline/mapping/implant"
	"gaussline/mapping/intake"
	"gaussline/mapping/opnote"
)

// Limits of Words.
const (
	maxSaid      = 2000 // strings of one resource
	maxSaidDepth = 64
)

// notWords are the properties whose strings are no words about a patient.
var notWords = map[string]bool{"resourceType": true, "id": true, "reference": true, "url": true, "fullUrl": true, "system": true, "profile": true,
	"data": true, "hash": true, "contentType": true, "language": true, "versionId": true, "lastUpdated": true, "unit": true}

// Words gives every string of a resource that may be words, and every coding, in the order of the bytes; whole is false
// where the JSON could not be walked to its end.
func Words(raw []byte) (said []intake.Said, whole bool) {
	dec := json.NewDecoder(bytes.NewReader(bytes.TrimPrefix(raw, []byte("\xEF\xBB\xBF"))))
	dec.UseNumber()
	w := wordWalk{dec: dec}
	err := w.value("", "", 0)
	return w.said, err == nil && len(w.said) < maxSaid
}

type wordWalk struct {
	dec          *json.Decoder
	said         []intake.Said
	system, code string // last read, for the object around them
}

// text keeps a string. A code of one word is none of ours to read; one of several is words in the wrong place.
func (w *wordWalk) text(path, key, t string) {
	t = strings.TrimSpace(t)
	switch key {
	case "system":
		w.system = t
	case "code":
		w.code = t
		if !strings.Contains(t, " ") {
			return
		}
	case "div":
		if plain, err := opnote.Text("text/html", []byte(t)); err == nil {
			t = plain
		}
	}
	if t != "" && !notWords[key] {
		w.add(intake.Said{Path: path, Text: t})
	}
}

func (w *wordWalk) value(path, key string, depth int) error {
	tok, err := w.dec.Token()
	if err != nil {
		return err
	}
	switch t := tok.(type) {
	case json.Delim:
		if depth > maxSaidDepth {
			return fmt.Errorf("deeper than %d", maxSaidDepth)
		}
		if t == '{' {
			return w.object(path, depth)
		}
		for i := 0; w.dec.More(); i++ {
			if err := w.value(fmt.Sprintf("%s[%d]", path, i), key, depth+1); err != nil {
				return err
			}
		}
		_, err = w.dec.Token()
		return err
	case string:
		w.text(path, key, t)
	}
	return nil
}

// object walks an object; one with system and code is a coding besides.
func (w *wordWalk) object(path string, depth int) error {
	var code implant.Code
	for w.dec.More() {
		tok, err := w.dec.Token()
		if err != nil {
			return err
		}
		name, _ := tok.(string)
		w.system, w.code = "", ""
		if err := w.value(join(path, name), name, depth+1); err != nil {
			return err
		}
		code.System, code.Code = cmp.Or(w.system, code.System), cmp.Or(w.code, code.Code)
	}
	w.system, w.code = "", ""
	if code.System != "" && code.Code != "" {
		w.add(intake.Said{Path: path, Code: code})
	}
	_, err := w.dec.Token()
	return err
}

func (w *wordWalk) add(s intake.Said) {
	if len(w.said) < maxSaid {
		w.said = append(w.said, s)
	}
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}
