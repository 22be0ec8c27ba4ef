package dsp

import (
	"math"
	"math/cmplx"
)

// Biquad is a second-order section, a0 = 1:
//
//	H(z) = (B0 + B1 z^-1 + B2 z^-2) / (1 + A1 z^-1 + A2 z^-2)
type Biquad struct {
	B0, B1, B2, A1, A2 float64
}

// BiquadState is the memory of one channel of a transposed direct form II
// section.
type BiquadState struct {
	s1, s2 float64
	n      int // samples since memories were last looked at for decay
}

// flushFrames is how many samples apart memories are looked at for decay. The
// places are counted in samples processed, not in calls, so that results do
// not depend on how a signal is cut into blocks.
const flushFrames = 256

// decayed is 600 dB below full scale. A memory that small cannot be told from
// silence, and left alone it would keep digital silence from returning to zero
// and fall at last into the denormal range, where some processors are slow.
const decayed = 1e-30

// Reset clears the memory.
func (s *BiquadState) Reset() { *s = BiquadState{} }

// Process filters x in place.
func (q *Biquad) Process(s *BiquadState, x []float64) {
	for len(x) > 0 {
		n := min(len(x), flushFrames-s.n)
		q.run(s, x[:n])
		s.settle(n)
		x = x[n:]
	}
}

// settle counts n processed samples and lets go of decayed memories.
func (s *BiquadState) settle(n int) {
	s.n += n
	if s.n == flushFrames {
		s.n = 0
		if math.Abs(s.s1) < decayed {
			s.s1 = 0
		}
		if math.Abs(s.s2) < decayed {
			s.s2 = 0
		}
	}
}

func (q *Biquad) run(s *BiquadState, x []float64) {
	s1, s2 := s.s1, s.s2
	b0, b1, b2, a1, a2 := q.B0, q.B1, q.B2, q.A1, q.A2
	for i, v := range x {
		y := b0*v + s1
		s1 = b1*v - a1*y + s2
		s2 = b2*v - a2*y
		x[i] = y
	}
	s.s1, s.s2 = s1, s2
}

// flush keeps decaying memories out of the denormal range, where some
// processors are slow.
func flush(v float64) float64 {
	if math.Abs(v) < 1e-200 {
		return 0
	}
	return v
}

// Response is the complex response at hz.
func (q *Biquad) Response(rateHz, hz float64) complex128 {
	z1 := cmplx.Exp(complex(0, -2*math.Pi*hz/rateHz))
	return (complex(q.B0, 0) + complex(q.B1, 0)*z1 + complex(q.B2, 0)*z1*z1) /
		(1 + complex(q.A1, 0)*z1 + complex(q.A2, 0)*z1*z1)
}

// Bilinear maps the analogue section
//
//	H(s) = (n0 + n1 s + n2 s^2) / (d0 + d1 s + d2 s^2)
//
// to the digital one with s = k (1-z^-1)/(1+z^-1). k = 2*rate keeps low
// frequencies; k = w0/tan(w0/(2*rate)) makes w0 exact (pre-warping).
func Bilinear(n0, n1, n2, d0, d1, d2, k float64) Biquad {
	if n2 == 0 && d2 == 0 { // first order: keep the common factor 1+z^-1 out
		a0 := d0 + d1*k
		return Biquad{B0: (n0 + n1*k) / a0, B1: (n0 - n1*k) / a0, A1: (d0 - d1*k) / a0}
	}
	a0 := d0 + d1*k + d2*k*k
	return Biquad{
		B0: (n0 + n1*k + n2*k*k) / a0,
		B1: 2 * (n0 - n2*k*k) / a0,
		B2: (n0 - n1*k + n2*k*k) / a0,
		A1: 2 * (d0 - d2*k*k) / a0,
		A2: (d0 - d1*k + d2*k*k) / a0,
	}
}

// prewarp gives k for Bilinear so that hz is mapped exactly.
func prewarp(rateHz, hz float64) float64 {
	w := 2 * math.Pi * hz
	return w / math.Tan(w/(2*rateHz))
}

// HighPass designs sections of a high-pass at hz, exact at hz:
// order 1 and 2 are Butterworth (-3.01 dB at hz), order 4 is Linkwitz-Riley,
// two equal second-order Butterworth sections (-6.02 dB at hz; Linkwitz, JAES
// 24, 1976).
func HighPass(rateHz, hz float64, order int) []Biquad {
	w, k := 2*math.Pi*hz, prewarp(rateHz, hz)
	b2 := Bilinear(0, 0, 1, w*w, math.Sqrt2*w, 1, k)
	switch order {
	case 1:
		return []Biquad{Bilinear(0, 1, 0, w, 1, 0, k)}
	case 2:
		return []Biquad{b2}
	default:
		return []Biquad{b2, b2}
	}
}

// CriticalHighPass is two equal first-order sections, -6.02 dB at hz, 12 dB per
// octave: the second-order Linkwitz-Riley high-pass. Its phase is that of
// AllPass1.
func CriticalHighPass(rateHz, hz float64) []Biquad {
	w, k := 2*math.Pi*hz, prewarp(rateHz, hz)
	return []Biquad{Bilinear(0, 0, 1, w*w, 2*w, 1, k)}
}

// AllPass1 is (s-w)/(s+w): the phase of CriticalHighPass.
func AllPass1(rateHz, hz float64) Biquad {
	w, k := 2*math.Pi*hz, prewarp(rateHz, hz)
	return Bilinear(-w, 1, 0, w, 1, 0, k)
}

// AllPass2 is the second-order all-pass whose phase is that of the
// fourth-order Linkwitz-Riley high-pass.
func AllPass2(rateHz, hz float64) Biquad {
	w, k := 2*math.Pi*hz, prewarp(rateHz, hz)
	return Bilinear(w*w, -math.Sqrt2*w, 1, w*w, math.Sqrt2*w, 1, k)
}

// ProcessPair filters two channels in place, side by side so that the
// latencies of their recursions overlap. The two states must have been used
// together from the start.
func (q *Biquad) ProcessPair(sl, sr *BiquadState, l, r []float64) {
	r = r[:len(l)]
	for len(l) > 0 {
		n := min(len(l), flushFrames-sl.n)
		q.runPair(sl, sr, l[:n], r[:n])
		sl.settle(n)
		sr.settle(n)
		l, r = l[n:], r[n:]
	}
}

func (q *Biquad) runPair(sl, sr *BiquadState, l, r []float64) {
	l1, l2, r1, r2 := sl.s1, sl.s2, sr.s1, sr.s2
	b0, b1, b2, a1, a2 := q.B0, q.B1, q.B2, q.A1, q.A2
	r = r[:len(l)]
	for i, x := range l {
		y := r[i]
		u := b0*x + l1
		v := b0*y + r1
		l1 = b1*x - a1*u + l2
		r1 = b1*y - a1*v + r2
		l2 = b2*x - a2*u
		r2 = b2*y - a2*v
		l[i] = u
		r[i] = v
	}
	sl.s1, sl.s2, sr.s1, sr.s2 = l1, l2, r1, r2
}
