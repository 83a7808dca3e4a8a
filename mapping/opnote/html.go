package opnote

import (
	"bytes"
	"fmt"
	"io"
	"regexp"
	"strings"

	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"
)

// metaCharset finds the charset that a document declares in its first bytes.
var metaCharset = regexp.MustCompile(`(?i)(?:<meta[^>]{0,200}charset|<\?xml[^>]{0,100}encoding)\s*=\s*["']?([A-Za-z0-9_-]{2,30})`)

// htmlText renders HTML or XHTML as lines of text: a block is a line, a table row is a line with " | " between
// cells, a list item begins with "- ", a box that is ticked or not is "[x]" or "[ ]". It reads tokens, not a tree,
// so depth costs nothing.
func htmlText(data []byte, charset string, xml bool) (string, error) {
	if charset == "" {
		if m := metaCharset.FindSubmatch(data[:min(len(data), 2048)]); m != nil {
			charset = string(m[1])
		}
	}
	src, err := plainText(data, charset)
	if err != nil {
		return "", err
	}
	h := htmlWriter{xml: xml}
	z := html.NewTokenizer(strings.NewReader(src))
	z.SetMaxBuf(MaxAttachment)
	for {
		tt := z.Next()
		if tt == html.ErrorToken {
			if err := z.Err(); err != io.EOF {
				return "", fmt.Errorf("html: %v: %w", err, ErrMalformed)
			}
			return strings.TrimSpace(h.out.String()), nil
		}
		h.token(z, tt)
	}
}

// htmlWriter collects the text of an HTML document.
type htmlWriter struct {
	out    strings.Builder
	xml    bool
	skip   int // depth of elements whose text is not shown
	pre    int
	space  bool // a blank is owed
	line   bool // something stands on the current line
	cells  int  // cells begun in the current row
	struck int  // depth of struck-out text
}

// hiddenElements hold text that no reader sees.
var hiddenElements = map[atom.Atom]bool{atom.Script: true, atom.Style: true, atom.Head: true, atom.Title: true, atom.Template: true, atom.Noscript: true, atom.Object: true}

// blockElements begin and end a line.
var blockElements = map[atom.Atom]bool{
	atom.P: true, atom.Div: true, atom.H1: true, atom.H2: true, atom.H3: true, atom.H4: true, atom.H5: true, atom.H6: true,
	atom.Ul: true, atom.Ol: true, atom.Table: true, atom.Section: true, atom.Article: true, atom.Header: true,
	atom.Footer: true, atom.Blockquote: true, atom.Pre: true, atom.Dl: true, atom.Dt: true, atom.Dd: true, atom.Hr: true,
	atom.Address: true, atom.Fieldset: true, atom.Form: true, atom.Caption: true, atom.Body: true, atom.Main: true,
}

func (h *htmlWriter) token(z *html.Tokenizer, tt html.TokenType) {
	switch tt {
	case html.TextToken:
		if h.skip == 0 {
			h.text(z.Text())
		}
	case html.StartTagToken, html.SelfClosingTagToken:
		name, attrs := z.TagName()
		tag := atom.Lookup(name)
		if tt == html.SelfClosingTagToken && hiddenElements[tag] {
			return
		}
		if hiddenElements[tag] {
			h.skip++
			return
		}
		if h.skip == 0 {
			h.open(z, tag, attrs)
		}
	case html.EndTagToken:
		name, _ := z.TagName()
		tag := atom.Lookup(name)
		if hiddenElements[tag] {
			h.skip = max(0, h.skip-1)
			return
		}
		if h.skip == 0 {
			h.close(tag)
		}
	}
}

func (h *htmlWriter) open(z *html.Tokenizer, tag atom.Atom, attrs bool) {
	switch {
	case tag == atom.Br:
		h.newline(1)
	case tag == atom.Li:
		h.newline(1)
		h.write("- ")
		h.line = false
	case tag == atom.Tr:
		h.newline(1)
		h.cells = 0
	case tag == atom.Td || tag == atom.Th:
		if h.cells++; h.cells > 1 {
			h.write(" | ")
			h.space = false
		}
	case tag == atom.Input:
		h.box(z, attrs)
	case tag == atom.Del || tag == atom.S || tag == atom.Strike:
		h.word()
		h.write("[struck out: ")
		h.struck++
	case blockElements[tag]:
		h.newline(2)
		if tag == atom.Pre {
			h.pre++
		}
	}
}

func (h *htmlWriter) close(tag atom.Atom) {
	switch {
	case tag == atom.Tr || tag == atom.Li:
		h.newline(1)
	case tag == atom.Del || tag == atom.S || tag == atom.Strike:
		if h.struck > 0 {
			h.struck--
			h.write("]")
		}
	case blockElements[tag]:
		if tag == atom.Pre {
			h.pre = max(0, h.pre-1)
		}
		h.newline(2)
	}
}

// box shows a check box or radio button.
func (h *htmlWriter) box(z *html.Tokenizer, attrs bool) {
	box, checked := false, false
	for attrs {
		var k, v []byte
		k, v, attrs = z.TagAttr()
		switch string(k) {
		case "type":
			box = bytes.EqualFold(v, []byte("checkbox")) || bytes.EqualFold(v, []byte("radio"))
		case "checked":
			checked = true
		}
	}
	if box {
		h.word()
		if checked {
			h.write("[x] ")
		} else {
			h.write("[ ] ")
		}
	}
}

func (h *htmlWriter) write(s string) { h.out.WriteString(s) }

// word writes the blank that is owed.
func (h *htmlWriter) word() {
	if h.space && h.line {
		h.out.WriteByte(' ')
	}
	h.space, h.line = false, true
}

// newline ends the line; n is 2 for an empty line between blocks.
func (h *htmlWriter) newline(n int) {
	h.space = false
	s := h.out.String()
	if s == "" || h.cells > 0 && n == 2 && h.line && !strings.HasSuffix(s, "\n") && h.inCell() {
		h.space = true
		return
	}
	h.line = false
	have := 0
	for have < n && have < len(s) && s[len(s)-1-have] == '\n' {
		have++
	}
	for ; have < n; have++ {
		h.out.WriteByte('\n')
	}
	h.cells = 0
}

// inCell says whether a block stands in a table cell, where it must not break the row.
func (h *htmlWriter) inCell() bool { return h.cells > 0 }

// text writes text with runs of white space made one blank; a no-break space is a blank.
func (h *htmlWriter) text(b []byte) {
	for _, r := range string(b) {
		switch {
		case h.pre > 0 && r == '\n':
			h.newline(1)
		case r == ' ' || r == '\t' || r == '\n' || r == '\r' || r == '\f' || r == '\u00a0':
			h.space = true
		default:
			h.word()
			h.out.WriteRune(r)
		}
	}
}
