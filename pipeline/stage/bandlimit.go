package stage

import (
	"fmt"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

// BandFilter is band-limit at work: a linear-phase low-pass, flat to the
// cutoff, 80 dB down a quarter above it or at half the sampling rate, whichever is
// lower.
type BandFilter struct {
	taps   []float64
	l, r   []float64
	n      int
	yl, yr []float64
}

const bandBlock = 1024

// stopOverCutoff is where the stop band begins.
const stopOverCutoff = 1.25

// NewBandLimit builds the low-pass, or returns an error where the rate leaves
// no room above the cutoff.
func NewBandLimit(p BandLimitParams, rateHz int) (*BandFilter, error) {
	nyquist := float64(rateHz) / 2
	stop := p.CutoffHz * stopOverCutoff
	if stop > nyquist {
		stop = nyquist
	}
	if stop < p.CutoffHz*1.04 {
		return nil, fmt.Errorf("band-limit: cutoff_hz %g leaves no room below half the sampling rate, %g Hz; lower it or leave the stage out", p.CutoffHz, nyquist)
	}
	taps, err := dsp.LowPass(float64(rateHz), p.CutoffHz, stop, 84) // Kaiser's rule may fall 4 dB short
	if err != nil {
		return nil, fmt.Errorf("band-limit: %w", err)
	}
	m := len(taps) - 1 + bandBlock
	return &BandFilter{taps: taps, l: make([]float64, m), r: make([]float64, m), n: len(taps) - 1,
		yl: make([]float64, bandBlock), yr: make([]float64, bandBlock)}, nil
}

// Delay is half the length of the filter.
func (f *BandFilter) Delay() int { return (len(f.taps) - 1) / 2 }

// Reset clears the filter.
func (f *BandFilter) Reset() {
	clear(f.l)
	clear(f.r)
}

// Taps are the filter's coefficients, for its response.
func (f *BandFilter) Taps() []float64 { return f.taps }

// Process filters both channels alike.
func (f *BandFilter) Process(b audio.Block) {
	for at := 0; at < b.Len(); at += bandBlock {
		c := b.Slice(at, min(at+bandBlock, b.Len()))
		n := c.Len()
		fir(f.l, f.yl[:n], c.L, f.taps, f.n)
		fir(f.r, f.yr[:n], c.R, f.taps, f.n)
	}
}
