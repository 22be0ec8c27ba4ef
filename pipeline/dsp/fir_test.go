package dsp

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func noise(n int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 2))
	x := make([]float64, n)
	for i := range x {
		x[i] = 2*rng.Float64() - 1
	}
	return x
}

// TestBesselI0 compares with Abramowitz and Stegun table 9.8 (e^-x I0(x), ten
// digits). 2e-10: half a digit of the table.
func TestBesselI0(t *testing.T) {
	for _, c := range []struct{ x, scaled float64 }{
		{0, 1}, {0.5, 0.6450352706}, {1, 0.4657596077}, {2, 0.3085083225}, {5, 0.1835408126}, {10, 0.1278333372},
	} {
		if got := math.Exp(-c.x) * besselI0(c.x); math.Abs(got-c.scaled) > 2e-10 {
			t.Errorf("e^-%g I0(%g) = %.10f, want %.10f", c.x, c.x, got, c.scaled)
		}
	}
}

// TestKaiserBeta checks the three branches of the rule (Kaiser 1974), worked by
// hand: up to 21 dB the window is a rectangle.
func TestKaiserBeta(t *testing.T) {
	for _, c := range []struct{ db, want float64 }{{10, 0}, {21, 0}, {50, 4.5335}, {60, 5.6533}, {80, 7.8573}} {
		if got := KaiserBeta(c.db); math.Abs(got-c.want) > 1e-3 {
			t.Errorf("beta for %g dB = %.4f, want %.4f", c.db, got, c.want)
		}
	}
}

// TestLowPassKeepsItsPromise walks the pass and stop bands of every design the
// program uses. The window method gives equal ripple on both sides of the
// corner (Kaiser 1974). Taps are then scaled to 1 at DC, where the ripple may
// stand at its extreme, so the pass band may err by twice 10^(-A/20). 2 dB in
// the stop band: Kaiser's length is an estimate.
func TestLowPassKeepsItsPromise(t *testing.T) {
	for _, c := range []struct {
		name                      string
		rate, pass, stop, atLeast float64
	}{
		{"band-limit at 44.1 kHz", 44100, 20000, 22050, 80},
		{"band-limit at 96 kHz", 96000, 20000, 23000, 80},
		{"band-limit at 192 kHz", 192000, 20000, 23000, 80},
		{"de-ess at 44.1 kHz", 44100, 2800, 5200, 60},
		{"de-ess at 192 kHz", 192000, 2800, 5200, 60},
		{"predictor at 96 kHz", 96000, 20000, 30000, 66},
		{"stop above half the rate", 44100, 20000, 24100, 66},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, err := LowPass(c.rate, c.pass, c.stop, c.atLeast)
			if err != nil {
				t.Fatal(err)
			}
			if len(h)%2 == 0 {
				t.Fatalf("%d taps, want an odd number", len(h))
			}
			sum := 0.0
			for i := range h {
				if h[i] != h[len(h)-1-i] {
					t.Fatalf("tap %d is %g, its mirror %g", i, h[i], h[len(h)-1-i])
				}
				sum += h[i]
			}
			if math.Abs(sum-1) > 1e-12 {
				t.Errorf("taps sum to %.15f, want 1", sum)
			}
			ripple := math.Pow(10, -(c.atLeast-2)/20)
			for f := 0.0; f <= c.pass; f += c.pass / 500 {
				if g := Response(h, c.rate, f); math.Abs(g-1) > 2*math.Pow(10, -c.atLeast/20) {
					t.Fatalf("gain %.6f at %g Hz, want 1 within %.2g", g, f, 2*math.Pow(10, -c.atLeast/20))
				}
			}
			for f := c.stop; f <= c.rate/2; f += (c.rate/2 - c.stop + 1) / 500 {
				if g := Response(h, c.rate, f); g > ripple {
					t.Fatalf("gain %.2f dB at %g Hz, want at most %.1f dB", 20*math.Log10(g), f, 2-c.atLeast)
				}
			}
		})
	}
}

func TestLowPassRefusesImpossibleBands(t *testing.T) {
	for _, c := range []struct {
		name             string
		rate, pass, stop float64
	}{
		{"no pass band", 48000, 0, 1000}, {"negative", 48000, -1, 1000}, {"stop below pass", 48000, 2000, 1000},
		{"no transition", 48000, 2000, 2000}, {"stop beyond every image", 48000, 20000, 30000},
		{"not a number", 48000, math.NaN(), 1000}, {"stop not a number", 48000, 1000, math.NaN()},
	} {
		if h, err := LowPass(c.rate, c.pass, c.stop, 60); err == nil {
			t.Errorf("%s: got %d taps, want an error", c.name, len(h))
		}
	}
}

// plainCorrelate is the definition, one output at a time.
func plainCorrelate(dst, x, taps []float64, stride int) {
	for i := range dst {
		var a float64
		for k, c := range taps {
			a += c * x[stride*i+k]
		}
		dst[i] = a
	}
}

// TestCorrelateIsTheSumInTapOrder wants bits, not a tolerance: stages rely on
// it for results that do not depend on block size.
func TestCorrelateIsTheSumInTapOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, m := rapid.IntRange(0, 70).Draw(t, "outputs"), rapid.IntRange(1, 70).Draw(t, "taps")
		stride := rapid.IntRange(1, 2).Draw(t, "stride")
		seed := rapid.Uint64().Draw(t, "seed")
		x, taps := noise(max(0, stride*(n-1))+m, seed), noise(m, seed+1)
		got, want := make([]float64, n), make([]float64, n)
		plainCorrelate(want, x, taps, stride)
		if stride == 1 {
			Correlate(got, x, taps)
		} else {
			CorrelateStride2(got, x, taps)
		}
		for i := range want {
			if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
				t.Fatalf("output %d of %d with %d taps: %g, want %g", i, n, m, got[i], want[i])
			}
		}
	})
}

func TestCorrelateWithoutTapsIsZero(t *testing.T) {
	d := []float64{1, 2, 3}
	Correlate(d, []float64{5, 5}, nil)
	if d[0] != 0 || d[1] != 0 || d[2] != 0 {
		t.Errorf("got %v, want zeros", d)
	}
}

func BenchmarkCorrelate(b *testing.B) {
	for _, m := range []int{39, 73, 145} {
		x, taps, d := noise(1024+m-1, 1), noise(m, 2), make([]float64, 1024)
		b.Run(fmt.Sprintf("%d taps", m), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Correlate(d, x, taps)
			}
			b.ReportMetric(float64(b.N)*1024*float64(m)/b.Elapsed().Seconds()/1e9, "GMAC/s")
		})
	}
}

func BenchmarkCorrelateStride2(b *testing.B) {
	const m = 77
	x, taps, d := noise(2048+m, 1), noise(m, 2), make([]float64, 1024)
	b.ReportAllocs()
	for b.Loop() {
		CorrelateStride2(d, x, taps)
	}
	b.ReportMetric(float64(b.N)*1024*m/b.Elapsed().Seconds()/1e9, "GMAC/s")
}

func ExampleLowPass() {
	taps, err := LowPass(48000, 4000, 6000, 60)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d taps, delay %d frames\n", len(taps), (len(taps)-1)/2)
	fmt.Printf("4 kHz within 0.01 dB: %v, 6 kHz below -59 dB: %v\n",
		math.Abs(Response(taps, 48000, 4000)-1) < 0.00115, Response(taps, 48000, 6000) < 0.00112)
	// Output:
	// 89 taps, delay 44 frames
	// 4 kHz within 0.01 dB: true, 6 kHz below -59 dB: true
}
