// Package simtest runs the ingest, commit and deliver protocol of pipeline.Service in a deterministic simulation:
// one seed decides every crash, copy, change of order, clock jump and failed delivery, so that a fault of ordering is
// found by a seed and can be run again by it. The ports are in memory and fail as the contracts in ports.go allow;
// the service, its reader and the clinical core are the real ones. PROTOCOL.md beside ports.go says what is checked.
//
//	go test ./adapters/pipeline/simtest                      # the seeds of the check
//	go test ./adapters/pipeline/simtest -sim.seeds=20000     # more of them
//	go test ./adapters/pipeline/simtest -sim.seed=17 -v      # one of them, step by step
//
// There is nothing in it but tests.
package simtest
