package store

import (
	"crypto/sha256"
	"fmt"
	"testing"

	"gaussline/adapters/pipeline"
)

// A seal is kept beside its row for years: SHA-256 over each part with its length, of 8 bytes, before it.
func TestSealIsWhatItWas(t *testing.T) {
	want := fmt.Sprintf("%x", sha256.Sum256([]byte("\x00\x00\x00\x00\x00\x00\x00\x01i"+"\x00\x00\x00\x00\x00\x00\x00\x01o"+
		"\x00\x00\x00\x00\x00\x00\x00\x00"+"\x00\x00\x00\x00\x00\x00\x00\x02to"+"\x00\x00\x00\x00\x00\x00\x00\x04body")))
	if got := SealOutgoing(pipeline.Outgoing{ID: "i", Order: "o", To: "to", Body: []byte("body")}); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if got := seal([]string{"i", "o", "", "to"}, []byte("body")); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	whole := seal([]string{"i", "o"}, nil, "to", "body")
	if whole != want {
		t.Errorf("parts behind the body: %s, want %s", whole, want)
	}
}
