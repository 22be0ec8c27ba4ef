package groove

import "fmt"

// Tracer traces one wall as a stream: wall displacement in, what a tip would
// deliver out, at the same sample rate, with a groove speed that may change
// from block to block as the radius shrinks.
//
// Inside, the wall is oversampled to about 350-380 kHz (half-band filters, 112
// dB), its slope taken by the nine-point central difference, the traced curve
// formed as in TraceOffset, and filtered back, so that harmonics above half the
// sample rate do not fold. For content up to 20 kHz the traced curve is within
// 0.1 % of the exact one; what lies between 0.458 and 0.5 of the sample rate
// passes the filters only in part. Memory and cost per sample are constant.
//
// A Tracer is used by one goroutine and does not allocate after NewTracer.
type Tracer struct {
	rateHz   float64
	factor   int
	minSpeed float64
	up       []*doubler
	down     []*halver
	wall     []float64 // at the inner rate, behind the samples the difference still needs
	envelope *offsetEnvelope
	delay    int
	wide     []float64
	spare    []float64
}

const (
	tracerChunk   = 256    // input frames worked on at once
	tracerRateHz  = 340000 // least inner rate: 17 samples per cycle at 20 kHz
	slopeReach    = 4      // samples either way of the central difference
	firstHalfband = 48     // passes up to 0.458 of the sample rate
	laterHalfband = 8      // must be a multiple of half the greatest factor
)

// NewTracer makes a tracer for a tip radius in um (spherical, or the side
// radius of a bi-radial tip), a sample rate of 22050 to 192000 Hz and groove
// speeds of at least minSpeedMS, e.g. that at the disc's InnerHardMM.
func NewTracer(tipUM float64, sampleRateHz int, minSpeedMS float64) (*Tracer, error) {
	if sampleRateHz < 22050 || sampleRateHz > 192000 {
		return nil, fmt.Errorf("tracing: sample rate %d Hz is outside 22050 to 192000", sampleRateHz)
	}
	if !finite(tipUM) || tipUM <= 0 || tipUM > 1000 {
		return nil, fmt.Errorf("tracing: tip radius %g um is not between 0 and 1000", tipUM)
	}
	if !finite(minSpeedMS) || minSpeedMS < 0.01 {
		return nil, fmt.Errorf("tracing: least groove speed %g m/s is below 0.01", minSpeedMS)
	}
	t := &Tracer{rateHz: float64(sampleRateHz), factor: 1, minSpeed: minSpeedMS}
	for m := firstHalfband; t.factor*sampleRateHz < tracerRateHz; m = laterHalfband {
		t.up = append(t.up, newDoubler(m, tracerChunk*t.factor))
		t.down = append(t.down, newHalver(m, tracerChunk*t.factor))
		// Both filters of a stage delay by m samples of its lower rate.
		t.delay += 2 * m / t.factor
		t.factor *= 2
	}
	wideRate := t.rateHz * float64(t.factor)
	// Rounded up so that the whole delay is whole frames and the way back
	// keeps the samples the way there began with.
	t.envelope = newOffsetEnvelope(tipUM, minSpeedMS*1e6/wideRate, func(least int) int {
		whole := (least + slopeReach + t.factor - 1) / t.factor * t.factor
		return whole - slopeReach
	})
	t.delay += (t.envelope.delay + slopeReach) / t.factor
	t.wall = make([]float64, 2*slopeReach+tracerChunk*t.factor)
	t.wide = make([]float64, tracerChunk*t.factor)
	t.spare = make([]float64, tracerChunk*t.factor)
	return t, nil
}

// Delay is the number of frames by which the output lags the input. Feed that
// many zeros at the end and drop as many frames at the beginning.
func (t *Tracer) Delay() int { return t.delay }

// Reset puts an unmodulated groove before the next block.
func (t *Tracer) Reset() {
	for i := range t.up {
		t.up[i].reset()
		t.down[i].reset()
	}
	clear(t.wall)
	t.envelope.reset()
}

