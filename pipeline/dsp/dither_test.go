package dsp

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestQuantizerLeavesGridSamplesAlone: PCM that was not changed must come out
// bit-identical, dither or not.
func TestQuantizerLeavesGridSamplesAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		depth := rapid.SampledFrom([]int{16, 24}).Draw(t, "depth")
		top := int32(1) << (depth - 1)
		want := rapid.SliceOfN(rapid.Int32Range(-top, top-1), 1, 50).Draw(t, "samples")
		x := make([]float64, len(want))
		for i, v := range want {
			x[i] = float64(v) / float64(top)
		}
		q := NewQuantizer(depth, rapid.Bool().Draw(t, "dither"))
		got := make([]int32, len(x))
		q.Quantize(got, x, 1, rapid.Int64Range(0, 1<<40).Draw(t, "frame"), rapid.IntRange(0, 1).Draw(t, "channel"))
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("sample %d: %d, want %d", i, got[i], want[i])
			}
		}
		if q.Clipped != 0 {
			t.Fatalf("%d samples counted as clipped", q.Clipped)
		}
	})
}

// quantizeConstant quantises n frames of one value, given in steps.
func quantizeConstant(steps float64, n int, dither bool) []float64 {
	q := NewQuantizer(16, dither)
	x, d := make([]float64, n), make([]int32, n)
	for i := range x {
		x[i] = steps / 32768
	}
	q.Quantize(d, x, 1, 0, 0)
	out := make([]float64, n)
	for i, v := range d {
		out[i] = float64(v) - steps
	}
	return out
}

// TestDitherMakesErrorIndependentOfSignal: with TPDF dither of two steps peak
// to peak the error's mean is 0 and its variance 1/4 step^2 whatever the signal
// (Lipshitz, Wannamaker, Vanderkooy, JAES 40, 1992). 200,000 frames: four
// standard errors are 0.0045 of the mean and 0.004 of the variance.
func TestDitherMakesErrorIndependentOfSignal(t *testing.T) {
	const n = 200000
	for _, steps := range []float64{0.01, 0.25, 0.5, 0.75, -0.3, 100.5, 7.125} {
		var sum, sq, most float64
		for _, e := range quantizeConstant(steps, n, true) {
			sum += e
			sq += e * e
			most = max(most, math.Abs(e))
		}
		if m := sum / n; math.Abs(m) > 0.0045 {
			t.Errorf("%g steps: mean error %.4f, want 0", steps, m)
		}
		if v := sq / n; math.Abs(v-0.25) > 0.004 {
			t.Errorf("%g steps: error variance %.4f step^2, want 0.25", steps, v)
		}
		if most > 1.5 {
			t.Errorf("%g steps: error up to %.3f steps, want at most 1.5", steps, most)
		}
	}
}

// TestDitherIsWhite: neighbouring errors and the two channels are uncorrelated.
// 0.01: four standard errors of a correlation over 200,000 frames are 0.009.
func TestDitherIsWhite(t *testing.T) {
	const n = 200000
	q := NewQuantizer(16, true)
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.5 / 32768
	}
	l, r := make([]int32, n), make([]int32, n)
	q.Quantize(l, x, 1, 0, 0)
	q.Quantize(r, x, 1, 0, 1)
	corr := func(a, b []int32) float64 {
		var s float64
		for i := range a {
			s += (float64(a[i]) - 0.5) * (float64(b[i]) - 0.5)
		}
		return s / float64(len(a)) / 0.25
	}
	for lag := 1; lag <= 4; lag++ {
		if c := corr(l[lag:], l[:n-lag]); math.Abs(c) > 0.01 {
			t.Errorf("correlation at lag %d is %.4f, want 0", lag, c)
		}
		if c := corr(r[lag:], l[:n-lag]); math.Abs(c) > 0.01 {
			t.Errorf("correlation of channels at lag %d is %.4f, want 0", lag, c)
		}
	}
	if c := corr(l, r); math.Abs(c) > 0.01 {
		t.Errorf("correlation of channels is %.4f, want 0", c)
	}
}

func TestWithoutDitherErrorIsHalfAStep(t *testing.T) {
	for _, steps := range []float64{0.01, 0.5, 1.5, -0.49, 100.25} {
		for _, e := range quantizeConstant(steps, 3, false) {
			if math.Abs(e) > 0.5 {
				t.Errorf("%g steps: error %g, want at most 0.5", steps, e)
			}
		}
	}
}

