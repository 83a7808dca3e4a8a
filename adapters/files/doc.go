// Package files is the edge of folders: resources read from folders, JSON and NDJSON files, and registry months
// written as folders and read back. It decides nothing about rows; package registry does.
//
// A month is a folder: rows and rejects as NDJSON and CSV, the schema of a row, and datapackage.json, a Data
// Package (version 2) descriptor that is the manifest. That standard was chosen because one small JSON file carries
// what a registry needs at once: types of the columns, SHA-256 and size of each file, and room for our own terms.
// The same store, rules and key give the same bytes every time: sorted rows, fixed columns, LF, UTF-8, no clock.
package files
