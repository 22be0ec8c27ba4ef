package dsp

import "math"

// HannWindow returns the periodic Hann window 0.5 - 0.5 cos(2 pi n / N), whose
// spectrum is the three bins 1/2, -1/4, -1/4: a sine spreads over at most four
// bins, and side lobes fall 18 dB per octave (Harris, "On the use of windows
// for harmonic analysis with the discrete Fourier transform", 1978).
func HannWindow(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
	}
	return w
}
