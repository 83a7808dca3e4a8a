// Package storetest is the conformance suite of pipeline.Store: every database passes the same tests, and a
// property test compares it with a small model in memory.
//
// What does not live here: what only one database can get wrong (its own tests), and any choice of database.
package storetest