// TestDitherDependsOnFrameNumberOnly: cutting into calls changes nothing.
func TestDitherDependsOnFrameNumberOnly(t *testing.T) {
	x := noise(4000, 6)
	const first, gain = 123456789, 0.7
	q := NewQuantizer(24, true)
	want := make([]int32, len(x))
	q.Quantize(want, x, gain, first, 1)
	rapid.Check(t, func(t *rapid.T) {
		got := make([]int32, len(x))
		q := NewQuantizer(24, true)
		for at := 0; at < len(x); {
			n := min(rapid.IntRange(1, 1500).Draw(t, "block"), len(x)-at)
			q.Quantize(got[at:at+n], x[at:at+n], gain, first+int64(at), 1)
			at += n
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("frame %d: %d, want %d", i, got[i], want[i])
			}
		}
	})
}

func TestQuantizerClipsAndCounts(t *testing.T) {
	for _, c := range []struct {
		name    string
		x       float64
		depth   int
		want    int32
		clipped int64
	}{
		{"positive full scale has no code", 1, 16, 32767, 1},
		{"negative full scale has one", -1, 16, -32768, 0},
		{"far above", 3, 24, 8388607, 1},
		{"far below", -3, 24, -8388608, 1},
	} {
		q := NewQuantizer(c.depth, true)
		d := make([]int32, 1)
		q.Quantize(d, []float64{c.x}, 1, 0, 0)
		if d[0] != c.want || q.Clipped != c.clipped {
			t.Errorf("%s: %d with %d clipped, want %d with %d", c.name, d[0], q.Clipped, c.want, c.clipped)
		}
	}
}

func BenchmarkQuantize(b *testing.B) {
	q := NewQuantizer(24, true)
	x, d := noise(4096, 1), make([]int32, 4096)
	b.ReportAllocs()
	for b.Loop() {
		q.Quantize(d, x, 0.9, 0, 0)
	}
}

func ExampleQuantizer() {
	q := NewQuantizer(16, true)
	out := make([]int32, 3)
	q.Quantize(out, []float64{0.25, -1, 12345.0 / 32768}, 1, 0, 0) // all on the grid
	fmt.Println(out)
	// Output: [8192 -32768 12345]
}

// A ruler measures beyond full scale on the same grid, with the same dither.
func TestRulerDoesNotClip(t *testing.T) {
	x := []float64{0.3, -0.7, 1.25, -3.5, 0.123456789}
	got, want := make([]int32, len(x)), make([]int32, len(x))
	r, q := NewRuler(24, true), NewQuantizer(24, true)
	r.Quantize(got, x, 1, 100, 1)
	q.Quantize(want, x, 1, 100, 1)
	if got[2] != 1.25*(1<<23) || got[3] != -3.5*(1<<23) || r.Clipped != 0 {
		t.Errorf("beyond full scale: %d, clipped %d", got[2:4], r.Clipped)
	}
	for _, i := range []int{0, 1, 4} {
		if got[i] != want[i] {
			t.Errorf("[%d] %d, want %d as the quantizer", i, got[i], want[i])
		}
	}
	if q.Clipped != 2 || q.Over < 3.49 || q.Over > 3.51 {
		t.Errorf("quantizer clipped %d, over %g, want 2 and 3.5", q.Clipped, q.Over)
	}
}

func TestBothAreQuantizedAsAlone(t *testing.T) {
	x := []float64{0.3, -0.7, 0.25, -3.5, 0.123456789, 0}
	y := []float64{0.3, -0.6999, 1.25, -0.5, 0.1, 1e-9}
	p, m, wp, wm := make([]int32, len(x)), make([]int32, len(x)), make([]int32, len(x)), make([]int32, len(x))
	for _, dither := range []bool{false, true} {
		q := NewQuantizer(24, dither)
		q.QuantizeBoth(p, m, x, y, 0.9, 77, 1)
		q2, r2 := NewQuantizer(24, dither), NewRuler(24, dither)
		q2.Quantize(wp, x, 0.9, 77, 1)
		r2.Quantize(wm, y, 0.9, 77, 1)
		for i := range x {
			if p[i] != wp[i] || m[i] != wm[i] {
				t.Errorf("dither %v [%d]: %d and %d, want %d and %d", dither, i, p[i], m[i], wp[i], wm[i])
			}
		}
		if q.Clipped != q2.Clipped || q.Over != q2.Over {
			t.Errorf("clipped %d over %g, want %d and %g", q.Clipped, q.Over, q2.Clipped, q2.Over)
		}
	}
}
