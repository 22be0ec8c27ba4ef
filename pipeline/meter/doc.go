// Package meter measures a finished stereo programme: loudness, true peak,
// level, stereo image, spectrum and clipping, in one pass and in constant time
// per frame. The same meter looks at the mix before and at the written
// premaster after treatment, so that the two readings can be compared.
//
// Entry point: New, then Meter.Add for every block, then Meter.Result. A value
// that does not exist, because the programme is silent or too short, is nil
// and has its reason in Reading.Unavailable; it is never a number.
//
// Results do not depend on the size of the blocks, bit for bit. Memory is a
// fixed 0.5 MB and 8 bytes per 100 ms of programme.
//
// The package knows nothing of grooves, stages or files.
package meter
