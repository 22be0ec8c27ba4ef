package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"
)

func cascadeDB(sections []Biquad, rateHz, hz float64) float64 {
	g := 1.0
	for i := range sections {
		g *= cmplx.Abs(sections[i].Response(rateHz, hz))
	}
	return 20 * math.Log10(g)
}

var rates = []float64{44100, 48000, 88200, 96000, 176400, 192000}

// TestHighPassAgreesWithClosedForm: analogue magnitudes with x = f/fc are
// x/sqrt(1+x^2) (first order), x^2/sqrt(1+x^4) (Butterworth) and x^4/(1+x^4)
// (Linkwitz, JAES 24, 1976). The bilinear transform bends frequencies above fc;
// at and below it 0.03 dB covers that for corners up to 500 Hz at 44.1 kHz.
func TestHighPassAgreesWithClosedForm(t *testing.T) {
	forms := map[int]func(x float64) float64{
		1: func(x float64) float64 { return x / math.Hypot(1, x) },
		2: func(x float64) float64 { return x * x / math.Sqrt(1+x*x*x*x) },
		4: func(x float64) float64 { return x * x * x * x / (1 + x*x*x*x) },
	}
	for _, rate := range rates {
		for _, fc := range []float64{5, 16, 40, 150, 500} {
			for _, order := range []int{1, 2, 4} {
				s := HighPass(rate, fc, order)
				for _, x := range []float64{0.1, 0.25, 0.5, 0.7, 1, 1.5, 2, 4} {
					got, want := cascadeDB(s, rate, fc*x), 20*math.Log10(forms[order](x))
					if math.Abs(got-want) > 0.03 {
						t.Errorf("order %d, %g Hz at %g Hz sampling, f/fc %g: %.3f dB, want %.3f", order, fc, rate, x, got, want)
					}
				}
			}
		}
	}
}

// TestAllPassesCarryThePhaseOfTheirHighPass: Linkwitz (JAES 24, 1976). Both
// sides go through the same bilinear map, so 1e-6 rad is rounding alone.
func TestAllPassesCarryThePhaseOfTheirHighPass(t *testing.T) {
	for _, rate := range rates {
		for _, fc := range []float64{30, 150, 500} {
			pairs := []struct {
				name     string
				sections []Biquad
				allPass  Biquad
			}{
				{"12 dB/oct", CriticalHighPass(rate, fc), AllPass1(rate, fc)},
				{"24 dB/oct", HighPass(rate, fc, 4), AllPass2(rate, fc)},
			}
			for _, p := range pairs {
				for hz := 5.0; hz < rate/2; hz *= 1.3 {
					h := complex(1, 0)
					for i := range p.sections {
						h *= p.sections[i].Response(rate, hz)
					}
					a := p.allPass.Response(rate, hz)
					if d := math.Abs(cmplx.Abs(a) - 1); d > 1e-9 {
						t.Fatalf("%s, %g Hz: all-pass gain is off 1 by %g at %g Hz", p.name, fc, d, hz)
					}
					if d := math.Abs(cmplx.Phase(h / a)); d > 1e-6 {
						t.Fatalf("%s, %g Hz: phases differ by %g rad at %g Hz", p.name, fc, d, hz)
					}
				}
			}
		}
	}
}

// TestBilinearMapsTheAnalogueResponse: at hz the digital section must equal the
// analogue one at s = j k tan(pi hz/rate), the definition of the transform.
// 1e-9: rounding; the corner stands close to the unit circle.
func TestBilinearMapsTheAnalogueResponse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom(rates).Draw(t, "rate")
		w := 2 * math.Pi * rapid.Float64Range(20, 5000).Draw(t, "corner")
		q := rapid.Float64Range(0.3, 3).Draw(t, "Q")
		num := [3]float64{w * w * rapid.Float64Range(-1, 1).Draw(t, "n0"), w * rapid.Float64Range(-1, 1).Draw(t, "n1"), rapid.Float64Range(-1, 1).Draw(t, "n2")}
		den := [3]float64{w * w, w / q, 1}
		if rapid.Bool().Draw(t, "first order") {
			num[2], den = 0, [3]float64{w, 1, 0}
			num[0], num[1] = num[0]/w, num[1]/w
		}
		k := 2 * rate
		f := Bilinear(num[0], num[1], num[2], den[0], den[1], den[2], k)
		if math.Abs(f.A2) >= 1 || math.Abs(f.A1) >= 1+f.A2 {
			t.Fatalf("unstable section %+v", f)
		}
		for _, x := range []float64{0.001, 0.01, 0.1, 0.3, 0.45} {
			at := x * rate
			s := complex(0, k*math.Tan(math.Pi*x))
			want := (complex(num[0], 0) + complex(num[1], 0)*s + complex(num[2], 0)*s*s) / (complex(den[0], 0) + complex(den[1], 0)*s + complex(den[2], 0)*s*s)
			if got := f.Response(rate, at); cmplx.Abs(got-want) > 1e-9*(1+cmplx.Abs(want)) {
				t.Fatalf("at %g Hz: %v, want %v", at, got, want)
			}
		}
	})
}

