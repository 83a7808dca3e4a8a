package cds

import (
	"encoding/json"
	"net/http/httptest"
	"strings"
	"testing"

	"pgregory.net/rapid"

	_ "gaussline/testdata/seed"
)

// An answer goes out as encoding/json would write it, whatever text and draft order are in it. Text is UTF-8: it comes
// out of JSON, or was mended.
func TestAnswersAreWrittenAsEncodingJSON(t *testing.T) {
	text := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"<b>&\"\\</b>", "\u2028\u2029\x00\t\n", "µT ≤ 3"}))
	rapid.Check(t, func(t *rapid.T) {
		order, err := json.MarshalIndent(map[string]any{text.Draw(t, "name"): text.Draw(t, "value"), "n": []any{1.50, nil, true}}, " ", "\t")
		if err != nil {
			t.Fatal(err)
		}
		act := action{Type: "update", Description: text.Draw(t, "description"), Resource: order}
		a := answer{Cards: []card{{Summary: text.Draw(t, "summary"), Detail: text.Draw(t, "detail"), OverrideReasons: overrideReasons,
			Source: source{Label: label, Topic: &coding{Code: text.Draw(t, "code")}}, Suggestions: []suggestion{{Actions: []action{act}}}}},
			SystemActions: []action{act}}
		want, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		w := httptest.NewRecorder()
		if err := writeJSON(w, a); err != nil || w.Body.String() != string(want) {
			t.Errorf("%v\ngot  %s\nwant %s", err, w.Body, want)
		}
	})
}

// A draft order goes back as it came, oddities and all: an answer is never lost for them.
func TestDraftsGoBackAsTheyCame(t *testing.T) {
	for _, draft := range []string{`{"a":1,"a":2}`, "{\"a\":\"\xff\xc3\"}", `{"a":"\ud800"}`, `{"a":"\u003c <&>"}`, "{ \"a\" :\t1.50E+2 , \"b\":-0}", `{"a":123456789012345678901234567890}`,
		strings.Repeat("[", 9000) + strings.Repeat("]", 9000)} {
		a := answer{SystemActions: []action{{Resource: json.RawMessage(draft)}}}
		want, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		w := httptest.NewRecorder()
		if err := writeJSON(w, a); err != nil || w.Body.String() != string(want) {
			t.Errorf("%.100s: %v\ngot  %.300q\nwant %.300q", draft, err, w.Body, want)
		}
	}
}
