package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A site that says nothing is reminded; only off, or 0, turns it off.
func TestRemindersAreOnUnlessTurnedOff(t *testing.T) {
	for text, want := range map[string]time.Duration{"": 4 * time.Hour, ", remind_after: off": 0, ", remind_after: 0": 0, ", remind_after: 30m": 30 * time.Minute,
		", remind_after: ~": 4 * time.Hour} {
		path := filepath.Join(t.TempDir(), "c.yaml")
		if err := os.WriteFile(path, []byte("data_dir: data\nsites: [{name: north"+text+"}]\nfallback_site: north\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		cfg, err := loadConfig(path, func(string) string { return "" })
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		if got := cfg.Sites[0].remindAfter(); got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
}
