// Package sqlite keeps the record in one SQLite file: pipeline.Store on modernc.org/sqlite, in WAL mode with
// full sync, one writing connection and several that can only read.
//
// What does not live here: the meaning of a row (store and the core), and any choice of what to keep.
package sqlite
