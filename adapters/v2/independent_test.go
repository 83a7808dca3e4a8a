package v2

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// An MLLP client that others wrote sends to the listener and reads its answers. It runs where GAUSSLINE_NPM names a
// node_modules folder with simple-hl7 3.3.0 in it.
func TestIndependentClient(t *testing.T) {
	modules := os.Getenv("GAUSSLINE_NPM")
	if modules == "" {
		t.Skip("GAUSSLINE_NPM is not set")
	}
	d := &desk{}
	l := start(t, d, nil)
	port := l.addr[strings.LastIndexByte(l.addr, ':')+1:]
	out, err := exec.Command("node", "testdata/send.cjs", modules, port, "testdata/orm-new.hl7", "testdata/omi-new.hl7",
		"testdata/orm-change.hl7", "testdata/orm-cancel.hl7").CombinedOutput()
	const want = "ACK AA H-1001\nACK CA H-2001\nACK AA H-1002\nACK AA H-1003\n"
	if err != nil || string(out) != want || d.count() != 4 {
		t.Errorf("%v\n%s%d kept", err, out, d.count())
	}
}
