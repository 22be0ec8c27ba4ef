// Package wav reads and writes WAVE files: RIFF, and RF64 or BW64 beyond 4 GiB,
// with Broadcast Wave metadata (bext version 2) and cue points.
//
// Entry points: Open or New for a Reader (an audio.Source), Create for a
// Writer, PatchLoudness to complete a written file, WriteExcerpt for short
// previews.
//
// Reading has three layers. The guard walks the chunk headers of an untrusted
// file, checks every size against the real length of the file and reads
// nothing else. A sanitised copy of the small chunks goes to the decoder of
// github.com/go-audio/wav, which says what format the file has and what its
// metadata hold. Samples are converted by our own loops (package pcm), because
// that decoder takes float, RF64 and unfinished files for something else
// without an error.
//
// The package reads no clock: dates written into a file are parameters.
//
// Sources: Multimedia Programming Interface and Data Specifications 1.0 (RIFF,
// WAVE, cue, adtl; 1991); WAVE_FORMAT_EXTENSIBLE (Microsoft); EBU Tech 3285 v2
// (bext); EBU Tech 3306 (RF64); ITU-R BS.2088 (BW64).
package wav
