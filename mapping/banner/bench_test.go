package banner

import (
	"testing"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// BenchmarkBundle is the banner of an order about a patient of whom nothing is recorded, the most frequent one.
func BenchmarkBundle(b *testing.B) {
	o := order(`{"resourceType":"ServiceRequest","id":"s1","meta":{"versionId":"1"},"status":"active","intent":"order","priority":"routine",` +
		`"code":{"coding":[{"system":"http://loinc.org","code":"30679-5"}],"text":"MR lumbar spine"},"subject":{"reference":"Patient/p1"},` +
		`"authoredOn":"2026-05-20T09:00:00Z","performer":[{"display":"North Imaging"}],"note":[{"text":"Invented text for measuring."}]}`)
	n := Note{Revision: 1, Verdict: mri.Verdict{Kind: mri.KindNothing, AsOf: "2026-06-01T09:00:00Z"},
		Record: implant.Record{Patient: "hillside|Patient/p1", Aliases: []string{"hillside|Patient/p1"}}}
	at := time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Bundle(o, n, at, false); err != nil {
			b.Fatal(err)
		}
	}
}
