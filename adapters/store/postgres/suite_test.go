package postgres_test

import (
	"flag"
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/pgtest"
	"gaussline/adapters/store/postgres"
	"gaussline/adapters/store/storetest"
)

func TestStore(t *testing.T) {
	// A new database for each check takes a quarter of a second: fewer of them, unless the caller says how many.
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue {
		if err := f.Value.Set("25"); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Value.Set(f.DefValue) }()
	}
	server := pgtest.Start(t)
	storetest.Run(t, func(t testing.TB) func() (pipeline.Store, error) {
		url := pgtest.Database(t, server)
		return func() (pipeline.Store, error) { return postgres.Open(t.Context(), url, postgres.Options{}, nil) }
	})
}
