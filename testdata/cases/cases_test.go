package cases

import (
	"strings"
	"testing"
)

// The demonstration prints what a story is about: a whole sentence.
func TestAboutIsWhole(t *testing.T) {
	all, err := All()
	if err != nil || len(all) < 17 {
		t.Fatal(len(all), err)
	}
	for _, s := range all {
		if !strings.HasSuffix(s.About, ".") {
			t.Errorf("%s is about %q", s.Name, s.About)
		}
	}
}
