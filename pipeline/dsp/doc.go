// Package dsp holds pure signal kernels on planar float64: filters, transforms,
// dither, and the measurements of loudness, true peak and spectrum.
//
// A kernel is made by a constructor that refuses impossible values, is fed
// blocks of any size, keeps its own state, allocates nothing while it works and
// gives the same bits however a programme is cut into blocks. One goroutine
// uses one kernel. The package depends on the standard library only and knows
// nothing of files, grooves, stages or reports.
//
// Start with Loudness, TruePeak and Spectrum for measuring, FFT, Biquad and
// LowPass for treating.
package dsp
