// Package stream is the JetStream edge: the durable inbox of received messages and the outgoing stream of what
// must be told. It runs its own server inside the process, or uses an outside server or cluster by URL; the code
// behind Put, Fetch and Send is the same for both. streamtest holds the suite that both pass, DESIGN.md the
// reasons.
//
// What does not live here: the record (SQL is the record, the stream is transport), the duplicate check (a unique
// key in SQL), retry limits and rejected messages (pipeline), and any reading of a message body.
package stream
