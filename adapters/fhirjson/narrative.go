package fhirjson

import (
	"bytes"
	"html"
	"strings"
)

// forbiddenTags are tags that a narrative may not have (R4 invariant txt-1: basic formatting of HTML 4.0 only).
var forbiddenTags = []string{"script", "iframe", "object", "embed", "form", "link", "base", "head", "body", "meta", "frame", "applet", "svg", "style"}

// activeContent says whether an XHTML div, as JSON text or unescaped, has tags or attributes that could run or fetch
// something. It errs on the side of yes.
func activeContent(div []byte) bool {
	if bytes.Contains(div, []byte(`\u`)) {
		return activeContent([]byte(unicodeEscapes(string(div))))
	}
	for i := 0; i < len(div); i++ {
		if div[i] != '<' {
			continue
		}
		end := bytes.IndexByte(div[i:], '>')
		if end < 0 {
			end = len(div) - i
		}
		if activeTag(strings.ToLower(string(div[i+1 : i+end]))) {
			return true
		}
		i += end
	}
	return false
}

func activeTag(tag string) bool {
	name := strings.TrimPrefix(tag, "/")
	for _, t := range forbiddenTags {
		if rest, ok := strings.CutPrefix(name, t); ok && (rest == "" || !isLetter(rest[0])) {
			return true
		}
	}
	if strings.Contains(tag, "javascript:") {
		return true
	}
	for at := 0; ; {
		i := strings.Index(tag[at:], "on")
		if i < 0 {
			return false
		}
		i += at
		at = i + 2
		if i > 0 && !isLetter(tag[i-1]) && eventAttribute(tag[at:]) {
			return true
		}
	}
}

// eventAttribute says whether what follows "on" is the rest of an attribute name and an equals sign.
func eventAttribute(s string) bool {
	i := 0
	for i < len(s) && isLetter(s[i]) {
		i++
	}
	return i > 0 && strings.HasPrefix(strings.TrimSpace(s[i:]), "=")
}

func isLetter(c byte) bool { return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' }

// unicodeEscapes resolves \u00xx, which is all that is needed to see a tag.
func unicodeEscapes(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if i+6 <= len(s) && s[i] == '\\' && s[i+1] == 'u' && s[i+2:i+4] == "00" {
			if c, ok := hexByte(s[i+4 : i+6]); ok {
				b.WriteByte(c)
				i += 5
				continue
			}
		}
		if s[i] == '\\' && i+1 < len(s) && s[i+1] == 'u' {
			i++ // another character; it cannot start a tag
			continue
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

func hexByte(s string) (byte, bool) {
	var n byte
	for i := range 2 {
		c := s[i] | 0x20
		switch {
		case '0' <= s[i] && s[i] <= '9':
			n = n<<4 | (s[i] - '0')
		case 'a' <= c && c <= 'f':
			n = n<<4 | (c - 'a' + 10)
		default:
			return 0, false
		}
	}
	return n, true
}

// plainNarrative keeps the words of a narrative and drops every tag, and what stands in script and style, so that
// prose about a patient is not lost with the script somebody put beside it.
func plainNarrative(div string) string {
	var b strings.Builder
	b.WriteString(`<div xmlns="http://www.w3.org/1999/xhtml">`)
	for div != "" {
		text, rest, found := strings.Cut(div, "<")
		b.WriteString(html.EscapeString(html.UnescapeString(text)))
		if !found {
			break
		}
		tag, after, _ := strings.Cut(rest, ">")
		div = after
		name := strings.ToLower(tag)
		for _, t := range []string{"script", "style"} {
			if strings.HasPrefix(name, t) && !strings.HasSuffix(name, "/") {
				div = afterClosing(div, t)
			}
		}
		b.WriteByte(' ')
	}
	b.WriteString("</div>")
	return b.String()
}

// afterClosing gives what follows the closing tag, or nothing when there is none.
func afterClosing(s, tag string) string {
	i := strings.Index(strings.ToLower(s), "</"+tag)
	if i < 0 {
		return ""
	}
	_, after, _ := strings.Cut(s[i:], ">")
	return after
}
