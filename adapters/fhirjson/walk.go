package fhirjson

import (
	"bytes"
	"encoding/json"
)

// The functions here walk JSON that json.Valid has accepted. They do not check syntax again.

// span is a value in the received bytes: raw[start:end].
type span struct{ start, end int }

// member is one property of an object.
type member struct {
	key   string
	value span
}

func skipBlanks(raw []byte, i int) int {
	for i < len(raw) && (raw[i] == ' ' || raw[i] == '\n' || raw[i] == '\t' || raw[i] == '\r') {
		i++
	}
	return i
}

// skipString gives the position after the string that starts at i, and whether it holds a backslash.
func skipString(raw []byte, i int) (end int, escaped bool) {
	i++
	n := bytes.IndexByte(raw[i:], '"')
	if bytes.IndexByte(raw[i:i+n], '\\') < 0 {
		return i + n + 1, false
	}
	for ; ; i++ {
		switch raw[i] {
		case '"':
			return i + 1, true
		case '\\':
			i++
		}
	}
}

// skipValue gives the position after the value that starts at i. It does not recurse, whatever the depth.
func skipValue(raw []byte, i int) int {
	depth := 0
	for {
		switch c := raw[i]; c {
		case '"':
			i, _ = skipString(raw, i)
		case '{', '[':
			depth++
			i++
		case '}', ']':
			depth--
			i++
		case ' ', '\n', '\t', '\r', ',', ':':
			i++
			continue
		default:
			i = skipLiteral(raw, i)
		}
		if depth == 0 {
			return i
		}
	}
}

// skipLiteral gives the position after the number, true, false or null that starts at i.
func skipLiteral(raw []byte, i int) int {
	for i < len(raw) {
		switch raw[i] {
		case ',', '}', ']', ' ', '\n', '\t', '\r', ':':
			return i
		}
		i++
	}
	return i
}

// stringAt gives the string that raw[s.start:s.end] is, unescaped.
func stringAt(raw []byte, s span) (string, bool) {
	if s.end-s.start < 2 || raw[s.start] != '"' {
		return "", false
	}
	in := raw[s.start+1 : s.end-1]
	if bytes.IndexByte(in, '\\') < 0 {
		if known, ok := commonText(in); ok {
			return known, true
		}
		return string(in), true
	}
	var out string
	err := json.Unmarshal(raw[s.start:s.end], &out)
	return out, err == nil
}

// commonText gives frequent strings of Bundles without allocating them anew.
func commonText(in []byte) (string, bool) {
	switch string(in) {
	case "resource":
		return "resource", true
	case "fullUrl":
		return "fullUrl", true
	case "request":
		return "request", true
	case "method":
		return "method", true
	case "url":
		return "url", true
	case "entry":
		return "entry", true
	case "resourceType":
		return "resourceType", true
	}
	return "", false
}

// members lists the properties of the object that starts at i, at most limit+1 of them.
func members(raw []byte, i, limit int) []member {
	var ms []member
	i++
	for {
		i = skipBlanks(raw, i)
		if raw[i] == ',' {
			i = skipBlanks(raw, i+1)
		}
		if raw[i] == '}' || len(ms) > limit {
			return ms
		}
		end, _ := skipString(raw, i)
		key, _ := stringAt(raw, span{i, end})
		i = skipBlanks(raw, skipBlanks(raw, end)+1)
		end = skipValue(raw, i)
		ms = append(ms, member{key, span{i, end}})
		i = end
	}
}

// elements lists the items of the array that starts at i, at most limit+1 of them.
func elements(raw []byte, i, limit int) []span {
	var es []span
	i++
	for {
		i = skipBlanks(raw, i)
		if raw[i] == ',' {
			i = skipBlanks(raw, i+1)
		}
		if raw[i] == ']' || len(es) > limit {
			return es
		}
		end := skipValue(raw, i)
		es = append(es, span{i, end})
		i = end
	}
}
