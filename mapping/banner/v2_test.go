package banner

import (
	"strings"
	"testing"
	"unicode/utf8"

	"gaussline/mapping/mri"
)

// unescapeV2 undoes the escapes of HL7 v2.5.1 chapter 2.7 (from memory), written apart from the code that makes them.
func unescapeV2(s string) string {
	for _, p := range [][2]string{{`\F\`, "|"}, {`\S\`, "^"}, {`\T\`, "&"}, {`\R\`, "~"}, {`\E\`, "\x00"}} {
		s = strings.ReplaceAll(s, p[0], p[1])
	}
	return strings.ReplaceAll(s, "\x00", `\`)
}

// Segments, fields and set ids of the v2 alternative; what sources wrote cannot end a field or a segment.
func TestV2Segments(t *testing.T) {
	n := oddNote(mri.KindOutside)
	text := V2(n, false, 3)
	if strings.ContainsAny(text, "\n") || !strings.HasSuffix(text, "\r") {
		t.Errorf("segments end in CR alone: %q", text)
	}
	var obx, nte []string
	for _, seg := range strings.Split(strings.TrimSuffix(text, "\r"), "\r") {
		f := strings.Split(seg, "|")
		switch f[0] {
		case "OBX":
			if len(f) != 12 || f[1] != []string{"3", "4", "5", "6", "7"}[len(obx)] || f[11] != "F" || f[8] != "AA" {
				t.Errorf("%q", seg)
			}
			obx = append(obx, f[5])
		case "NTE":
			if len(f) != 4 || strings.ContainsAny(f[3], "^~&") {
				t.Errorf("%q", seg)
			}
			nte = append(nte, unescapeV2(f[3]))
		default:
			t.Errorf("segment %q", f[0])
		}
	}
	if got, want := strings.Join(nte, "\n")+"\n", Plain(n); got != want {
		t.Errorf("the note reads\n%s\nwant\n%s", got, want)
	}
	if len(obx) != 5 || !strings.HasPrefix(obx[0], "outside-label^Implant in place: OUTSIDE the MR labelling^99GAUSSLINE^note-") || unescapeV2(obx[1]) != alerts[mri.KindOutside] {
		t.Errorf("values %q", obx)
	}
	if !strings.Contains(obx[3], `TB/L45 \F\\S\\R\\T\`) {
		t.Errorf("not escaped: %q", obx[3])
	}
}

func TestV2LeavesNothingOut(t *testing.T) {
	n := manyNote(mri.KindWithinIf)
	var b strings.Builder
	for _, seg := range strings.Split(V2(n, false, 1), "\r") {
		if f := strings.SplitN(seg, "|", 4); f[0] == "NTE" {
			if utf8.RuneCountInString(unescapeV2(f[3])) > maxNoteLine {
				t.Errorf("a line of %d characters", len(f[3]))
			}
			b.WriteString(unescapeV2(f[3]))
		}
	}
	if b.String() != strings.ReplaceAll(Plain(n), "\n", "") {
		t.Error("words of the note are missing or changed")
	}
}

func TestV2Withdrawn(t *testing.T) {
	n := oddNote(mri.KindUnsafe)
	n.Revision = 2
	text := V2(n, true, 1)
	if !strings.Contains(text, "|withdrawn^") || strings.Contains(text, "UNSAFE") || strings.Contains(text, "|F\r") || !strings.Contains(text, "|C\r") {
		t.Errorf("%q", text)
	}
	if !strings.Contains(V2(Note{Verdict: mri.Verdict{Kind: "new-kind"}}, false, 1), "NOT ESTABLISHED") {
		t.Error("an unknown verdict is not shown as not established")
	}
}

// OBR-13 holds 300 characters up to version 2.6: the warning first, only whole alerts, and a count of nothing lost.
func TestRelevantIsShort(t *testing.T) {
	for k := range alerts {
		for _, n := range []Note{oddNote(k), manyNote(k), {Verdict: mri.Verdict{Kind: k}}} {
			got := Relevant(n, false)
			if utf8.RuneCountInString(got) > 300 || !strings.HasPrefix(unescapeV2(got), alerts[k]) || strings.ContainsAny(got, "|^~&\r\n") {
				t.Errorf("%q", got)
			}
		}
	}
	if got := Relevant(manyNote(mri.KindOutside), false); !strings.HasSuffix(got, "; and more") {
		t.Errorf("%q", got)
	}
}
