package dsp

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var spectrumDefaults = SpectrumOptions{CrossoverHz: 150, BandLimitHz: 20000}

func spectrumOf(t testing.TB, rateHz int, l, r []float64) *Spectrum {
	t.Helper()
	s, err := NewSpectrum(rateHz, spectrumDefaults)
	if err != nil {
		t.Fatal(err)
	}
	s.Add(l, r)
	return s
}

func sine(rateHz int, hz, amp, seconds float64) []float64 {
	x := make([]float64, int(seconds*float64(rateHz)))
	for n := range x {
		x[n] = amp * math.Sin(2*math.Pi*hz*float64(n)/float64(rateHz)+0.3)
	}
	return x
}

func scaled(x []float64, g float64) []float64 {
	y := make([]float64, len(x))
	for i := range x {
		y[i] = g * x[i]
	}
	return y
}

// TestHannWindowSpectrum: the three bins of the definition, nothing else.
func TestHannWindowSpectrum(t *testing.T) {
	const n = 64
	re, im := HannWindow(n), make([]float64, n)
	mustFFT(t, n).Forward(re, im)
	for k := range re {
		want := map[int]float64{0: n / 2, 1: -n / 4, n - 1: -n / 4}[k]
		if math.Hypot(re[k]-want, im[k]) > 1e-13 {
			t.Errorf("bin %d: %g%+gi, want %g", k, re[k], im[k], want)
		}
	}
}

// TestThirdOctaveLabels: the labels of IEC 61260-1 are the exact base-ten
// centres within the rounding of the standard, 2 %.
func TestThirdOctaveLabels(t *testing.T) {
	for i, nominal := range nominalThirdOctaves {
		exact := 1000 * math.Pow(10, float64(i+lowestThirdOctave)/10)
		if math.Abs(exact/nominal-1) > 0.02 {
			t.Errorf("label %g for exact centre %g", nominal, exact)
		}
	}
}

// TestThirdOctaveOfSine: a sine at a band centre reads its level in its band
// and is at least 25 dB down two bands away (skirt of the Hann window at the
// lowest bands; more above).
func TestThirdOctaveOfSine(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000, 192000} {
		for i := 0; i < len(nominalThirdOctaves); i += 3 {
			hz := 1000 * math.Pow(10, float64(i+lowestThirdOctave)/10)
			if hz*1.13 > float64(rate)/2 {
				break
			}
			x := sine(rate, hz, 0.5, 1.6)
			bands, why := spectrumOf(t, rate, x, scaled(x, -1)).Bands() // all side
			if why != "" {
				t.Fatal(why)
			}
			tol := 0.01
			if hz < 50 {
				tol = 0.1 // a band of 3 to 7 bins loses the edges of the four-bin line
			}
			near(t, fmt.Sprintf("%d Hz rate, sine in band %g", rate, bands[i].NominalHz), bands[i].SideDBFS, "", -6.0206, tol)
			for j, b := range bands {
				if b.MidDBFS != nil && *b.MidDBFS > -150 {
					t.Errorf("%d Hz rate, %g Hz in side only: %.1f dBFS in mid", rate, hz, *b.MidDBFS)
				}
				if b.SideDBFS != nil && (j < i-1 || j > i+1) && *b.SideDBFS > -31 {
					t.Errorf("%d Hz rate, %g Hz: %.1f dBFS in band %g", rate, hz, *b.SideDBFS, b.NominalHz)
				}
			}
		}
	}
}

// TestThirdOctaveOfNoise: white noise of mean square v has v*(hi-lo)/(fs/2)
// in a band, and pink noise the same level in every band. Tolerance: three
// standard deviations of a power estimate of BT windows, 4.34*3/sqrt(BT*0.6)
// dB, and 0.05 dB.
func TestThirdOctaveOfNoise(t *testing.T) {
	const rate, seconds = 48000, 12
	rng := rand.New(rand.NewPCG(5, 6))
	white, pink := make([]float64, rate*seconds), make([]float64, rate*seconds)
	// Pink by six first-order low-passes an octave and a bit apart (Kellet's
	// widely used filter, from memory): -3 dB per octave within 0.05 dB from
	// 10 Hz to 20 kHz at 44.1 kHz.
	var b [7]float64
	for i := range white {
		w := rng.NormFloat64() * 0.1
		white[i] = w
		b[0] = 0.99886*b[0] + w*0.0555179
		b[1] = 0.99332*b[1] + w*0.0750759
		b[2] = 0.96900*b[2] + w*0.1538520
		b[3] = 0.86650*b[3] + w*0.3104856
		b[4] = 0.55000*b[4] + w*0.5329522
		b[5] = -0.7616*b[5] - w*0.0168980
		pink[i] = b[0] + b[1] + b[2] + b[3] + b[4] + b[5] + b[6] + w*0.5362
		b[6] = w * 0.115926
	}
	bands, _ := spectrumOf(t, rate, white, white).Bands()
	for _, band := range bands {
		width := band.UpperHz - band.LowerHz
		tol := 0.05 + 3*4.34/math.Sqrt(width*seconds*0.6)
		near(t, fmt.Sprint("white, ", band.NominalHz), band.MidDBFS, "", 10*math.Log10(2*0.01*width/(rate/2)), tol)
	}
	bands, _ = spectrumOf(t, rate, pink, pink).Bands()
	at1k := *bands[17].MidDBFS
	for _, band := range bands {
		if band.NominalHz > 16000 {
			continue // the filter leaves -3 dB per octave near half the rate
		}
		tol := 0.35 + 3*4.34/math.Sqrt((band.UpperHz-band.LowerHz)*seconds*0.6)
		near(t, fmt.Sprint("pink, ", band.NominalHz), band.MidDBFS, "", at1k, tol)
	}
}

