// Command capacity computes what so many sides a day need: cores, worker
// slots, machines, messages, store requests, bytes. It prints the tables that
// stand in deploy/capacity.md:
//
//	go run ./testdata/capacity
//
// and writes the sound on which the measured inputs were taken:
//
//	go run ./testdata/capacity mix 96000 FOLDER
//
// The entry point is plan. Every input is a named field of inputs; change them
// in inputs.go and print anew. A test holds the document against this program.
package main
