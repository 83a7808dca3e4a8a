package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The one-time link of the first run is in a file of the service's own user, never in what the service prints; the
// next start takes it away.
func TestFirstRunLinkIsInAFileOfItsOwn(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, welcomeFile)
	start := func(path string) string {
		t.Helper()
		var out bytes.Buffer
		a := &app{cfg: &config{DataDir: dir}, welcome: path}
		(&program{out: &out}).printWelcome(a, "127.0.0.1:8443")
		return out.String()
	}
	for _, token := range []string{"invented-one", "invented-two"} { // a second start before anybody used the first
		if said := start("/welcome/" + token); strings.Contains(said, token) || !strings.Contains(said, file) {
			t.Errorf("printed %q", said)
		}
		b, err := os.ReadFile(file)
		if err != nil || string(b) != "http://127.0.0.1:8443/welcome/"+token+"\n" {
			t.Errorf("the file says %q, %v", b, err)
		}
		if i, err := os.Stat(file); err != nil || i.Mode().Perm() != 0o600 {
			t.Errorf("mode %v, %v", i.Mode(), err)
		}
	}
	if said := start(""); said != "" {
		t.Errorf("with an administrator: %q", said)
	}
	if _, err := os.Stat(file); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link of an earlier start is still there: %v", err)
	}
	if err := os.Mkdir(file, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(file, "x"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if said := start("/welcome/invented-three"); strings.Contains(said, "invented-three") || !strings.Contains(said, "could not be kept") {
		t.Errorf("printed %q", said)
	}
}
