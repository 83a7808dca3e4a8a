package banner

import (
	"strings"
	"testing"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// A draft is asked about more than once while it is written: the note is there once, the newest, and everything else
// as the EHR has it.
func TestAnnotateReplacesOurOwnNoteOnly(t *testing.T) {
	at := time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	raw := []byte(`{"resourceType":"ServiceRequest", "note":[ {"text":"kept" } ],"x":1.50}`)
	once, err := Annotate(raw, Plain(Note{Verdict: mri.Verdict{Kind: mri.KindNothing}}), at)
	if err != nil {
		t.Fatal(err)
	}
	twice, err := Annotate(once, Plain(Note{Verdict: mri.Verdict{Kind: mri.KindUnsafe}}), at)
	if err != nil {
		t.Fatal(err)
	}
	got := string(twice)
	if strings.Count(got, implant.NoteAuthor) != 1 || !strings.Contains(got, "MR UNSAFE") || strings.Contains(got, "NOTHING RECORDED") {
		t.Errorf("got %s", got)
	}
	if !strings.HasPrefix(got, `{"resourceType":"ServiceRequest", "note":[{"text":"kept" },{"authorString"`) || !strings.HasSuffix(got, `],"x":1.50}`) {
		t.Errorf("something else changed: %s", got)
	}
	if _, err := Annotate([]byte("[]"), "", at); err == nil {
		t.Error("an array was taken for an order")
	}
}

// What a source wrote cannot become a link, an image, markup or a heading.
func TestMarkdownIsLiteral(t *testing.T) {
	n := Note{Verdict: mri.Verdict{Kind: mri.KindOutside, AsOf: "2026-06-01"}, Record: implant.Record{Parts: []implant.Part{{ID: "a", State: implant.Connected,
		Component: implant.Component{Model: "![x](http://evil.invalid) <b> **bold** # h | a & `c` ~~s~~ _u_ @all \\"}}}}}
	got := Markdown(Plain(n))
	want := "\\!\\[x\\](http:\\//evil.invalid) \\<b\\> \\*\\*bold\\*\\* \\# h \\| a \\& \\`c\\` \\~\\~s\\~\\~ \\_u\\_ \\@all \\\\"
	if !strings.Contains(got, want) {
		t.Errorf("got %s\nwant %s", got, want)
	}
	if !strings.HasPrefix(got, "**IMPLANT IN PLACE: OUTSIDE THE MR LABELLING**\n\n") || !strings.Contains(got, "\n**In the body, as recorded:**\n\n- ") {
		t.Errorf("got %s", got)
	}
}
