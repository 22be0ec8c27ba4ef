// Package timeline keeps curves over a whole side so that any stretch of it can
// be drawn at once, from the whole side down to single revolutions, and no peak
// is lost at any zoom.
//
// A Strip collects one curve, a least and a greatest value for each sector (one
// degree of revolution), in a temporary file. Write joins strips into the file
// timeline.bin; Open and File.Window read it.
//
// # The file
//
//	8 bytes       magic "dstl\x01\r\n\n"
//	4 bytes       length of the head, little-endian
//	head          JSON: Head
//	to 8 bytes    zeros, so that data begin at a multiple of 8
//	for each lane, in the order of the head:
//	    level 0   pairs of int16, little-endian: least and greatest of a sector;
//	              in a lane called single, one int16
//	    level 1   the same of four sectors
//	    ...       each level a quarter of the one below, the last one pair
//
// A value is the integer times the lane's scale; least values are rounded down,
// greatest up, single ones to the side that is held against a limit; -32768 means that there is no value. Values beyond the range of a
// lane are held at its end.
//
// The package knows nothing of sound or grooves, and imports nothing of the
// module.
package timeline
