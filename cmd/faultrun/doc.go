// Command faultrun breaks a running service on purpose and checks that nothing
// is lost, doubled or wrong.
//
//	go run ./cmd/faultrun                        every suite but the last two, with the counts of a change
//	go run ./cmd/faultrun --scale 10             ten times those counts
//	go run ./cmd/faultrun --suite steps,freeze   some suites
//	go run ./cmd/faultrun --seed 7               the draws of an earlier run
//	go run ./cmd/faultrun cluster                three brokers, an object store, two APIs, three workers
//	go run ./cmd/faultrun --for 1h soak          nothing broken, 70 % load: memory, goroutines, descriptors
//
// It builds discsafe with the fault points in (-tags faultpoints), the NATS
// server this module uses, and for the cluster an S3 gateway; starts them as
// real processes on loopback; submits short sides that it makes itself; draws
// faults from the printed seed; heals, drains, and holds what it finds against
// the invariants I1 to I7 of package lab. Exit code 0: all held. 1: some did
// not, or a suite could not be carried out. It ends only what it started and
// removes its folders and mounts, also when it is interrupted; --keep leaves
// the folders of suites that failed.
//
// Same seed, same draws; when they fall depends on the machine, so a run is
// repeated in kind, not to the microsecond. The history, JSON lines, tells what
// was done when.
//
// It needs Linux, and root for the small file systems of disk-full.
//
//	lab     a service of real processes, and the judge
//	proc    processes, mounts, builds
//	proxy   a network that misbehaves
//	clip    sound and plans
//	trend   how fast something rises, and how sure that is
package main
