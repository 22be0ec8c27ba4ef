package dsp

import (
	"fmt"
	"math"
)

// Analogue parameters of the K-weighting of ITU-R BS.1770-5 Annex 1. The
// recommendation gives coefficients at 48 kHz only; these parameters, as used
// by open implementations, give that table back to 1e-12 and carry it to any
// rate by the bilinear transform with each corner pre-warped.
const (
	kShelfHz       = 1681.974450955533
	kShelfGainDB   = 3.999843853973347
	kShelfQ        = 0.7071752369554196
	kShelfExponent = 0.4996667741545416
	kHighPassHz    = 38.13547087602444
	kHighPassQ     = 0.5003270373238773
)

// Rates a loudness or true-peak meter accepts. Below 8 kHz the K-weighting
// shelf would sit at half the rate.
const (
	minMeterRateHz = 8000
	maxMeterRateHz = 1536000
)

func checkMeterRate(what string, rateHz int) error {
	if rateHz < minMeterRateHz || rateHz > maxMeterRateHz {
		return fmt.Errorf("%s at %d Hz: want a sampling rate from %d to %d Hz", what, rateHz, minMeterRateHz, maxMeterRateHz)
	}
	return nil
}

// KWeighting returns the two sections of the K-weighting filter at a sampling
// rate: the head shelf, then the high-pass, as in ITU-R BS.1770-5 Annex 1
// tables 1 and 2.
//
// The high-pass of the recommendation has the numerator 1, -2, 1, which is not
// normalised: it gives 0.043 dB above the corner at 48 kHz. The recommendation
// asks for the same response at other rates, so here the numerator is scaled
// to keep those 0.043 dB; left at 1, -2, 1, a programme at 192 kHz would read
// 0.032 LU low.
func KWeighting(rateHz float64) (shelf, highPass Biquad) {
	k := math.Tan(math.Pi * kShelfHz / rateHz)
	vh := math.Pow(10, kShelfGainDB/20)
	vb := math.Pow(vh, kShelfExponent)
	a0 := 1 + k/kShelfQ + k*k
	shelf = Biquad{
		B0: (vh + vb*k/kShelfQ + k*k) / a0,
		B1: 2 * (k*k - vh) / a0,
		B2: (vh - vb*k/kShelfQ + k*k) / a0,
		A1: 2 * (k*k - 1) / a0,
		A2: (1 - k/kShelfQ + k*k) / a0,
	}
	a1, a2 := kHighPassDenominator(rateHz)
	ref1, ref2 := kHighPassDenominator(48000)
	g := (1 - a1 + a2) / (1 - ref1 + ref2) // ratio of the gains at half the rate
	return shelf, Biquad{B0: g, B1: -2 * g, B2: g, A1: a1, A2: a2}
}

func kHighPassDenominator(rateHz float64) (a1, a2 float64) {
	k := math.Tan(math.Pi * kHighPassHz / rateHz)
	a0 := 1 + k/kHighPassQ + k*k
	return 2 * (k*k - 1) / a0, (1 - k/kHighPassQ + k*k) / a0
}

// kFilter is K-weighting of two channels and the sum of their squares. The
// gain of the high-pass is folded into the shelf, which leaves the high-pass
// the numerator 1, -2, 1.
type kFilter struct {
	b0, b1, b2, a1, a2 float64 // shelf, and gain of the high-pass
	c1, c2             float64 // high-pass denominator
	l, r               kState
}

func newKFilter(rateHz float64) kFilter {
	s, h := KWeighting(rateHz)
	return kFilter{b0: s.B0 * h.B0, b1: s.B1 * h.B0, b2: s.B2 * h.B0, a1: s.A1, a2: s.A2, c1: h.A1, c2: h.A2}
}

type kState struct{ s1, s2, t1, t2 float64 }

// addEnergy filters both channels and returns sum plus the K-weighted squares
// of every frame, added in frame order so that the result does not depend on
// how a programme is cut into calls. The four recursions run side by side:
// each waits for its own last output, so together they fill the pipeline.
func (k *kFilter) addEnergy(sum float64, l, r []float64) float64 {
	b0, b1, b2, a1, a2, c1, c2 := k.b0, k.b1, k.b2, k.a1, k.a2, k.c1, k.c2
	ls1, ls2, lt1, lt2 := k.l.s1, k.l.s2, k.l.t1, k.l.t2
	rs1, rs2, rt1, rt2 := k.r.s1, k.r.s2, k.r.t1, k.r.t2
	r = r[:len(l)]
	for i, x := range l {
		v := r[i]
		u := b0*x + ls1
		w := b0*v + rs1
		ls1 = (b1*x + ls2) - a1*u
		rs1 = (b1*v + rs2) - a1*w
		ls2 = b2*x - a2*u
		rs2 = b2*v - a2*w
		y := u + lt1
		z := w + rt1
		lt1 = (lt2 - (u + u)) - c1*y
		rt1 = (rt2 - (w + w)) - c1*z
		lt2 = u - c2*y
		rt2 = w - c2*z
		sum += y*y + z*z
	}
	k.l = kState{ls1, ls2, lt1, lt2}
	k.r = kState{rs1, rs2, rt1, rt2}
	return sum
}

// flushDenormals is called at fixed frames, never at block ends, so that
// results do not depend on the partition. Squares of what remains are far
// below the smallest normal float64 or far below -1,000 dB.
func (k *kFilter) flushDenormals() {
	for _, s := range []*kState{&k.l, &k.r} {
		s.s1, s.s2, s.t1, s.t2 = flush(s.s1), flush(s.s2), flush(s.t1), flush(s.t2)
	}
}
