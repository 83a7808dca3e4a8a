package opnote

import "flag"

// The properties draw the same examples in every run, so that a run says something about the change and not about
// luck. For a search, give -rapid.seed and -rapid.checks.
func init() {
	if err := flag.Set("rapid.seed", "20261125"); err != nil {
		panic(err)
	}
}
