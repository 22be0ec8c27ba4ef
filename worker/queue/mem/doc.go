// Package mem is the queue in memory: for tests, for one process without a
// disk, and for faults that a real broker shows only on bad days. A Broker
// holds the messages, Open gives each worker its own queue on it.
//
// It imitates JetStream where JetStream is inconvenient: a late Done, Later or
// Drop of a superseded delivery is accepted, and Restart keeps deliveries in
// flight. It must not be more polite than the broker it stands for.
package mem