// TestBelowCrossover: fourth-order Butterworth, |H|^2 = 1/(1+(f/fc)^8), at
// every rate within 0.03 dB where the decimated rate bends nothing.
func TestBelowCrossover(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000, 176400, 192000} {
		for _, hz := range []float64{40, 150, 300} {
			mid, side := sine(rate, hz, 0.5, 4), sine(rate, hz*1.01, 0.05, 4)
			l, r := make([]float64, len(mid)), make([]float64, len(mid))
			for i := range l {
				l[i], r[i] = mid[i]+side[i], mid[i]-side[i]
			}
			m, s, why := spectrumOf(t, rate, l, r).BelowCrossover()
			want := func(amp, hz float64) float64 {
				return 20*math.Log10(amp) - 10*math.Log10(1+math.Pow(hz/150, 8))
			}
			near(t, fmt.Sprintf("mid, %d Hz rate, %g Hz", rate, hz), m, why, want(0.5, hz), 0.03)
			near(t, fmt.Sprintf("side, %d Hz rate, %g Hz", rate, hz), s, why, want(0.05, hz*1.01), 0.03)
		}
	}
}

// TestDecimatorResponse: pass band and image rejection as documented.
func TestDecimatorResponse(t *testing.T) {
	for halvings := range 5 {
		gain := func(cycles float64) float64 { // of the low rate, may exceed 1/2
			frames := 64 << halvings
			d := newDecimator(halvings, frames)
			low := math.Ldexp(1, -halvings)
			var out []float64
			for k := range 8 {
				a, b := make([]float64, frames), make([]float64, frames)
				for i := range a {
					s, c := math.Sincos(2 * math.Pi * cycles * low * float64(k*frames+i))
					a[i], b[i] = c, s
				}
				n := d.process(a, b)
				for i := range n {
					if k == 7 {
						out = append(out, math.Hypot(a[i], b[i]))
					}
				}
			}
			return out[len(out)-1]
		}
		for _, f := range []float64{0, 0.01, 0.1, 0.16} {
			if db := 20 * math.Log10(gain(f)); math.Abs(db) > 0.002 {
				t.Errorf("%d halvings, %g of the low rate: %+.4f dB, want 0 +- 0.002", halvings, f, db)
			}
			for image := 1; image < 1<<halvings; image++ {
				for _, at := range []float64{float64(image) - f, float64(image) + f} {
					if db := 20 * math.Log10(gain(at)); db > -75 {
						t.Errorf("%d halvings, %g of the low rate folds back at %.1f dB, want under -75", halvings, at, db)
					}
				}
			}
		}
	}
}

// TestAboveLimit: a steady tone reads its level; a burst of 10 ms in the
// right channel at 96 kHz is seen wherever it starts; a strong tone below the
// limit leaves nothing.
func TestAboveLimit(t *testing.T) {
	const rate = 96000
	x := sine(rate, 25000, 0.1, 1)
	got, why := spectrumOf(t, rate, x, scaled(x, 0.1)).MaxAboveLimit()
	near(t, "steady 25 kHz", got, why, -20, 0.05)

	got, why = spectrumOf(t, rate, sine(rate, 15000, 0.5, 1), make([]float64, rate)).MaxAboveLimit()
	if got != nil && *got > -110 {
		t.Errorf("15 kHz at -6 dBFS leaves %.1f dBFS above 20 kHz (%s)", *got, why)
	}

	for start := 30000; start < 31024; start += 96 {
		y := make([]float64, rate)
		copy(y[start:start+960], x)
		got, why = spectrumOf(t, rate, make([]float64, rate), y).MaxAboveLimit()
		// 10 ms of 43 ms is -6.3 dB; the window takes up to 5 dB more and gives up to 3.
		near(t, fmt.Sprint("burst at ", start), got, why, -27, 5)
	}
}

