package sqlite_test

import (
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/adapters/store/storetest"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t testing.TB) func() (pipeline.Store, error) {
		dir := t.TempDir()
		return func() (pipeline.Store, error) { return sqlite.Open(t.Context(), dir, sqlite.Options{}, nil) }
	})
}
