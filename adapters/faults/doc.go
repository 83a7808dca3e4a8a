// Package faults holds tests that break one thing at a time around the real parts of the service: the radiology
// endpoint, the network between a node and its broker, its database and that endpoint, the HTTP door, the SQLite store
// and its disk, a message that cannot be stored, floods. Each is bounded in time and adds a line to the table that is
// printed at the end of the run:
//
//	go test -v ./adapters/faults
//
// There is nothing in it but tests. Crashes of whole processes are tested in cmd/gaussline, stream and store; orders of
// events in pipeline/simtest.
package faults
