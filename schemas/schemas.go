// Package schemas holds the JSON Schemas (draft 2020-12) of everything that is stored, kept by a site or exported:
// the one place where such a shape is defined. Package adapters/checks compiles them.
package schemas

import "embed"

// FS holds the schema files at its root, *.schema.json.
//
//go:embed *.json
var FS embed.FS