func TestSpectrumNotAvailable(t *testing.T) {
	short := spectrumOf(t, 48000, make([]float64, 100), make([]float64, 100))
	if m, s, why := short.BelowCrossover(); m != nil || s != nil || !strings.HasPrefix(why, "programme under") {
		t.Errorf("below the crossover of 2 ms: %v %v %q", m, s, why)
	}
	if v, why := short.MaxAboveLimit(); v != nil || !strings.HasPrefix(why, "programme under") {
		t.Errorf("above the limit of 2 ms: %v %q", v, why)
	}
	if bands, why := short.Bands(); bands[0].MidDBFS != nil || !strings.HasPrefix(why, "programme under") {
		t.Errorf("bands of 2 ms: %q", why)
	}
	silent := spectrumOf(t, 48000, make([]float64, 48000), make([]float64, 48000))
	if m, s, why := silent.BelowCrossover(); m != nil || s != nil || why != reasonSilence {
		t.Errorf("below the crossover of silence: %v %v %q", m, s, why)
	}
	if v, why := silent.MaxAboveLimit(); v != nil || why != "nothing above 20000 Hz" {
		t.Errorf("above the limit of silence: %v %q", v, why)
	}
	for rate, want := range map[int]string{32000: "not above", 40000: "not above", 40500: "too close"} {
		if v, why := spectrumOf(t, rate, make([]float64, rate), make([]float64, rate)).MaxAboveLimit(); v != nil || !strings.Contains(why, want) {
			t.Errorf("above the limit at %d Hz: %v %q, want %q", rate, v, why, want)
		}
	}
	mono := sine(48000, 100, 0.5, 2)
	if m, s, why := spectrumOf(t, 48000, mono, mono).BelowCrossover(); m == nil || s != nil || why != "no side signal" {
		t.Errorf("below the crossover of mono: %v %v %q", m, s, why)
	}
	for _, opt := range []SpectrumOptions{{0, 20000}, {150, 0}, {math.NaN(), 20000}, {2000, 20000}, {150, math.Inf(1)}} {
		if _, err := NewSpectrum(48000, opt); err == nil {
			t.Errorf("%+v gave no error", opt)
		}
	}
}

// TestSpectrumProperties: partition changes no bit; swapped channels change
// nothing in powers (mid is the same sum, side changes sign); gain shifts.
func TestSpectrumProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]int{8000, 44100, 96000}).Draw(t, "rate")
		n := rapid.IntRange(0, 3*rate).Draw(t, "frames")
		l, r := randomPair(n, rapid.Uint64().Draw(t, "seed"))
		results := func(add func(s *Spectrum)) []float64 {
			s, err := NewSpectrum(rate, spectrumDefaults)
			if err != nil {
				t.Fatal(err)
			}
			add(s)
			var out []float64
			put := func(v *float64) {
				if v == nil {
					out = append(out, 999)
				} else {
					out = append(out, *v)
				}
			}
			bands, _ := s.Bands()
			for _, b := range bands {
				put(b.MidDBFS)
				put(b.SideDBFS)
			}
			m, d, _ := s.BelowCrossover()
			put(m)
			put(d)
			u, _ := s.MaxAboveLimit()
			put(u)
			return out
		}
		want := results(func(s *Spectrum) { s.Add(l, r) })
		cut := results(func(s *Spectrum) {
			for i := 0; i < n; {
				k := min(n-i, rapid.SampledFrom([]int{1, 7, 64, 1000, 4096, 50000}).Draw(t, "block"))
				s.Add(l[i:i+k], r[i:i+k])
				i += k
			}
		})
		if d := cmp.Diff(want, cut); d != "" {
			t.Fatalf("partition changed results:\n%s", d)
		}
		swapped := results(func(s *Spectrum) { s.Add(r, l) })
		quarter := results(func(s *Spectrum) { s.Add(scaled(l, 0.25), scaled(r, 0.25)) })
		for i := range want {
			if want[i] == 999 {
				continue
			}
			if math.Abs(swapped[i]-want[i]) > 1e-9 {
				t.Fatalf("result %d: %g, swapped channels %g", i, want[i], swapped[i])
			}
			if math.Abs(quarter[i]-want[i]+12.041199826559248) > 1e-9 {
				t.Fatalf("result %d: %g, at a quarter of the level %g", i, want[i], quarter[i])
			}
		}
	})
}

func ExampleSpectrum() {
	s, err := NewSpectrum(48000, SpectrumOptions{CrossoverHz: 150, BandLimitHz: 20000})
	if err != nil {
		fmt.Println(err)
		return
	}
	x := sine(48000, 1000, 0.1, 2)
	s.Add(x, x)
	bands, _ := s.Bands()
	fmt.Printf("%g Hz: mid %.1f dBFS\n", bands[17].NominalHz, *bands[17].MidDBFS)
	// Output: 1000 Hz: mid -20.0 dBFS
}

func BenchmarkSpectrum(b *testing.B) {
	for _, rate := range []int{48000, 96000, 192000} {
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			const frames = 8192
			l, r := randomPair(frames, 1)
			s := spectrumOf(b, rate, nil, nil)
			b.ReportAllocs()
			for b.Loop() {
				s.Add(l, r)
			}
			reportRealTime(b, rate, frames)
		})
	}
}
