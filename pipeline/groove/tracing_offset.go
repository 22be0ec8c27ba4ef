package groove

import "math"

// offsetEnvelope turns a stream of wall samples with slopes into the traced
// curve on the same grid, through the offset curve instead of a search.
//
// Each wall sample gives one exact point of the offset curve, with its slope:
// parallel curves have parallel tangents. Between two successive points the
// curve is the cubic through both points and slopes. Up to the cusp the points
// advance along the groove and the curve is single valued. Beyond it the curve
// folds back for a while; the advancing pieces are the local maxima of the
// dilation's argument, the returning pieces its minima, so the greatest value
// of all advancing pieces at a place is the dilation. The chain of points is
// continuous, so every place is covered.
//
// Places are counted in samples. A point lies less than R/step from its sample,
// which bounds both the ring and the delay.
type offsetEnvelope struct {
	tip   float64
	delay int // samples from a wall sample to the traced sample of its place
	ring  []float64
	at    int // place of the next wall sample, in the ring

	place, height, slope float64 // previous point, its place relative to its own sample
}

// newOffsetEnvelope is for a tip in um and a step between samples of at least
// leastStep um.
func newOffsetEnvelope(tip, leastStep float64, minDelay func(least int) int) *offsetEnvelope {
	reach := int(tip/leastStep) + 1
	delay := minDelay(reach)
	size := 1
	for size < delay+reach+3 {
		size *= 2
	}
	e := &offsetEnvelope{tip: tip, delay: delay, ring: make([]float64, size)}
	e.reset()
	return e
}

// reset puts an unmodulated groove before the next sample.
func (e *offsetEnvelope) reset() {
	for i := range e.ring {
		e.ring[i] = math.Inf(-1)
	}
	for i := 1; i <= e.delay; i++ {
		e.ring[len(e.ring)-i] = 0
	}
	e.at, e.place, e.height, e.slope = 0, 0, 0, 0
}

// push takes one wall sample (um), its difference per sample (um) and the step
// (um), and returns the traced height delay samples earlier.
func (e *offsetEnvelope) push(f, perSample, step float64) float64 {
	mask := len(e.ring) - 1
	shift, drop := offsetPoint(perSample/step, e.tip)
	to, height := -shift/step, f+drop
	from := e.place - 1
	if length := to - from; length > 0 {
		first := math.Ceil(from)
		for place := first; place < to; place++ {
			t := (place - from) / length
			v := hermite(t, length, e.height, e.slope, height, perSample)
			slot := &e.ring[(e.at+int(place)+len(e.ring))&mask]
			if v > *slot {
				*slot = v
			}
		}
	}
	e.place, e.height, e.slope = to, height, perSample
	slot := &e.ring[(e.at-e.delay+len(e.ring))&mask]
	out := *slot
	*slot = math.Inf(-1)
	e.at = (e.at + 1) & mask
	return out
}

// hermite is the cubic with values p0, p1 and slopes m0, m1 at the ends of an
// interval of the given length, at fraction t.
func hermite(t, length, p0, m0, p1, m1 float64) float64 {
	s := 1 - t
	return s*s*((1+2*t)*p0+t*length*m0) + t*t*((3-2*t)*p1-s*length*m1)
}

// TraceOffset writes to dst what a tip of radius tipUM traces of the wall src,
// as Dilate does, from the wall's slope at every sample (um per um) instead of
// by search. It is exact at the points of the offset curve, cubic between them,
// and costs the same whatever the radius. The wall is held flat outside src.
// dst, src and slope have one length; dst may be src. It panics on unequal
// lengths and on a step or tip that is not above zero.
func TraceOffset(dst, src, slope []float64, stepUM, tipUM float64) {
	if len(dst) != len(src) || len(slope) != len(src) {
		panic("groove: TraceOffset: unequal lengths")
	}
	if !(stepUM > 0) || !(tipUM > 0) {
		panic("groove: TraceOffset: step and tip must be above zero")
	}
	if len(src) == 0 {
		return
	}
	e := newOffsetEnvelope(tipUM, stepUM, func(least int) int { return least })
	n, last := len(src), src[len(src)-1]
	for range 2*e.delay + 2 { // a flat lead-in, until nothing of the reset state is in reach
		e.push(src[0], 0, stepUM)
	}
	for i := range n + e.delay {
		f, s := last, 0.0
		if i < n {
			f, s = src[i], slope[i]
		}
		if v := e.push(f, s*stepUM, stepUM); i >= e.delay {
			dst[i-e.delay] = v
		}
	}
}
