package intake

import "testing"

// BenchmarkRead reads a message of nine resources that is decoded already.
func BenchmarkRead(b *testing.B) {
	env, items := bundleItems(b, collection(pool...))
	b.ReportAllocs()
	for b.Loop() {
		Read(env, items)
	}
}

// BenchmarkReadReferral reads one order for an examination.
func BenchmarkReadReferral(b *testing.B) {
	it, err := item(`{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","subject":{"reference":"Patient/p"},
		"code":{"coding":[{"system":"http://loinc.org","code":"24968-0","display":"MR Lumbar spine"}],"text":"MRI lumbar spine"},
		"reasonCode":[{"text":"back pain with radiation to the left leg"}],"note":[{"text":"has had a stimulator put in elsewhere, no details"}]}`)
	if err != nil {
		b.Fatal(err)
	}
	env := Envelope{Sender: "ehr"}
	b.ReportAllocs()
	for b.Loop() {
		Read(env, []Item{it})
	}
}
