package banner

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"testing"
)

// The encoder of banners writes the bytes of encoding/json, whatever stands in a text.
func TestEncodeIsThatOfTheLibrary(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	letters := []string{"a", "Z", " ", "\n", "\t", `"`, `\`, "<", ">", "&", "\x00", "\x1f", "\x7f", "ü", "\u2028", "磁", "\xff", "{", "0"}
	text := func() string {
		s := ""
		for range rng.IntN(6) {
			s += letters[rng.IntN(len(letters))]
		}
		return s
	}
	var value func(depth int) any
	value = func(depth int) any {
		switch n := rng.IntN(8); {
		case n < 2 && depth > 0:
			o := object{}
			for range rng.IntN(4) {
				o[text()] = value(depth - 1)
			}
			return o
		case n < 4 && depth > 0:
			list := []any{}
			for range rng.IntN(4) {
				list = append(list, value(depth-1))
			}
			return list
		case n == 4:
			return []any{nil, true, 1.5, -7, json.RawMessage(`{"b":[1, 2]}`), object(nil), []any(nil), []string{"<", "a"}}[rng.IntN(8)]
		}
		return text()
	}
	for range 20_000 {
		v := value(3)
		want, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := encode(v); err != nil || !bytes.Equal(got, want) {
			t.Fatalf("%#v: %s (%v), want %s", v, got, err, want)
		}
	}
	if _, err := encode(object{"a": []any{func() {}}}); err == nil {
		t.Error("what cannot be written is no error")
	}
}
