package groove

import (
	"math"

	"discsafe/pipeline/dsp"
	"discsafe/pipeline/dsp/kernel"
)

// Time constants of the recording characteristic (IEC 60098).
const (
	tau1 = 3180e-6
	tau2 = 318e-6
	tau3 = 75e-6
)

// predictorFloorHz is the corner of the second-order Butterworth high-pass
// inside the displacement predictor. Displacement is the integral of velocity;
// without a floor, DC in a file would give unbounded motion. At 20 Hz it costs
// 0.00003 dB; no lathe is claimed to have it.
const predictorFloorHz = 1

// displacer computes displacement of a stereo pair from samples:
//
//	D(s)/G = (1+s T1)(1+s T3)/(1+s T2) * s/(s^2 + sqrt2 w0 s + w0^2)
//	       = C + B/(s+1/T2) + (alpha s + beta)/(s^2 + sqrt2 w0 s + w0^2)
//
// Each term by the bilinear transform. Displacement is flat at high
// frequencies, where the direct term C = T1 T3/T2 dominates, so the transform
// costs less than 0.03 dB below 20 kHz at 88.2 kHz, where on velocity it would
// cost decibels.
type displacer struct {
	c          float64 // direct term
	p0, pa     float64 // one-pole: y = p0 (x+x1) - pa y1
	q          dsp.Biquad
	s          kernel.PairState
	micrometre float64
}

// newDisplacer makes a predictor at rateHz whose output is in um for a
// channel scale of v1k metres per second at 1 kHz for a full-scale sine.
func newDisplacer(rateHz, v1k float64) *displacer {
	const a = 1 / tau2
	w0 := 2 * math.Pi * predictorFloorHz
	c := tau1 * tau3 / tau2
	qa := a*a - math.Sqrt2*w0*a + w0*w0
	b := (1 - a*tau1) * (1 - a*tau3) * (-a) / (tau2 * qa)
	lead := (tau1+tau3)/tau2 - tau1*tau3*(1+math.Sqrt2*w0*tau2)/(tau2*tau2)
	alpha, beta := lead-b, -w0*w0*(c+b/a)
	k := 2 * rateHz
	w1k := 2 * math.Pi * 1000
	unit := v1k / math.Hypot(1, w1k*tau1) / math.Hypot(1, w1k*tau3) * math.Hypot(1, w1k*tau2)
	d := &displacer{c: c, p0: b / (k + a), pa: (a - k) / (k + a), micrometre: unit * 1e6}
	d.q = dsp.Bilinear(beta, alpha, 0, w0*w0, math.Sqrt2*w0, 1, k)
	d.c *= d.micrometre
	d.p0 *= d.micrometre
	d.q.B0 *= d.micrometre
	d.q.B1 *= d.micrometre
	d.q.B2 *= d.micrometre
	return d
}

func (d *displacer) reset() {
	d.s = kernel.PairState{}
}

// process writes displacement in um of both channels, side by side so that the
// latencies of their recursions overlap.
func (d *displacer) process(dl, dr, l, r []float64) {
	// Transposed direct form II with the output substituted into the state, so
	// that one multiply and one subtraction are all a sample waits for.
	b0, a1, a2 := d.q.B0, d.q.A1, d.q.A2
	t := kernel.PairTaps{E: d.c + b0, P0: d.p0, PA: d.pa, K1: d.q.B1 - a1*b0, K2: d.q.B2 - a2*b0, A1: a1, A2: a2}
	kernel.Pair(dl, dr, l, r, &t, &d.s)
	for c := range 2 {
		d.s.Y1[c], d.s.Q1[c], d.s.Q2[c] = tiny(d.s.Y1[c]), tiny(d.s.Q1[c]), tiny(d.s.Q2[c])
	}
}

func tiny(v float64) float64 {
	if math.Abs(v) < 1e-200 {
		return 0
	}
	return v
}

// Restorer turns displacement in um back into samples: the exact inverse of
// the displacement response without its floor,
//
//	X(s) = s (1+s T2) / (G (1+s T1)(1+s T3)),
//
// by the same bilinear transform, so the pair cancels to rounding. T1, T2 and T3
// are 3180, 318 and 75 us (IEC 60098), G is that of the displacement. It is
// stable; its memory dies away with 3180 us.
type Restorer struct {
	q dsp.Biquad
	s dsp.BiquadState
}

// NewRestorer makes the inverse for one channel at rateHz and a channel scale
// of v1k metres per second at 1 kHz for a full-scale sine.
func NewRestorer(rateHz, v1k float64) *Restorer {
	u := newDisplacer(rateHz, v1k).micrometre
	return &Restorer{q: dsp.Bilinear(0, 1/u, tau2/u, 1, tau1+tau3, tau1*tau3, 2*rateHz)}
}

// Reset clears the memory.
func (r *Restorer) Reset() { r.s.Reset() }

// Process turns x from um into samples in place.
func (r *Restorer) Process(x []float64) { r.q.Process(&r.s, x) }

// SideDisplacement tracks displacement of one signal, for stages that work on
// vertical motion alone.
type SideDisplacement struct {
	d *displacer
}

// NewSideDisplacement makes a one-channel displacement predictor at rateHz and a
// scale of v1k metres per second at 1 kHz for a full-scale sine.
func NewSideDisplacement(rateHz, v1k float64) *SideDisplacement {
	return &SideDisplacement{d: newDisplacer(rateHz, v1k)}
}

// Reset clears the memory.
func (s *SideDisplacement) Reset() { s.d.reset() }

// Process writes displacement in um of x to dst.
func (s *SideDisplacement) Process(dst, x []float64) {
	d := s.d
	c, p0, pa := d.c, d.p0, d.pa
	b0, a1, a2 := d.q.B0, d.q.A1, d.q.A2
	k1, k2 := d.q.B1-a1*b0, d.q.B2-a2*b0
	e := c + b0
	x1, y1, q1, q2 := d.s.X1[0], d.s.Y1[0], d.s.Q1[0], d.s.Q2[0]
	for i, v := range x {
		y1 = p0*(v+x1) - pa*y1
		x1 = v
		dst[i] = (e*v + y1) + q1
		m := k1*v + q2
		q2 = k2*v - a2*q1
		q1 = m - a1*q1
	}
	d.s.X1[0], d.s.Y1[0], d.s.Q1[0], d.s.Q2[0] = x1, tiny(y1), tiny(q1), tiny(q2)
}
