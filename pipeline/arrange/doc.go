// Package arrange divides a release over the sides of a disc and, where the
// order is free, orders it: demanding treble outside, quiet passages inside.
//
// Load reads a release file (or Parse one in memory), Measure turns its tracks
// into pieces, Search finds the best arrangements, Confirm plans the best one
// as a side is planned for cutting, WritePlans writes it as side plans. Run does
// all of it for a job and writes a result folder.
//
// # What is best
//
// Compared in this order, one deciding only where all before it are equal:
//
//  1. least difference in cut level between sides, in tenths of a dB; with one
//     level for all sides this is 0 by definition
//  2. greatest cut level, of the side that has the lowest
//  3. least curvature ratio at the worst moment, before treatment, at those levels
//  4. the running order that is smallest as a list of track numbers
//
// The cut level of a side is the highest at which land, pitch, slope, curvature,
// rms acceleration and the caps of the plan hold, as package planner has it.
//
// # How it is found
//
// A track is measured once. What it asks for at each level and from each radius
// (planner.Profile) becomes a Piece: land, the least radius at which it may
// begin, time treated, curvature. A side then is a sum over its pieces, so an
// arrangement costs microseconds.
//
// With the order kept every division is weighed. With the order free on one or
// two sides, divisions are met in falling order of a bound on their level; for
// each the order is exact: a piece that must not begin further in than a radius
// is a job with a deadline, and the order that makes the worst of several
// growing costs least is Lawler's (Management Science 19, 1973, from memory);
// where places are fixed or the time treated is what binds, dynamic
// programming over subsets with both figures kept (Held and Karp 1962, from
// memory). Work is bounded by count, never by time, so a result does not depend
// on the machine; Result says whether it is proven best, and if not, how far
// from the bound it may lie. Larger releases take a local search.
//
// # What it must not know
//
// The command line and the network. It holds no physics and no rule of cutting.
package arrange
