package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"gaussline/testdata/scenario"
)

// The scripts in testdata/script are the commands as a new user types them. Each finds the invented labelling and
// scanners in its folder scenario.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", RequireExplicitExec: true, Setup: func(env *testscript.Env) error {
		dir := filepath.Join(env.WorkDir, "scenario")
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return err
		}
		for name, body := range map[string][]byte{"labelling.json": scenario.Labelling, "scanners.json": scenario.Scanners} {
			if err := os.WriteFile(filepath.Join(dir, name), body, 0o600); err != nil {
				return err
			}
		}
		return nil
	}})
}
