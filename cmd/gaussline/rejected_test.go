package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A reject is closed once, by a person whose name and note stay to be seen; nothing opens it again behind their back.
func TestARejectIsClosedOnce(t *testing.T) {
	dir := t.TempDir()
	config := filepath.Join(dir, "c.yaml")
	for name, text := range map[string]string{
		"c.yaml": "data_dir: data\nsites: [{name: north}]\nfallback_site: north\nsenders: [{name: hillside, base_url: \"http://ehr.hillside.invalid/fhir\"}]\n",
		"a.json": `{"resourceType":"Device","id":"h","status":"implanted","patient":{"reference":"Patient/1"}}`,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	call := func(args ...string) (code int, text string) {
		var out bytes.Buffer
		code = run(t.Context(), args, func(string) string { return "" }, &out, &out)
		return code, out.String()
	}
	if code, text := call("import", "--config", config, filepath.Join(dir, "a.json")); code != exitHeld {
		t.Fatalf("import: %d %s", code, text)
	}
	_, list := call("rejected", "--config", config, "list")
	id, _, _ := strings.Cut(list, " ")
	for _, step := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"close", id, "--by", "A. Registrar", "--note", "entered by hand"}, exitDone, "The record of hillside|Patient/1 says that A. Registrar set it aside"},
		{[]string{"close", id, "--by", "B. Other", "--note", "also"}, exitFailed, "settled already: closed A. Registrar: entered by hand"},
		{[]string{"replay", id}, exitFailed, "settled already: closed by A. Registrar"},
		{[]string{"list"}, exitDone, "nothing is held"},
		{[]string{"list", "--all"}, exitDone, "settled by A. Registrar: entered by hand"},
		{[]string{"show", id, "--reason", "invented, for a test"}, exitDone, "settled by A. Registrar: entered by hand"},
	} {
		code, text := call(append([]string{"rejected", "--config", config}, step.args...)...)
		if code != step.code || !strings.Contains(text, step.says) {
			t.Errorf("%v: exit %d, want %d and %q:\n%s", step.args, code, step.code, step.says, text)
		}
	}
}
