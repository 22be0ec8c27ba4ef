package groove

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"
)

// response of the half-band filter at a fraction of its upper sample rate.
func (h halfband) response(fraction float64) float64 {
	sum := complex(0.5, 0)
	for k, c := range h.odd {
		sum += complex(c, 0) * complex(math.Cos(2*math.Pi*fraction*float64(2*k+1)), 0)
	}
	return cmplx.Abs(sum)
}

// What the filters promise: flat within 1e-5 up to the stated edge, 112 dB down
// beyond its mirror image (120 aimed at; Kaiser's window gives less in a filter
// as short as the later ones).
func TestHalfbandResponse(t *testing.T) {
	for _, c := range []struct {
		m    int
		edge float64 // of the upper rate
	}{{firstHalfband, 0.458 / 2}, {laterHalfband, 0.115}} {
		h := newHalfband(c.m)
		within(t, "DC", h.response(0), 1, 1e-14)
		within(t, "quarter", h.response(0.25), 0.5, 1e-14)
		var ripple, leak float64
		for i := range 400 {
			f := c.edge * float64(i) / 399
			ripple = math.Max(ripple, math.Abs(h.response(f)-1))
			leak = math.Max(leak, h.response(0.5-f))
		}
		within(t, fmt.Sprint("ripple, m ", c.m), ripple, 0, 1e-5)
		within(t, fmt.Sprint("leak, m ", c.m), leak, 0, math.Pow(10, -112.0/20))
	}
}

// An impulse through doubler and halver shows both delays.
func TestHalfbandDelays(t *testing.T) {
	const m, n = 8, 64
	up, down := newDoubler(m, n), newHalver(m, n)
	in, wide, out := make([]float64, n), make([]float64, 2*n), make([]float64, n)
	in[3] = 1
	up.process(wide, in)
	down.process(out, wide)
	if wide[2*(3+m)] != 1 {
		t.Errorf("doubler: sample 3 is not at %d", 2*(3+m))
	}
	best := 0
	for i, v := range out {
		if math.Abs(v) > math.Abs(out[best]) {
			best = i
		}
	}
	if best != 3+2*m {
		t.Errorf("there and back: peak at %d, want %d", best, 3+2*m)
	}
	for i := range m {
		if d := math.Abs(out[best-i] - out[best+i]); d > 1e-15 {
			t.Errorf("not symmetric %d samples from the peak: %g", i, d)
		}
	}
}

// I0 against Abramowitz and Stegun, table 9.8 (from memory): I0(1) =
// 1.266065878, I0(5) = 27.23987182.
func TestBesselI0(t *testing.T) {
	within(t, "I0(0)", besselI0(0), 1, 0)
	ratioWithin(t, "I0(1)", besselI0(1), 1.266065878, 1e-9)
	ratioWithin(t, "I0(5)", besselI0(5), 27.23987182, 1e-9)
}
