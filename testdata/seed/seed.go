// Package seed, imported by tests for its effect alone, makes rapid draw the same examples in every run: a run then
// says something about the change and not about luck. For a search, give -rapid.seed and -rapid.checks.
package seed

import (
	"flag"

	_ "pgregory.net/rapid" // registers the flag
)

func init() {
	if err := flag.Set("rapid.seed", "20261125"); err != nil {
		panic(err)
	}
}
