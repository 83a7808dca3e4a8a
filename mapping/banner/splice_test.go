package banner

import (
	"bytes"
	"encoding/json"
	"reflect"
	"slices"
	"testing"
)

// appendTo adds an element to a top-level array of the object, see received.with.
func appendTo(raw []byte, name string, element any) ([]byte, error) {
	r, err := parse(raw)
	if err != nil {
		return nil, err
	}
	return r.with(addition{name, []any{element}})
}

// appended says what appendTo must give, written out by hand for each oddity of spacing and shape.
func TestAppendToKeepsEveryOtherByte(t *testing.T) {
	const e = `{"text":"x"}`
	for name, c := range map[string]struct{ in, want string }{
		"absent":             {`{"a":1}`, `{"a":1,"note":[` + e + `]}`},
		"empty object":       {`{}`, `{"note":[` + e + `]}`},
		"spaced empty":       {"{ \n }", "{ \n \"note\":[" + e + "]}"},
		"array":              {`{"note":[{"text":"a"}],"b":2}`, `{"note":[{"text":"a"},` + e + `],"b":2}`},
		"spaced array":       {"{\"note\" :\t[ {\"text\":\"a\"}\n ]\r\n}", "{\"note\" :\t[ {\"text\":\"a\"}\n ," + e + "]\r\n}"},
		"empty array":        {`{"note":[ ]}`, `{"note":[ ` + e + `]}`},
		"null":               {`{"note": null ,"b":2}`, `{"note": [` + e + `] ,"b":2}`},
		"single object":      {`{"note": {"text":"a"} }`, `{"note": [{"text":"a"},` + e + `] }`},
		"deeper note":        {`{"a":{"note":[1]}}`, `{"a":{"note":[1]},"note":[` + e + `]}`},
		"brackets in text":   {`{"note":[{"text":"a ] } \" \\"}]}`, `{"note":[{"text":"a ] } \" \\"},` + e + `]}`},
		"escaped name":       {`{"n\u006fte":[1]}`, `{"n\u006fte":[1,` + e + `]}`},
		"unicode":            {`{"a":"é\u00e9😀\ud83d\ude00"}`, `{"a":"é\u00e9😀\ud83d\ude00","note":[` + e + `]}`},
		"numbers as written": {`{"a":2.00,"b":1E2}`, `{"a":2.00,"b":1E2,"note":[` + e + `]}`},
		"leading space":      {"\n {\"a\":1}", "\n {\"a\":1,\"note\":[" + e + "]}"},
	} {
		got, err := appendTo([]byte(c.in), "note", object{"text": "x"})
		if err != nil || string(got) != c.want {
			t.Errorf("%s: got %s, %v\nwant %s", name, got, err, c.want)
		}
	}
}

func TestAppendToRefuses(t *testing.T) {
	for _, in := range []string{``, `[]`, `"x"`, `{"note":"x"}`, `{"note":7}`, `{"a":1`, `{"a":}`, `null`, `{"a":1,}`} {
		if got, err := appendTo([]byte(in), "note", object{"text": "x"}); err == nil {
			t.Errorf("%q gave %s", in, got)
		}
	}
}

// The received bytes are evidence: appendTo must not write into the caller's memory.
func TestAppendToLeavesItsInputAlone(t *testing.T) {
	backing := []byte(`{"note":[1]}TAIL`)
	raw := backing[:12]
	if _, err := appendTo(raw, "note", 2); err != nil {
		t.Fatal(err)
	}
	if string(backing) != `{"note":[1]}TAIL` {
		t.Errorf("input changed: %s", backing)
	}
}

func TestValueOf(t *testing.T) {
	raw := []byte(`{"subject" : {"reference":"Patient/1"} , "x":1}`)
	r, err := parse(raw)
	if err != nil {
		t.Fatal(err)
	}
	if got := string(r.value("subject")); got != `{"reference":"Patient/1"}` {
		t.Errorf("got %s", got)
	}
	if r.value("y") != nil {
		t.Error("an absent member has a value")
	}
}

// FuzzAppendTo holds appendTo to three things on any object: the result parses, means the same but for the one
// added element, and the received bytes are all there, in order, around what was added.
func FuzzAppendTo(f *testing.F) {
	for _, s := range []string{`{}`, `{"note":[]}`, `{"note":[{"text":"a"}],"b":[1,2]}`, `{"note":null}`, `{"note":{"a":1}}`,
		"{\t\"a\" : \"\\u00e9\\\"]}\"\n}", `{"a":{"note":[{}]}}`, `{"a":1e400}`, "{\"a\":\"\xff\"}", `{"note":[1],"note":[2]}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		before := slices.Clone(raw)
		got, err := appendTo(raw, "note", object{"text": "added"})
		if !bytes.Equal(raw, before) {
			t.Fatal("input changed")
		}
		var was map[string]any
		if json.Unmarshal(raw, &was) != nil {
			return
		}
		list, _ := was["note"].([]any)
		switch was["note"].(type) {
		case nil, []any, map[string]any:
		default:
			if err == nil {
				t.Fatalf("a note that is no list was taken: %s", got)
			}
			return
		}
		if err != nil {
			t.Fatalf("%q: %v", raw, err)
		}
		if hasTwo(raw) { // refused before this room sees it; only that nothing panics is asked here
			return
		}
		if m, ok := was["note"].(map[string]any); ok {
			list = []any{m}
		}
		var is map[string]any
		if err := json.Unmarshal(got, &is); err != nil {
			t.Fatalf("%q: %v", got, err)
		}
		want := append(slices.Clone(list), map[string]any{"text": "added"})
		if !reflect.DeepEqual(is["note"], want) {
			t.Fatalf("note is %v, want %v", is["note"], want)
		}
		noteBefore, noted := was["note"]
		delete(was, "note")
		delete(is, "note")
		if !reflect.DeepEqual(was, is) {
			t.Fatalf("another member changed: %v, was %v", is, was)
		}
		if _, listed := noteBefore.([]any); listed || !noted {
			if commonPrefix(raw, got)+commonSuffix(raw, got) < len(raw) {
				t.Fatalf("bytes around the addition changed: %s", got)
			}
		}
	})
}

func commonPrefix(a, b []byte) int {
	n := 0
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}

func commonSuffix(a, b []byte) int {
	n := 0
	for n < len(a) && n < len(b) && a[len(a)-1-n] == b[len(b)-1-n] {
		n++
	}
	return n
}

// hasTwo says whether an object has a top-level name twice.
func hasTwo(raw []byte) bool {
	r, err := parse(raw)
	seen := map[string]bool{}
	for _, m := range r.members {
		if seen[m.name] {
			return true
		}
		seen[m.name] = true
	}
	return err != nil
}
