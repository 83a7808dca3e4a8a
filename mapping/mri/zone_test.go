package mri

import (
	"reflect"
	"testing"
	"time"

	"gaussline/mapping/implant"
)

// The zones are read off the invented labels by eye; where the isocentre is permitted to be, no zone is.
func TestZones(t *testing.T) {
	const doc = `{"format":"gaussline-labelling-1","documents":[{"id":"d","title":"T","maker":"M","edition":"1","issued":"2026-01-01","reviewed":"2026-01-01"}],
		"systems":[{"id":"s","document":"d","parts":[{"kind":"generator","models":["G"],"min":1,"max":1}],"sets":[
		{"id":"below","fields":["1.5 T"],"region":{"exclude":[{"from":"T10","to":"coccyx"}]},"words":{"scan-region":"Isocentre not from T10 down."}},
		{"id":"head","fields":["1.5 T"],"region":{"permit":[{"from":"vertex","to":"C7"},{"from":"knee","to":"sole"}]}},
		{"id":"any","fields":["1.5 T"],"region":{"wholeBody":true}}]}]}`
	l, err := ParseLabelling([]byte(doc))
	if err != nil {
		t.Fatal(err)
	}
	rec := implant.Record{Parts: []implant.Part{{ID: "g", State: implant.Connected, Component: implant.Component{Kind: implant.Generator, Maker: "M", Model: "G"}}}}
	want := []Zone{{Set: "d/s#below", Span: Span{"T10", "coccyx"}, Words: "Isocentre not from T10 down.", Edition: "1"},
		{Set: "d/s#head", Span: Span{"T1", "mid-thigh"}, Edition: "1"}}
	now := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	if got := Zones(rec, []Labelling{l}, now); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v\nwant %+v", got, want)
	}
	rec.Parts[0].State = implant.RemovedWhole
	if got := Zones(rec, []Labelling{l}, now); len(got) != 0 {
		t.Errorf("of a part that is out: %+v", got)
	}
}
