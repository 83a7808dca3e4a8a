// Package postgres keeps the record in PostgreSQL: pipeline.Store on pgx, for several nodes that share one
// database.
//
// # One writer at a time
//
// Every Update holds one advisory lock of the database until it ends. That is the simplest rule that is right:
//
//   - A patient's record rests on statements about other keys (a Device that names no patient, a Patient that
//     shares an identifier), and asks about devices that another patient's record has too, so two updates that
//     touch different rows may still be of one patient. Locks on
//     patient keys would have to be found before they can be taken, and would deadlock when a cluster grows;
//     serializable isolation aborts most of two batches that share a page.
//   - Outgoing messages get their numbers in commit order, so those of one referral leave in that order.
//   - Nothing is ever tried again because of a neighbour, and an update sees all that earlier ones committed.
//
// The price is that commits do not overlap. Two connections with batches of 50 carried 1.2 times what one with
// batches of 500 did on the machine measured; reading and decoding, which take most of the time, overlap fully.
// A node that hangs in a transaction is cut off by the server (Options.IdleTimeout), which frees the lock.
//
// What does not live here: the meaning of a row (store and the core), and any choice of what to keep.
package postgres
