// Package scenario holds what the sites of the invented network keep: labelling and scanners.
package scenario

import _ "embed"

// Labelling is an invented labelling file, Scanners an invented scanner file; both are JSON.
var (
	//go:embed labelling.json
	Labelling []byte
	//go:embed scanners.json
	Scanners []byte
)
