// Package pipeline is the order of work: receive, keep, read, decide, deliver, export. It declares the small
// interfaces that the edges satisfy and calls the core between them. A step is short, holds no clinical
// condition and writes through one transaction.
//
// What does not live here: any rule about implants (mapping), any SQL (store), any NATS call (stream), any HTTP.
package pipeline
