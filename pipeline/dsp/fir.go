package dsp

import (
	"fmt"
	"math"
)

// besselI0 is the zeroth-order modified Bessel function of the first kind, by
// its power series (Abramowitz and Stegun 9.6.12).
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	q := x * x / 4
	for k := 1; k < 200; k++ {
		term *= q / float64(k*k)
		sum += term
		if term < sum*1e-17 {
			break
		}
	}
	return sum
}

// KaiserBeta gives the window shape for a stop-band attenuation in dB (Kaiser,
// "Nonrecursive digital filter design using the I0-sinh window function",
// 1974).
func KaiserBeta(attenuationDB float64) float64 {
	switch a := attenuationDB; {
	case a > 50:
		return 0.1102 * (a - 8.7)
	case a >= 21:
		return 0.5842*math.Pow(a-21, 0.4) + 0.07886*(a-21)
	default:
		return 0
	}
}

// KaiserTaps estimates the odd tap count for an attenuation in dB and a
// transition width as a fraction of the sampling rate (Kaiser 1974).
func KaiserTaps(attenuationDB, transition float64) int {
	n := int(math.Ceil((attenuationDB-7.95)/(14.36*transition))) + 1
	return n | 1
}

// LowPass designs a linear-phase low-pass by the Kaiser window method.
// PassHz is the last frequency passed, StopHz the first stopped. StopHz may lie
// up to a fifth above half of rateHz: then what lies between half of rateHz and
// its image is passed in part. The taps are symmetric, odd in number and sum to
// 1; the delay is (len-1)/2 frames.
func LowPass(rateHz, passHz, stopHz, attenuationDB float64) ([]float64, error) {
	if !(passHz > 0 && stopHz > passHz && stopHz <= rateHz/2*1.2) {
		return nil, fmt.Errorf("low-pass design: pass %g Hz, stop %g Hz impossible at %g Hz", passHz, stopHz, rateHz)
	}
	n := KaiserTaps(attenuationDB, (stopHz-passHz)/rateHz)
	fc := (passHz + stopHz) / 2 / rateHz
	return windowedSinc(n, fc, KaiserBeta(attenuationDB)), nil
}

func windowedSinc(n int, fc, beta float64) []float64 {
	h := make([]float64, n)
	mid := float64(n-1) / 2
	norm := besselI0(beta)
	sum := 0.0
	for i := range h {
		t := float64(i) - mid
		s := 2 * fc
		if t != 0 {
			s = math.Sin(2*math.Pi*fc*t) / (math.Pi * t)
		}
		r := t / (mid + 1)
		h[i] = s * besselI0(beta*math.Sqrt(math.Max(0, 1-r*r))) / norm
		sum += h[i]
	}
	for i := range h {
		h[i] /= sum
	}
	return h
}

// Response evaluates a FIR's magnitude at hz.
func Response(taps []float64, rateHz, hz float64) float64 {
	var re, im float64
	for k, c := range taps {
		s, co := math.Sincos(2 * math.Pi * hz / rateHz * float64(k))
		re += c * co
		im -= c * s
	}
	return math.Hypot(re, im)
}
