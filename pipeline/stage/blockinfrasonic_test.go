package stage

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"
)

// TestBlockInfrasonicResponse measures what comes out, not the design: second
// order Butterworth is -3.01 dB at the cutoff and -12.30 an octave below,
// fourth-order Linkwitz-Riley -6.02 and -24.61 (x^2/sqrt(1+x^4) and
// x^4/(1+x^4); Linkwitz, JAES 24, 1976). 0.01 dB: half a digit of the figures,
// and the tail beyond the window.
func TestBlockInfrasonicResponse(t *testing.T) {
	for _, rate := range allRates {
		for _, c := range []struct {
			cutoff float64
			slope  int
			at     map[float64]float64 // f/cutoff: dB
		}{
			{16, 12, map[float64]float64{0.5: -12.304, 1: -3.010, 2: -0.263, 10: 0, 60: 0}},
			{16, 24, map[float64]float64{0.5: -24.609, 1: -6.021, 2: -0.527, 10: -0.001, 60: 0}},
			{40, 12, map[float64]float64{0.5: -12.304, 1: -3.010, 2: -0.263, 10: 0, 25: 0}},
		} {
			p := NewBlockInfrasonic(BlockInfrasonicParams{CutoffHz: c.cutoff, SlopeDB: c.slope}, rate)
			out := pulse(p, 1, 0.5, 0, int(12/c.cutoff*float64(rate)))
			for x, want := range c.at {
				hz := x * c.cutoff
				gl, gr := spectrumAt(out.L, 0, rate, hz), spectrumAt(out.R, 0, rate, hz)
				if math.Abs(db(gl)-want) > 0.01 {
					t.Errorf("%g Hz, %d dB/oct at %d: %.3f dB at %g Hz, want %.3f", c.cutoff, c.slope, rate, db(gl), hz, want)
				}
				if cmplx.Abs(gl-2*gr) > 1e-12 { // halving is exact; 1e-12 covers the sum
					t.Errorf("%g Hz at %d: channels differ at %g Hz, %v and twice %v", c.cutoff, rate, hz, gl, gr)
				}
			}
		}
	}
}

// TestBlockInfrasonicRemovesDC: after ten time constants of the slowest pole
// (exp(-10) twice over for a double pole) an offset is gone.
func TestBlockInfrasonicRemovesDC(t *testing.T) {
	for _, slope := range []int{12, 24} {
		p := NewBlockInfrasonic(BlockInfrasonicParams{CutoffHz: 16, SlopeDB: slope}, 48000)
		in := pulse(Identity{}, 0, 0, 0, 24000)
		for i := range in.L {
			in.L[i], in.R[i] = 0.5, -0.25
		}
		p.Process(in)
		if l, r := in.L[23999], in.R[23999]; math.Abs(l) > 1e-10 || math.Abs(r) > 1e-10 {
			t.Errorf("%d dB/oct: an offset of (0.5, -0.25) is (%g, %g) after half a second", slope, l, r)
		}
	}
}

func ExampleNewBlockInfrasonic() {
	p := NewBlockInfrasonic(BlockInfrasonicParams{CutoffHz: 16, SlopeDB: 12}, 48000)
	out := pulse(p, 1, 1, 0, 48000)
	fmt.Printf("%.2f dB at 16 Hz, %.2f dB at 8 Hz\n", db(spectrumAt(out.L, 0, 48000, 16)), db(spectrumAt(out.L, 0, 48000, 8)))
	// Output: -3.01 dB at 16 Hz, -12.30 dB at 8 Hz
}
