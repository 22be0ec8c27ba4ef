// Package flac reads FLAC files through the decoder of github.com/mewkiz/flac.
//
// Entry point: Open, or New for an open file; the Reader is an audio.Source.
// Around the library stands a guard: metadata are stepped over and never
// parsed except STREAMINFO, every frame header is checked against STREAMINFO
// before the library allocates for it, frames must follow each other without
// a gap, and the MD5 sum of STREAMINFO is checked before the last samples are
// handed out. It writes nothing.
//
// Source: RFC 9639 (FLAC).
package flac
