package store_test

import (
	"encoding/json"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"gaussline/adapters/store"
	"gaussline/mapping/implant"
	_ "gaussline/testdata/seed"
)

// What is decoded is what encoding/json, which writes the bodies, would decode.
func TestDecodeRecordAsEncodingJSON(t *testing.T) {
	any := rapid.Make[implant.Record]()
	rapid.Check(t, func(t *rapid.T) {
		body, err := json.Marshal(any.Draw(t, "record"))
		if err != nil {
			t.Fatal(err)
		}
		var want implant.Record
		if err := json.Unmarshal(body, &want); err != nil {
			t.Fatal(err)
		}
		got, err := store.DecodeRecord(body)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s\ngot  %+v, %v\nwant %+v", body, got, err, want)
		}
	})
}

// A body cut short, or one that something follows, is no record.
func TestDecodeRecordRefuses(t *testing.T) {
	body, err := json.Marshal(implant.Record{Patient: "hillside|Patient/p"})
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range [][]byte{nil, body[:len(body)-1], append(body[:len(body):len(body)], '{'), []byte(`[]`), []byte(`"x"`)} {
		if rec, err := store.DecodeRecord(b); err == nil {
			t.Errorf("%s: read as %+v", b, rec)
		}
	}
}
