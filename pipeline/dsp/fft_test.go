package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"pgregory.net/rapid"
)

// randomPair returns n values of unit range for re and im, from a seed.
func randomPair(n int, seed uint64) (re, im []float64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	re, im = make([]float64, n), make([]float64, n)
	for i := range re {
		re[i], im[i] = 2*rng.Float64()-1, 2*rng.Float64()-1
	}
	return re, im
}

func mustFFT(t testing.TB, n int) *FFT {
	t.Helper()
	f, err := NewFFT(n)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// TestFFTAgreesWithGonum uses an independent implementation as oracle. 1e-9
// is far above rounding (about 1e-13 at 65,536 points) and far below anything
// that matters in a level.
func TestFFTAgreesWithGonum(t *testing.T) {
	for n := 2; n <= 65536; n *= 2 {
		re, im := randomPair(n, uint64(n))
		in := make([]complex128, n)
		for i := range in {
			in[i] = complex(re[i], im[i])
		}
		want := fourier.NewCmplxFFT(n).Coefficients(nil, in)
		f := mustFFT(t, n)
		f.Forward(re, im)
		worst := 0.0
		for i := range want {
			worst = math.Max(worst, cmplx.Abs(want[i]-complex(re[i], im[i])))
		}
		if worst > 1e-9 {
			t.Errorf("n=%d: worst difference from gonum %g, want <= 1e-9", n, worst)
		}
		f.Inverse(re, im)
		for i := range in {
			if d := cmplx.Abs(in[i] - complex(re[i], im[i])); d > 1e-12 {
				t.Fatalf("n=%d: inverse of forward differs by %g at %d, want <= 1e-12 (rounding)", n, d, i)
			}
		}
	}
}

// TestFFTOfImpulseIsItsTwiddles checks the sign convention and order against
// the definition.
func TestFFTOfImpulseIsItsTwiddles(t *testing.T) {
	for _, n := range []int{2, 4, 8, 32, 64, 512} {
		for _, at := range []int{0, 1, n / 2, n - 1} {
			re, im := make([]float64, n), make([]float64, n)
			re[at] = 1
			mustFFT(t, n).Forward(re, im)
			for k := range re {
				s, c := math.Sincos(-2 * math.Pi * float64(k*at%n) / float64(n))
				if math.Hypot(re[k]-c, im[k]-s) > 1e-14 {
					t.Fatalf("n=%d impulse at %d, bin %d: got %g%+gi, want %g%+gi", n, at, k, re[k], im[k], c, s)
				}
			}
		}
	}
}

func TestFFTKeepsEnergyAndIsLinear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := 1 << rapid.IntRange(1, 12).Draw(t, "log2n")
		seed := rapid.Uint64().Draw(t, "seed")
		a := rapid.Float64Range(-3, 3).Draw(t, "a")
		f, err := NewFFT(n)
		if err != nil {
			t.Fatal(err)
		}
		xr, xi := randomPair(n, seed)
		yr, yi := randomPair(n, seed+1)
		zr, zi := make([]float64, n), make([]float64, n)
		energy := 0.0
		for i := range zr {
			zr[i], zi[i] = xr[i]+a*yr[i], xi[i]+a*yi[i]
			energy += zr[i]*zr[i] + zi[i]*zi[i]
		}
		f.Forward(xr, xi)
		f.Forward(yr, yi)
		f.Clone().Forward(zr, zi)
		spectrum := 0.0
		for i := range zr {
			if d := math.Hypot(zr[i]-xr[i]-a*yr[i], zi[i]-xi[i]-a*yi[i]); d > 1e-10*float64(n) {
				t.Fatalf("n=%d bin %d: transform is not linear by %g", n, i, d)
			}
			spectrum += zr[i]*zr[i] + zi[i]*zi[i]
		}
		if d := math.Abs(spectrum/float64(n) - energy); d > 1e-10*energy {
			t.Fatalf("n=%d: energy %g in the spectrum, %g in time (Parseval)", n, spectrum/float64(n), energy)
		}
	})
}

func TestFFTRefusesLengths(t *testing.T) {
	for _, n := range []int{-4, 0, 1, 3, 6, 1000, 1 << 25} {
		if _, err := NewFFT(n); err == nil {
			t.Errorf("NewFFT(%d) gave no error", n)
		}
	}
	defer func() {
		if recover() == nil {
			t.Error("Forward with wrong lengths did not panic")
		}
	}()
	mustFFT(t, 8).Forward(make([]float64, 8), make([]float64, 4))
}

func ExampleFFT() {
	f, err := NewFFT(8)
	if err != nil {
		fmt.Println(err)
		return
	}
	re, im := make([]float64, 8), make([]float64, 8)
	for i := range re {
		re[i] = math.Cos(2 * math.Pi * float64(i) / 8) // one cycle
	}
	f.Forward(re, im)
	for k := range re {
		fmt.Printf("%.0f ", math.Hypot(re[k], im[k]))
	}
	// Output: 0 4 0 0 0 0 0 4
}

func BenchmarkFFT(b *testing.B) {
	for _, n := range []int{512, 1024, 2048, 4096, 8192, 65536} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			f := mustFFT(b, n)
			x, y := randomPair(n, 1)
			re, im := FFTBuffers(n)
			copy(re, x)
			copy(im, y)
			b.ReportAllocs()
			for b.Loop() {
				f.Forward(re, im)
				for i := range re { // keep values finite
					re[i] *= 1e-3
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/point")
		})
	}
}
