// Package store holds what both databases share: the one time layout, the JSON encodings of statements,
// records and verdicts, the edges of the patient graph, the limits, and the questions that a check asks of a
// database. The SQL itself and the migrations live in store/sqlite and store/postgres, the conformance suite
// in store/storetest.
//
// What does not live here: any rule about patients or implants (mapping), the order of work (pipeline), and
// any open connection.
package store
