package groove

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"
)

// keplerHarmonic is harmonic n over the fundamental, as velocities, of a shallow
// sine of sharpness c as traced, up to the cusp: parallel curves have parallel
// tangents, so the traced velocity is cos(kx) at k x_c = kx - c cos(kx). That is
// Kepler's equation with eccentricity c, whose series is known: J_n(nc)/(n J_1(c)).
// Series: Watson, Theory of Bessel Functions, 17.2 (from memory). The problem is
// that of Pierce and Hunt, JASA 10, 14 (1938); the step from one to the other is
// derived. To leading orders it is c/2 (1 - 5c^2/24) and 3c^2/8.
func keplerHarmonic(n int, c float64) float64 {
	return math.Jn(n, float64(n)*c) / (float64(n) * math.J1(c))
}

// sineOf gives a sine of a sharpness c and a steepest slope, for a tip of 18 um.
func sineOf(c, slope float64) (amplitude, wavelength, tip float64) {
	tip = 18
	k := c / (tip * slope)
	return slope / k, 2 * math.Pi / k, tip
}

// A slope of 0.01 leaves 1e-4 of its square, the cusp as much again.
func TestShallowSineAgainstKepler(t *testing.T) {
	for _, c := range []float64{0.01, 0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 0.95} {
		t.Run(fmt.Sprint("c ", c), func(t *testing.T) {
			got := TraceSine(sineOf(c, 0.01))
			ratioWithin(t, "c", got.C, c, 1e-12)
			ratioWithin(t, "fundamental", got.Fundamental, 2*math.J1(c)/c, 3e-4)
			ratioWithin(t, "D2", got.D2, keplerHarmonic(2, c), 3e-4)
			ratioWithin(t, "D3", got.D3, keplerHarmonic(3, c), 5e-4)
		})
	}
}

// The closed form of two terms, within 1 % up to c 0.4 at every slope a cutter
// with back facets of 45 degrees can cut; the fundamental alike.
func TestClosedFormUpToFourTenths(t *testing.T) {
	for _, slope := range []float64{0.02, 0.1, 0.2, 0.3, 0.4} {
		for c := 0.02; c <= 0.401; c += 0.02 {
			amplitude, wavelength, tip := sineOf(c, slope)
			exact, closed := TraceSine(amplitude, wavelength, tip), EstimateSineTracing(amplitude, wavelength, tip)
			name := fmt.Sprintf("c %.2f, slope %g: ", c, slope)
			ratioWithin(t, name+"fundamental", exact.Fundamental, closed.Fundamental, 0.01)
			ratioWithin(t, name+"D2", exact.D2, closed.D2, 0.01)
		}
	}
}

// Beyond c 0.4 the offset curve itself is the oracle: its harmonics by the
// definition, searched on a grid for 96 places of a period. 0.5 %: the kinks beyond
// the cusp between 96 places.
func TestHarmonicsBeyondAgainstTheDefinition(t *testing.T) {
	for _, c := range []float64{0.5, 0.9, 1.2, 2, 4} {
		for _, slope := range []float64{0.2, 0.6} {
			t.Run(fmt.Sprintf("c %g, slope %g", c, slope), func(t *testing.T) {
				amplitude, wavelength, tip := sineOf(c, slope)
				wall, _ := sineWall(amplitude, wavelength)
				const points = 96
				p := make([]float64, points)
				for i := range p {
					p[i] = bruteForce(wall, wavelength*float64(i)/points, tip)
				}
				got, first := TraceSine(amplitude, wavelength, tip), cmplx.Abs(phasor(p, 1))
				ratioWithin(t, "fundamental", got.Fundamental, first/amplitude, 5e-3)
				ratioWithin(t, "D2", got.D2, 2*harmonic(p, 2)/first, 5e-3)
				ratioWithin(t, "D3", got.D3, 3*harmonic(p, 3)/first, 5e-3)
			})
		}
	}
}

// Far beyond, the tip rides from crest to crest on its own arcs: a wave of
// parabolas, whose Fourier coefficients fall as 1/n^2 (textbook), so harmonic n is
// 1/n as velocity. The rest is of order 1/c.
func TestTheTipRidesOnCrests(t *testing.T) {
	got := TraceSine(sineOf(200, 0.2))
	ratioWithin(t, "D2", got.D2, 1.0/2, 0.02)
	ratioWithin(t, "D3", got.D3, 1.0/3, 0.02)
}
