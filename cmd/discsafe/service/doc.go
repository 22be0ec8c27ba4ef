// Package service puts the parts of discsafe together as one running service:
// store, queue, ledger, worker, API, and what must happen beside them.
//
//	serve    all in one process: a folder as store, a broker inside
//	api      accepts, answers and looks after the records; workers elsewhere
//	worker   works on jobs; a small address for probes and metrics
//
//	what                                           where
//	options, and what is refused before starting   options.go, bind.go
//	store, queue                                   store.go, broker.go
//	gate, intake, routes, webhooks                 api.go
//	what the API stores: counted, crash points     seam.go
//	start, drain, close                            service.go
//	reconciling, sweeps, gauges                    loops.go
//	retention, the daily walk over all records     retain.go
//	workers that take jobs, or are drained         workers.go
//	readiness                                      ready.go
//	certificates read again when files change      certificate.go
//
// # Order of ending
//
// The first signal takes the service out of rotation (/readyz says 503) and
// stops intake; workers end what they have, or hand it back after the grace;
// streams end; then queue, broker and store close. Nothing burns an attempt.
//
// # Entry points
//
// Open, then Service.Serve. OpenStore alone for commands that work on a store.
//
// # What it must not know
//
// Flags, terminals, routes. It has no rules of its own about jobs or rights.
package service
