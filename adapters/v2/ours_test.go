package v2

import (
	"strings"
	"testing"

	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// An order that comes back with our own note says nothing new; what the referrer wrote beside it, and a note that merely
// looks like ours, is read. The segments are those that banner.V2 makes.
func TestOurOwnNoteIsNotRead(t *testing.T) {
	n := banner.Note{Revision: 1, Verdict: mri.Verdict{Kind: mri.KindOutside, AsOf: "2026-06-01T09:00:00Z"}, Record: implant.Record{
		Parts: []implant.Part{{ID: "p", State: implant.NotConnected, Component: implant.Component{Kind: implant.Lead, Maker: "Invented & Sons", Model: "L|1~2"}}}}}
	for name, withdrawn := range map[string]bool{"in force": false, "withdrawn": true} {
		mine := banner.V2(n, withdrawn, 1)
		words := func(more string) string {
			t.Helper()
			raw := []byte(strings.TrimRight(string(sample(t, "orm-change.hl7")), "\r\n") + "\r" + more)
			return notesOf(t, raw)
		}
		plain := words("")
		const theirs = "NTE|9||Leads were left in the back in 2019\r"
		if got := words(mine); got != plain {
			t.Errorf("%s: our note is read:\n%s", name, got)
		}
		first := strings.Index(mine, "NTE|")
		for at, text := range map[string]string{"after": mine + theirs, "before": theirs + mine, "between": mine[:strings.LastIndex(mine, "OBX|")] + theirs + mine[strings.LastIndex(mine, "OBX|"):]} {
			if got := words(text); !strings.Contains(got, "left in the back in 2019") || strings.Contains(got, "implant verdict") {
				t.Errorf("%s, %s: %s", name, at, got)
			}
		}
		for what, text := range map[string]string{
			"one word changed": strings.Replace(mine, "NTE|1|L|", "NTE|1|L|NOT ", 1),
			"theirs first":     mine[:first] + theirs + mine[first:],
			"another mark":     strings.Replace(mine, "^note-", "^note-9", 1),
		} {
			if got := words(text); len(got) <= len(plain) {
				t.Errorf("%s, %s: not read", name, what)
			}
		}
	}
}

// notesOf gives the words around the first order of a message.
func notesOf(t *testing.T, raw []byte) string {
	t.Helper()
	cfg := *hillside
	m := parsed(t, raw)
	g, f := group(m)
	if f != nil {
		t.Fatal(f)
	}
	c := &converter{cfg: &cfg, raw: raw, m: m, g: g}
	var out []string
	for _, x := range c.notes(g.orders[0]) {
		out = append(out, x.(obj)["text"].(string))
	}
	return strings.Join(out, "\n")
}
