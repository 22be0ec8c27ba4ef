package groove

import (
	"math"
	"testing"
)

// C18 and its neighbour, r 60.3 mm at 33 1/3, R 18 um, as in TestTwoTones. 1 %.
func TestTracePair(t *testing.T) {
	speed := mustDisc(t, "12in-33").GrooveSpeed(60.3)
	for _, c := range []struct {
		name          string
		first, second Tone
		hz, want      float64
		tolerance     float64
	}{
		{"5000 + 5400 Hz", Tone{5000, 0.005}, Tone{5400, 0.005}, 400, 0.002556, 0.01},
		{"400 Hz + 4 kHz", Tone{400, 0.0354}, Tone{4000, 0.00885}, 3600, 0.1640, 0.01},
		// Turned round, up to what the tip loses of 4 kHz: 1 - c^2/8, some 4 %.
		{"order of the frequencies", Tone{4000, 0.00885}, Tone{400, 0.0354}, 3600, 0.1640 * 0.00885 / 0.0354, 0.04},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := TracePair(c.first, c.second, speed, 18)
			if got.DifferenceHZ != c.hz {
				t.Errorf("product at %g Hz, want %g", got.DifferenceHZ, c.hz)
			}
			ratioWithin(t, "product", got.Difference, c.want, c.tolerance)
		})
	}
	if got := TracePair(Tone{1000, 0.01}, Tone{1005, 0.01}, speed, 18); got.Difference != 0 {
		t.Errorf("tones of one frequency on the grid: %+v", got)
	}
}

// Beyond the cusp the streaming tracer is the other way to the same product: two
// tones with c 1.5 together. 2 %: its band ends below some harmonics.
func TestTracePairBeyondTheCusp(t *testing.T) {
	const rate, speed, tip = 96000, 0.21, 18.0
	first, second := Tone{3000, 0.08}, Tone{5000, 0.07}
	got := TracePair(first, second, speed, tip)
	if got.C < 1.2 {
		t.Fatalf("c %g is not beyond the cusp", got.C)
	}
	tr, err := NewTracer(tip, rate, speed)
	if err != nil {
		t.Fatal(err)
	}
	const n = 96 * 40 // whole periods of 1 kHz
	x := make([]float64, n+96*20+tr.Delay())
	for i := range x {
		at := 2 * math.Pi * float64(i) / rate
		x[i] = 1e6 * (SineDisplacement(first.VelocityMS, first.HZ)*math.Sin(first.HZ*at) + SineDisplacement(second.VelocityMS, second.HZ)*math.Sin(second.HZ*at))
	}
	if err := tr.Process(x, x, speed); err != nil {
		t.Fatal(err)
	}
	x = x[len(x)-n:]
	product := 2000 * harmonic(x, n/48) / (5000 * harmonic(x, n*5/96))
	ratioWithin(t, "product", got.Difference, product, 0.02)
}
