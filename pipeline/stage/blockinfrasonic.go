package stage

import (
	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

// InfrasonicFilter is block-infrasonic at work.
type InfrasonicFilter struct{ c cascade }

// NewBlockInfrasonic builds the high-pass: second order Butterworth for
// 12 dB/oct, fourth-order Linkwitz-Riley (twice that) for 24 dB/oct
// (Linkwitz, JAES 24, 1976).
func NewBlockInfrasonic(p BlockInfrasonicParams, rateHz int) *InfrasonicFilter {
	return &InfrasonicFilter{newCascade(dsp.HighPass(float64(rateHz), p.CutoffHz, p.SlopeDB/6))}
}

// Delay is zero.
func (f *InfrasonicFilter) Delay() int { return 0 }

// Reset clears the filter.
func (f *InfrasonicFilter) Reset() { f.c.reset() }

// Process filters both channels alike.
func (f *InfrasonicFilter) Process(b audio.Block) { f.c.process(b) }
