package groove

import (
	"math"
	"math/cmplx"
	"testing"
)

// C19: record at 15 degrees, 5 cm/s vertical, V 0.2094 m/s. The formula to 1 %
// of the derived values, and to 10 % of those measured by Woodard, AES preprint
// 1940, 1982 (summary, secondary), which are FM intermodulation with the same
// leading coefficient and have two digits at most.
func TestVerticalTracking(t *testing.T) {
	for _, c := range []struct {
		name                          string
		playback, derived, measuredPc float64
	}{{"error 10", 25, 4.74, 4.5}, {"error 3", 18, 1.36, 1.4}, {"error 15", 30, 7.39, 8}} {
		t.Run(c.name, func(t *testing.T) {
			got := 100 * VerticalTrackingD2(0.05, 0.2094, c.playback, 15)
			ratioWithin(t, "derived", got, c.derived, 0.01)
			ratioWithin(t, "measured", got, c.measuredPc, 0.10)
		})
	}
	if got := VerticalTrackingD2(0.05, 0.2094, 20, 20); got != 0 {
		t.Errorf("equal angles give %g", got)
	}
	ratioWithin(t, "one channel", ChannelTrackingD2(0.05, 0.2094, 25, 15), VerticalTrackingD2(0.05, 0.2094, 25, 15)/math.Sqrt2, 1e-12)
}

// The same by solving z_o = z(x + z_o D) point by point. Tolerance 0.2 %: the
// neglected third order at (Ak D)^2.
func TestVerticalTrackingAgainstSolution(t *testing.T) {
	const v, speed, hz, points = 0.05, 0.2094, 1000, 4096
	d := tanDeg(25) - tanDeg(15)
	amplitude, k := SineDisplacement(v, hz), 2*math.Pi*hz/speed
	var series [3]complex128
	for i := range points {
		phase := 2 * math.Pi * float64(i) / points
		z := 0.0
		for range 60 { // a contraction by Ak D = 0.05 per step
			z = amplitude * math.Sin(phase+k*z*d)
		}
		for m := range series {
			series[m] += complex(z/points, 0) * cmplx.Rect(1, -float64(m)*phase)
		}
	}
	exact := 2 * cmplx.Abs(series[2]) / cmplx.Abs(series[1])
	ratioWithin(t, "D2", VerticalTrackingD2(v, speed, 25, 15), exact, 0.002)
}

// Bauer, Electronics, March 1945 (secondary): V 0.2094 m/s, 5 cm/s, 2 degrees
// give 0.83 % by its form; derived.
func TestLateralTracking(t *testing.T) {
	ratioWithin(t, "2 degrees", LateralTrackingD2(0.05, 0.2094, 2), 0.05/0.2094*0.0349208, 1e-5)
	ratioWithin(t, "sign", LateralTrackingD2(0.05, 0.2094, -2), LateralTrackingD2(0.05, 0.2094, 2), 1e-15)
}
