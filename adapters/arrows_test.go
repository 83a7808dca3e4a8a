// Package adapters_test holds the import directions of the edges.
package adapters_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// tools may be imported by any edge and by the pipeline.
var tools = []string{"fhirjson", "checks", "access", "telemetry"}

// only says which edge alone may import a library, so that its traps are cured in one place.
var only = map[string]string{
	"github.com/google/fhir/go/jsonformat":     "fhirjson",
	"github.com/santhosh-tekuri/jsonschema/v5": "checks",
	"github.com/prometheus/client_golang/":     "telemetry",
	"go.opentelemetry.io/":                     "telemetry",
	"github.com/nats-io/":                      "stream",
	"modernc.org/sqlite":                       "store",
	"github.com/jackc/pgx/":                    "store",
	"github.com/pressly/goose/":                "store",
}

func TestEdgesDoNotImportEachOther(t *testing.T) {
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		edge, _, ok := strings.Cut(filepath.ToSlash(path), "/")
		if !ok {
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range f.Imports {
			check(t, path, edge, strings.Trim(spec.Path.Value, `"`))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func check(t *testing.T, path, edge, imp string) {
	t.Helper()
	for lib, owner := range only {
		if strings.HasPrefix(imp, lib) && edge != owner {
			t.Errorf("%s imports %s: only %s may", path, imp, owner)
		}
	}
	if strings.HasPrefix(imp, "gaussline/cmd") {
		t.Errorf("%s imports %s: nothing imports a command", path, imp)
	}
	other, ok := strings.CutPrefix(imp, "gaussline/adapters/")
	if !ok {
		return
	}
	other, _, _ = strings.Cut(other, "/")
	switch {
	case other == edge, slices.Contains(tools, other):
	case other == "pipeline" && !slices.Contains(tools, edge):
	default:
		t.Errorf("%s imports %s: an edge may import the pipeline and the tools %v only", path, imp, tools)
	}
}
