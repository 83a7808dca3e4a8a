package opnote

import (
	"testing"
	"unicode/utf8"
)

// FuzzRead: no text makes Read panic, spans are within the text and quotes are those spans, and reading twice gives
// the same.
func FuzzRead(f *testing.F) {
	for _, c := range loadCorpus(f, "dev") {
		f.Add(c.note.Text, c.note.Title, c.note.Type)
	}
	f.Add("- [x] L: out.\r\n\t|  | no. 1-2 (01)1(17)2", "", "procedure")
	f.Fuzz(func(t *testing.T, text, title, typ string) {
		n := Note{Text: text, Title: title, Type: typ, Date: "2026-05-03"}
		a, b := Read(n), Read(n)
		if len(a.Findings) != len(b.Findings) || len(a.Questions) != len(b.Questions) {
			t.Fatal("two readings differ")
		}
		for i, x := range a.Findings {
			if x.Start < 0 || x.End < x.Start || x.End > len(text) || text[x.Start:x.End] != x.Quote {
				t.Fatalf("span [%d,%d) of %d bytes, quote %q", x.Start, x.End, len(text), x.Quote)
			}
			if x != b.Findings[i] {
				t.Fatal("two readings differ")
			}
			if x.Kind == "removed" && x.Value != "" && x.Value != "whole" {
				t.Fatalf("removed with value %q", x.Value)
			}
		}
		for _, q := range a.Questions {
			if q.Start < 0 || q.End > len(text) || text[q.Start:q.End] != q.Quote {
				t.Fatalf("question span [%d,%d)", q.Start, q.End)
			}
		}
	})
}

// FuzzText: no attachment makes Text panic or hang, and what it gives is valid UTF-8.
func FuzzText(f *testing.F) {
	f.Add("text/html", []byte("<table><tr><td>a<td>b</table><script>x</script>"))
	f.Add("text/rtf", []byte(`{\rtf1\ansi\ansicpg1252 a\'e9\u8211?\par {\*\x y}\bin3 abc}`))
	f.Add("text/plain; charset=utf-16", []byte{0xff, 0xfe, 'a', 0})
	f.Add("", []byte("%PDF-1.7"))
	f.Fuzz(func(t *testing.T, typ string, data []byte) {
		s, err := Text(typ, data)
		if err == nil && !utf8.ValidString(s) {
			t.Fatalf("invalid UTF-8 from %q", typ)
		}
		if err != nil && s != "" {
			t.Fatal("text and error")
		}
	})
}
