package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"gaussline/adapters/store/pgtest"
)

// The load keeps every message and says at what rate; what it is told of must fit together.
func TestBenchLoad(t *testing.T) {
	if testing.Short() {
		t.Skip("thousands of messages")
	}
	url := filepath.Join(t.TempDir(), "url")
	if err := os.WriteFile(url, []byte(pgtest.Start(t)), 0o600); err != nil {
		t.Fatal(err)
	}
	load := func(args ...string) (string, error) {
		var out bytes.Buffer
		p := &program{env: func(string) string { return "" }, out: &out, errOut: &out}
		err := bench(t.Context(), p, append([]string{"--only", "load"}, args...))
		return out.String(), err
	}
	for _, args := range [][]string{{"--store", "paper"}, {"--store", "postgres"}, {"--url-file", url}, {"--messages", "0"}, {"--nodes", "2"}} {
		var usage usageError
		if out, err := load(args...); !errors.As(err, &usage) {
			t.Errorf("%v: %v\n%s", args, err, out)
		}
	}
	said := regexp.MustCompile(`(?s)alone: decode [1-9]\d* msg/s.* commit [1-9]\d*\n.* committed records: [1-9]\d* msg/s, \d\.\d\d of the slowest`)
	postgres := []string{"--messages", "2100", "--store", "postgres", "--nodes", "2", "--url-file", url}
	for _, args := range [][]string{{"--messages", "2040"}, postgres} {
		if out, err := load(args...); err != nil || !said.MatchString(out) {
			t.Errorf("%v: %v\n%s", args, err, out)
		}
	}
	if out, err := load(postgres...); err == nil {
		t.Errorf("loaded into a database that is not empty:\n%s", out)
	}
}