// TestBiquadDoesWhatResponseSays: a sine's steady state against the analytic
// response. 1e-9: what is left of the transient after one second.
func TestBiquadDoesWhatResponseSays(t *testing.T) {
	const rate, hz = 48000.0, 300.0
	q := HighPass(rate, 150, 2)[0]
	x := make([]float64, 48000)
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * hz * float64(i) / rate)
	}
	var s BiquadState
	q.Process(&s, x)
	h := q.Response(rate, hz)
	for i := len(x) - 160; i < len(x); i++ {
		want := cmplx.Abs(h) * math.Sin(2*math.Pi*hz*float64(i)/rate+cmplx.Phase(h))
		if math.Abs(x[i]-want) > 1e-9 {
			t.Fatalf("frame %d: %.12f, want %.12f", i, x[i], want)
		}
	}
}

// TestBiquadPartitionIsInvisible: any cut into blocks gives the same bits, all
// the way down the tail, where memories are let go.
func TestBiquadPartitionIsInvisible(t *testing.T) {
	q := HighPass(44100, 500, 2)[0]
	x := append(noise(1000, 3), make([]float64, 12000)...)
	want := append([]float64(nil), x...)
	var s BiquadState
	q.Process(&s, want)
	if want[len(want)-1] != 0 {
		t.Errorf("the tail ends at %g, want 0: digital silence must come back", want[len(want)-1])
	}
	rapid.Check(t, func(t *rapid.T) {
		one, pairL, pairR := append([]float64(nil), x...), append([]float64(nil), x...), append([]float64(nil), x...)
		var s, l, r BiquadState
		for at := 0; at < len(x); {
			n := min(rapid.IntRange(1, 3000).Draw(t, "block"), len(x)-at)
			q.Process(&s, one[at:at+n])
			q.ProcessPair(&l, &r, pairL[at:at+n], pairR[at:at+n])
			at += n
		}
		for i := range want {
			if one[i] != want[i] || pairL[i] != want[i] || pairR[i] != want[i] {
				t.Fatalf("frame %d: %g, pair %g and %g, want %g", i, one[i], pairL[i], pairR[i], want[i])
			}
		}
	})
}

func TestBiquadResetIsNew(t *testing.T) {
	q := HighPass(44100, 40, 2)[0]
	a, b := noise(500, 4), noise(500, 4)
	var used, fresh BiquadState
	q.Process(&used, noise(333, 5))
	used.Reset()
	q.Process(&used, a)
	q.Process(&fresh, b)
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("frame %d after Reset: %g, new: %g", i, a[i], b[i])
		}
	}
}

func BenchmarkBiquadPair(b *testing.B) {
	q := HighPass(96000, 16, 2)[0]
	l, r := noise(4096, 1), noise(4096, 2)
	var sl, sr BiquadState
	b.ReportAllocs()
	for b.Loop() {
		q.ProcessPair(&sl, &sr, l, r)
	}
	b.ReportMetric(float64(b.N)*4096/96000/b.Elapsed().Seconds(), "x-realtime")
}

func ExampleHighPass() {
	for _, order := range []int{1, 2, 4} {
		s := HighPass(96000, 150, order)
		fmt.Printf("order %d: %.2f dB at 150 Hz, %.2f dB at 75 Hz\n", order, cascadeDB(s, 96000, 150), cascadeDB(s, 96000, 75))
	}
	// Output:
	// order 1: -3.01 dB at 150 Hz, -6.99 dB at 75 Hz
	// order 2: -3.01 dB at 150 Hz, -12.30 dB at 75 Hz
	// order 4: -6.02 dB at 150 Hz, -24.61 dB at 75 Hz
}
