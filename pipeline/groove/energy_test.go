package groove

import (
	"math"
	"testing"
)

// Derived: acceleration at the reference level (5 cm/s lateral peak) in dB re 1
// m/s2, and the climb of heat with frequency. Tolerance: first decimal.
func TestHeatClimbs(t *testing.T) {
	level := func(hz float64) float64 {
		return 20 * math.Log10(SineAcceleration(0.05*RecordingGain(hz), hz))
	}
	for hz, want := range map[float64]float64{5000: 72.1, 10000: 83.7, 15000: 90.6} {
		within(t, "level", level(hz), want, 0.05)
	}
	within(t, "per octave at 10 kHz", level(20000)-level(10000), 12, 0.2) // the shelf has not quite ended
}

func TestRMSFromEnergy(t *testing.T) {
	within(t, "3 and 4", RMSFromEnergy(25, 2), math.Sqrt(12.5), 1e-15)
	within(t, "nothing", RMSFromEnergy(0, 0), 0, 0)
	within(t, "rounding below zero", RMSFromEnergy(-1e-18, 10), 0, 0)
	w := RMSWindowsS()
	if !(w[0] < w[1] && w[1] < w[2]) || w[1] != RMSWindowS {
		t.Errorf("windows %v", w)
	}
}

// First-order step response: 63.2 % after one time constant (textbook).
func TestHeatFraction(t *testing.T) {
	within(t, "one time constant", HeatFraction(3, 3), 0.632, 0.0005)
	within(t, "start", HeatFraction(0, 3), 0, 0)
	within(t, "end", HeatFraction(1e4, 3), 1, 1e-12)
}
