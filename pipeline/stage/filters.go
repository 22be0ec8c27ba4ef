package stage

import (
	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

// cascade runs sections on both channels.
type cascade struct {
	sections []dsp.Biquad
	l, r     []dsp.BiquadState
}

func newCascade(sections []dsp.Biquad) cascade {
	return cascade{sections: sections, l: make([]dsp.BiquadState, len(sections)), r: make([]dsp.BiquadState, len(sections))}
}

func (c *cascade) reset() {
	clear(c.l)
	clear(c.r)
}

func (c *cascade) process(b audio.Block) {
	for i := range c.sections {
		c.sections[i].ProcessPair(&c.l[i], &c.r[i], b.L, b.R)
	}
}

// fir filters x in place; hist holds the last keep inputs at its front.
func fir(hist, y, x, taps []float64, keep int) {
	n := len(x)
	copy(hist[keep:], x)
	dsp.Correlate(y, hist[:keep+n], taps)
	copy(x, y)
	copy(hist, hist[n:n+keep])
}
