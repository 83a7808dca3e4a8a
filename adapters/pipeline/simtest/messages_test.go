package simtest

import (
	"fmt"
	"math/rand/v2"
)

const sender = "hillside"

// message is one message of a run, with a name for the trace.
type message struct {
	name   string
	body   []byte
	broken bool // its resource cannot be read
}

// messages makes the messages of a run: two patients, who may turn out to be one, leads put in, of which two may have one
// serial number and one may be taken out on the chart of the other, orders that change and are cancelled, an order that
// needs no banner, and messages that cannot be read. All of it is invented.
func messages(rng *rand.Rand) (all []message) {
	add := func(name, format string, args ...any) {
		all = append(all, message{name: name, body: fmt.Appendf(nil, format, args...)})
	}
	second := "B-2"
	if rng.IntN(3) == 0 {
		second = "A-1" // the same person under two keys
	}
	for i, id := range []string{"A-1", second} {
		add(fmt.Sprint("patient ", i), `{"resourceType":"Patient","id":"p%d","meta":{"lastUpdated":"2026-01-01T08:00:0%dZ"},"identifier":[{"system":"http://hillside.invalid/mrn","value":"%s"}],"birthDate":"1960-02-03"}`, i, i, id)
	}
	for i := range 1 + rng.IntN(2) {
		add(fmt.Sprint("device ", i), `{"resourceType":"Device","id":"d%d","meta":{"lastUpdated":"2026-01-02T08:00:00Z"},"type":{"text":"lead"},"manufacturer":"Tarnbeck Devices","modelNumber":"TB-L45","serialNumber":"S%d","patient":{"reference":"Patient/p%d"}}`, i, i*rng.IntN(2), i)
		for v := range 1 + rng.IntN(2) {
			add(fmt.Sprintf("procedure %d.%d", i, v), `{"resourceType":"Procedure","id":"x%d","meta":{"lastUpdated":"2026-01-03T08:00:0%dZ"},"status":"%s","code":{"text":"Implantation of lead"},"subject":{"reference":"Patient/p%d"},"performedDateTime":"2026-01-03","focalDevice":[{"action":{"coding":[{"system":"http://hl7.org/fhir/device-action","code":"implanted"}]},"manipulated":{"reference":"Device/d%d"}}]}`,
				i, v, []string{"completed", "entered-in-error"}[rng.IntN(2)*v], i, i)
		}
	}
	for v := range rng.IntN(3) { // on the chart of the other, and perhaps put right
		add(fmt.Sprint("wrong chart ", v), `{"resourceType":"Procedure","id":"w","meta":{"lastUpdated":"2026-01-04T08:00:0%dZ"},"status":"completed","code":{"text":"Explantation of lead"},"subject":{"reference":"Patient/p%d"},"performedDateTime":"2026-01-04","focalDevice":[{"action":{"coding":[{"system":"http://hl7.org/fhir/device-action","code":"explanted"}]},"manipulated":{"reference":"Device/d0"}}]}`,
			v, 1-v*rng.IntN(2))
	}
	for i := range 2 + rng.IntN(2) {
		for v := range 1 + rng.IntN(3) {
			status := "active"
			if v > 0 && rng.IntN(2) == 0 {
				status = []string{"revoked", "completed", "entered-in-error"}[rng.IntN(3)]
			}
			exam := []string{"MR Knee WO contrast", "MR lumbar spine", "CT chest"}[rng.IntN(3)]
			add(fmt.Sprintf("order %d.%d %s %s", i, v, status, exam), `{"resourceType":"ServiceRequest","id":"o%d","meta":{"lastUpdated":"2026-05-20T09:00:0%dZ"},"status":"%s","intent":"order","code":{"text":"%s"},"subject":{"reference":"Patient/p%d"},"performer":[{"display":"%s"}]}`,
				i, v, status, exam, i%2, []string{"North Imaging", "Harbour Radiology"}[i%2])
		}
	}
	for i := range rng.IntN(2) {
		add(fmt.Sprint("unreadable ", i), `{"resourceType":"ServiceRequest","id":"u%d","meta":{"lastUpdated":"2026-05-21T09:00:00Z"},"status":"bogus","intent":"order","subject":{"reference":"Patient/p%d"}}`, i, i)
		all[len(all)-1].broken = true
	}
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all
}
