package banner

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"gaussline/mapping/mri"
)

// Limits of HL7 v2 fields: OBX-5 and NTE-3 are 65,536 long in the tables of 2.5.1; radiology systems often show less,
// so lines are kept short and whole (common practice, no source).
const (
	maxNoteLine = 1000 // characters of one NTE-3; a longer line goes on in the next segment
	segmentEnd  = "\r"
)

// v2Escapes are the escape sequences of HL7 v2 for the usual delimiters |^~\& (from memory: HL7
// v2.5.1, chapter 2.7).
var v2Escapes = strings.NewReplacer(`\`, `\E\`, "|", `\F\`, "^", `\S\`, "~", `\R\`, "&", `\T\`, "\r", `\X0D\`, "\n", `\X0A\`)

// v2 makes a field of a text: one line, delimiters escaped.
func v2(s string) string { return v2Escapes.Replace(oneLine(s)) }

// V2Codes is the name of our code system in OBX-3 and OBX-5.
const V2Codes = "99GAUSSLINE"

// abnormal flags of OBX-8 (table 0078): everything but "nothing recorded" asks for attention.
var abnormal = map[mri.Kind]string{mri.KindUnsafe: "AA", mri.KindOutside: "AA", mri.KindNotEstablished: "AA", mri.KindWithinIf: "A", mri.KindNothing: ""}

// V2 gives the segments to be put after the OBR of an order (ORM^O01, OMI^O23: OBX with NTE below it): one OBX with
// the verdict, one for each Medical Alerts value, and the whole note as NTE below the first. Segments end in CR; the
// encoding characters are the usual |^~\&; the character set is that of the message, UTF-8 where it says UNICODE UTF-8.
// first is the set id of the first OBX, 1 when the order has none.
func V2(n Note, withdrawn bool, first int) string {
	status, flag := "F", known2(abnormal[n.Verdict.Kind], "")
	if n.Revision > 1 {
		status = "C" // a correction of what was sent before (table 0085)
	}
	code, text := string(n.Verdict.Kind), Headline(n.Verdict.Kind)
	if withdrawn {
		status, flag, code, text = "C", "", "withdrawn", withdrawnHeadline
	}
	if text == "" {
		flag, text = "AA", Headline(mri.KindNotEstablished)
	}
	var b strings.Builder
	obx := func(id, sub int, kind, what, name, value, abnormal string) {
		b.WriteString(strings.Join([]string{"OBX", strconv.Itoa(id), kind, what + "^" + name + "^" + V2Codes, strconv.Itoa(sub), value, "", "", abnormal, "", "", status}, "|") + segmentEnd)
	}
	lines, alerts := noteLines(Text(n, withdrawn)), Alerts(n, withdrawn)
	mark := V2Mark(code, text, plainLines(lines), plainLines(alerts))
	obx(first, 1, "CE", "MR-IMPLANT-VERDICT", "MR implant verdict (decision support)", v2(code)+"^"+v2(text)+"^"+V2Codes+"^"+mark+"^^"+V2Codes, flag)
	for i, line := range lines {
		b.WriteString("NTE|" + strconv.Itoa(i+1) + "|L|" + v2(line) + segmentEnd)
	}
	for i, a := range alerts {
		obx(first+1+i, i+1, "ST", "MR-IMPLANT-ALERT", "MR implant alert", v2(a), flag)
	}
	return b.String()
}

// plainLines are lines as fields hold them.
func plainLines(lines []string) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = oneLine(l)
	}
	return out
}

// noteLines gives the lines of a note for NTE segments; a long one is divided, and nothing is left out.
func noteLines(text string) (out []string) {
	for _, line := range strings.Split(strings.TrimRight(text, "\n"), "\n") {
		for utf8.RuneCountInString(line) > maxNoteLine {
			r := []rune(line)
			out = append(out, string(r[:maxNoteLine]))
			line = string(r[maxNoteLine:])
		}
		out = append(out, line)
	}
	return out
}

// Relevant gives the text for OBR-13, relevant clinical information (ST 300 up to 2.6): what radiology systems are
// believed to copy to Medical Alerts (from memory). The warning stands first; whole alerts follow
// while there is room.
func Relevant(n Note, withdrawn bool) string {
	const most = 300 // characters, escapes included
	out := ""
	for i, a := range Alerts(n, withdrawn) {
		next := v2(a)
		if i > 0 {
			next = "; " + next
		}
		if utf8.RuneCountInString(out+next) > most-len("; and more") {
			return out + "; and more"
		}
		out += next
	}
	return out
}