// Process traces a block of wall displacement in um, positive towards the tip,
// at a groove speed in m/s that holds for the block. dst and src have one
// length and may be the same; it panics otherwise. The output depends on src
// and the speed of every frame only: blocks may be cut anywhere as long as each
// frame keeps its speed. A speed that is not finite or below the least is an
// error, and nothing is written.
func (t *Tracer) Process(dst, src []float64, speedMS float64) error {
	if len(dst) != len(src) {
		panic("groove: Tracer.Process: unequal lengths")
	}
	if !finite(speedMS) || speedMS < t.minSpeed {
		return fmt.Errorf("tracing: groove speed %g m/s is below the least of %g m/s the tracer was made for", speedMS, t.minSpeed)
	}
	step := speedMS * 1e6 / (t.rateHz * float64(t.factor))
	for len(src) > 0 {
		n := min(tracerChunk, len(src))
		t.chunk(dst[:n], src[:n], step)
		dst, src = dst[n:], src[n:]
	}
	return nil
}

func (t *Tracer) chunk(dst, src []float64, step float64) {
	wide, spare := t.wide, t.spare
	n := copy(wide, src)
	for _, up := range t.up {
		up.process(spare, wide[:n])
		wide, spare = spare, wide
		n *= 2
	}
	t.trace(wide[:n], step)
	for i := len(t.down) - 1; i >= 0; i-- {
		t.down[i].process(wide, wide[:n])
		n /= 2
	}
	copy(dst, wide[:n])
}

// trace works in place at the inner rate. The central difference is of order 8:
// at 20 kHz (17 samples per cycle) it errs by less than one part in a million.
func (t *Tracer) trace(x []float64, step float64) {
	const span = 2 * slopeReach
	copy(t.wall[span:], x)
	for i := range x {
		w := t.wall[i : i+span+1]
		slope := 4.0/5*(w[5]-w[3]) - 1.0/5*(w[6]-w[2]) + 4.0/105*(w[7]-w[1]) - 1.0/280*(w[8]-w[0])
		x[i] = t.envelope.push(w[slopeReach], slope, step)
	}
	copy(t.wall[:span], t.wall[len(x):len(x)+span])
}

// StereoTracer traces both walls of a groove and returns the channels a pickup
// would deliver: L' = T[L], R' = -T[-R], where T traces one wall. The right
// channel's wall moves against its signal (see SectionAt), so the even products
// of the two have opposite signs and lie in the side signal.
type StereoTracer struct {
	left, right *Tracer
}

// NewStereoTracer is NewTracer for both walls.
func NewStereoTracer(tipUM float64, sampleRateHz int, minSpeedMS float64) (*StereoTracer, error) {
	left, err := NewTracer(tipUM, sampleRateHz, minSpeedMS)
	if err != nil {
		return nil, err
	}
	right, err := NewTracer(tipUM, sampleRateHz, minSpeedMS)
	if err != nil {
		return nil, err
	}
	return &StereoTracer{left: left, right: right}, nil
}

// Delay is Tracer.Delay.
func (s *StereoTracer) Delay() int { return s.left.Delay() }

// Reset is Tracer.Reset on both walls.
func (s *StereoTracer) Reset() {
	s.left.Reset()
	s.right.Reset()
}

// Process overwrites channel displacements in um (in the sense of the signal,
// along the 45 degree axes) with what the tip would deliver; see
// Tracer.Process.
func (s *StereoTracer) Process(left, right []float64, speedMS float64) error {
	if len(left) != len(right) {
		panic("groove: StereoTracer.Process: unequal lengths")
	}
	if err := s.left.Process(left, left, speedMS); err != nil {
		return err
	}
	negate(right)
	err := s.right.Process(right, right, speedMS)
	negate(right)
	return err
}

func negate(x []float64) {
	for i, v := range x {
		x[i] = -v
	}
}
