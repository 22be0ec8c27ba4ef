// Package programme makes the sound the test battery runs on: hostile signals
// that a groove carries badly, programme that only resembles music, and the
// edge cases of a file (one frame, silence, every rate and sample form).
//
// The entry point is All. Every programme is described, seeded and computed
// sample by sample, so the same version writes the same bytes on every run and
// no sound needs to be kept in the repository.
//
// The package writes its own WAV files and knows nothing of discsafe's codecs,
// stages or groove: it must not share a fault with what it tests.
package programme
