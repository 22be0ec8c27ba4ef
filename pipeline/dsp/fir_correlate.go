package dsp

import "discsafe/pipeline/dsp/kernel"

// Correlate writes dst[i] = sum over k of taps[k]*x[i+k]. len(x) must be at
// least len(dst)+len(taps)-1. For symmetric taps this is convolution. The sum
// runs in tap order for every output, so results do not depend on how a signal
// is cut into calls.
func Correlate(dst, x, taps []float64) { kernel.Correlate(dst, x, taps) }

// CorrelateStride2 writes dst[i] = sum over k of taps[k]*x[2*i+k]: a FIR that
// keeps every second output. len(x) must be at least 2*(len(dst)-1)+len(taps).
// The sum runs in tap order for every output.
func CorrelateStride2(dst, x, taps []float64) {
	n, m := len(dst), len(taps)
	i := 0
	for ; i+4 <= n; i += 4 {
		var a0, a1, a2, a3 float64
		w := x[2*i : 2*i+m+6]
		w0, w1, w2, w3 := w[:m], w[2:][:m], w[4:][:m], w[6:][:m]
		for k, c := range taps {
			a0 += c * w0[k]
			a1 += c * w1[k]
			a2 += c * w2[k]
			a3 += c * w3[k]
		}
		d := dst[i : i+4 : i+4]
		d[0], d[1], d[2], d[3] = a0, a1, a2, a3
	}
	for ; i < n; i++ {
		dst[i] = dot(x[2*i:], taps)
	}
}

// dot is the sum of taps[k]*x[k] in tap order.
func dot(x, taps []float64) float64 {
	var a float64
	x = x[:len(taps)]
	for k, c := range taps {
		a += c * x[k]
	}
	return a
}
