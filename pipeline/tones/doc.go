// Package tones makes a test cut: a programme of tones that are safe for head
// and ears within stated limits, and the sheet of what the groove should then
// measure in a given room.
//
// Entry point: Plan lays the test out; File gives its wave file and the sheet as
// page, text and JSON. The list of expected readings in the sheet is what
// package roomfit compares with the microscope.
//
// Announcements are coded in International Morse code (ITU-R M.1677-1) by a
// tone, so that nobody's voice is needed and the test is the same on every
// machine.
//
// It asks package groove for every figure of the groove; it must not know the
// command line, side plans or how a room is fitted.
package tones
