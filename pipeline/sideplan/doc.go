// Package sideplan reads side plans and room files: what goes on one side of a
// disc, and how it should be cut.
//
// Entry points: Load reads a plan from disk with the room it names and checks
// that its tracks exist; Parse reads one in memory and touches no file.
// LoadRoom and ParseRoom do the same for a room. Both are strict: every fault
// of a file is returned at once as *spec.Error, with file, line, column and
// what to do.
//
// The package opens no audio and computes no groove.
package sideplan
