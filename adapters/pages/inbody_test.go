package pages

import (
	"testing"

	"gaussline/mapping/implant"
)

// A row says how many parts are in, which of them are not as they should be, and nothing of what is out.
func TestInBody(t *testing.T) {
	part := func(k implant.Kind, s implant.State) implant.Part {
		return implant.Part{Component: implant.Component{Kind: k}, State: s}
	}
	rec := implant.Record{Parts: []implant.Part{part(implant.Generator, implant.Connected), part(implant.Lead, implant.NotConnected),
		part(implant.Lead, implant.Capped), part(implant.Lead, implant.Capped), part(implant.Lead, implant.RemovedWhole)}}
	const want = "3 leads (2 in place, CAPPED) (1 in place, NOT connected), 1 pulse generator"
	if got := inBody(rec); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := inBody(implant.Record{}); got != "" {
		t.Errorf("nothing in: %q", got)
	}
}
