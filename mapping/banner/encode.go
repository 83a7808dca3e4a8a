package banner

import (
	"encoding/json"
	"maps"
	"slices"
)

// encode gives what json.Marshal gives of a value made of objects, lists and strings; anything else is left to it. A
// banner is nothing but these, and looking at each by reflection took half of its time.
func encode(v any) ([]byte, error) { return appendJSON(make([]byte, 0, usualSize), v) }

// usualSize is room for the banner of an order about a patient of whom little is recorded.
const usualSize = 4 << 10

func appendJSON(b []byte, v any) (_ []byte, err error) {
	switch v := v.(type) {
	case object:
		if v == nil {
			return append(b, "null"...), nil
		}
		b = append(b, '{')
		for i, name := range slices.Sorted(maps.Keys(v)) {
			if i > 0 {
				b = append(b, ',')
			}
			if b, err = appendString(b, name); err != nil {
				return nil, err
			}
			if b, err = appendJSON(append(b, ':'), v[name]); err != nil {
				return nil, err
			}
		}
		return append(b, '}'), nil
	case []any:
		if v == nil {
			return append(b, "null"...), nil
		}
		b = append(b, '[')
		for i, e := range v {
			if i > 0 {
				b = append(b, ',')
			}
			if b, err = appendJSON(b, e); err != nil {
				return nil, err
			}
		}
		return append(b, ']'), nil
	case string:
		return appendString(b, v)
	}
	rest, err := json.Marshal(v)
	return append(b, rest...), err
}

// appendString writes plain text itself; what needs escapes is left to the encoder.
func appendString(b []byte, s string) ([]byte, error) {
	for i := range len(s) {
		if c := s[i]; c < ' ' && c != '\n' || c == '"' || c == '\\' || c == '<' || c == '>' || c == '&' || c >= 0x7f {
			text, err := json.Marshal(s)
			return append(b, text...), err
		}
	}
	b = append(b, '"')
	for i := range len(s) {
		if s[i] == '\n' {
			b = append(b, '\\', 'n')
		} else {
			b = append(b, s[i])
		}
	}
	return append(b, '"'), nil
}
