package banner

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// oddNote has names that break DICOM and HL7 v2 where they are not escaped.
func oddNote(k mri.Kind) Note {
	return Note{Revision: 1, Verdict: mri.Verdict{Kind: k, AsOf: "2026-06-01T09:00:00Z"}, Record: implant.Record{
		Questions: []implant.Question{{Code: implant.AskDateMissing}},
		Parts: []implant.Part{
			{ID: "a", State: implant.Capped, Site: implant.Site{Side: implant.Left, Region: "lumbar-spine", Level: "L3"},
				Component: implant.Component{Kind: implant.Lead, Maker: "Tarnbeck Devices", Model: `TB\L45 |^~&` + "\r\n\x1b é 鉛 " + strings.Repeat("x", 200)}},
			{ID: "b", State: implant.RemovedWhole, Component: implant.Component{Kind: implant.Generator, Model: "OUT"}},
			{ID: "c", State: implant.ReportedRemoved, Component: implant.Component{Kind: implant.Unidentified}}}}}
}

// PS3.5: LO has at most 64 characters, no backslash, no control character.
func TestAlertsAreValuesOfLO(t *testing.T) {
	for k := range headlines {
		for _, n := range []Note{oddNote(k), manyNote(k), {Verdict: mri.Verdict{Kind: k}}, {}} {
			for _, withdrawn := range []bool{false, true} {
				values := Alerts(n, withdrawn)
				if len(values) == 0 || len(values) > maxAlerts {
					t.Errorf("%s: %d values", k, len(values))
				}
				for _, v := range values {
					if utf8.RuneCountInString(v) > 64 || strings.ContainsAny(v, "\\\r\n\x1b") || v == "" || strings.TrimSpace(v) != v {
						t.Errorf("%s: %q is no value of LO", k, v)
					}
					if bad := soundsLikeClearance(v); bad != "" {
						t.Errorf("%q in %q", bad, v)
					}
				}
			}
		}
	}
}

// The warning is the first value, and a part's state is never what a cut loses.
func TestAlertsKeepTheWarning(t *testing.T) {
	got := Alerts(oddNote(mri.KindOutside), false)
	if got[0] != alerts[mri.KindOutside] {
		t.Errorf("first is %q", got[0])
	}
	if len(got) != 4 || !strings.HasPrefix(got[2], "CAPPED: Lead, left lumbar spine level L3, TB/L45") || !strings.HasSuffix(got[2], "...") ||
		!strings.HasPrefix(got[1], "REMOVAL UNCONFIRMED: ") || got[3] != "1 OPEN QUESTIONS on the implant record: read the note" {
		t.Errorf("got %q", got)
	}
	many := Alerts(manyNote(mri.KindNotEstablished), false)
	if !strings.HasPrefix(many[len(many)-2], "AND 47 MORE PARTS") {
		t.Errorf("parts left out are not counted: %q", many)
	}
	if unknown := Alerts(Note{Verdict: mri.Verdict{Kind: "new-kind"}}, false); unknown[0] != alerts[mri.KindNotEstablished] {
		t.Errorf("an unknown verdict says %q", unknown[0])
	}
}

// LT: at most 10,240 characters. A note that does not fit says so before anything that could be missed.
func TestCommentSaysWhenItIsCut(t *testing.T) {
	short := comment("A\nB\n", "ALONE")
	if short != "A\r\nB" {
		t.Errorf("got %q", short)
	}
	long := comment(Plain(manyNote(mri.KindWithinIf)), "ALONE")
	lines := strings.Split(long, "\r\n")
	if n := utf8.RuneCountInString(long); n > 10240 || n < 9000 {
		t.Errorf("%d characters", n)
	}
	if lines[0] != "ALONE" || !strings.HasPrefix(lines[1], "NOT COMPLETE") {
		t.Errorf("starts with %q", lines[:2])
	}
	whole := strings.Split(Plain(manyNote(mri.KindWithinIf)), "\n")
	if last := lines[len(lines)-1]; last != whole[len(lines)-2] {
		t.Errorf("cut within a line: %q", last)
	}
}

// PS3.18 Annex F: keys of eight upper-case hex digits, vr, Value as an array.
func TestDICOMIsTheJSONModel(t *testing.T) {
	b, err := DICOM(oddNote(mri.KindUnsafe), false)
	if err != nil {
		t.Fatal(err)
	}
	var v map[string]struct {
		VR    string `json:"vr"`
		Value []string
	}
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	if v["00102000"].VR != "LO" || v["00401400"].VR != "LT" || v["00080005"].Value[0] != "ISO_IR 192" || len(v["00401400"].Value) != 1 {
		t.Errorf("got %s", b)
	}
}
