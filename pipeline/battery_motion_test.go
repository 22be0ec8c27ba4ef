//go:build battery

package pipeline_test

import (
	"math"
	"math/cmplx"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

// characteristic is the recording characteristic with 1 at 1 kHz: from a flat
// signal to velocity of the wall. Time constants: IEC 60098 / RIAA / DIN 45541.
func characteristic(hz float64) complex128 {
	h := func(f float64) complex128 {
		w := 2 * math.Pi * f
		return complex(1, w*3180e-6) * complex(1, w*75e-6) / complex(1, w*318e-6)
	}
	return h(hz) / complex(cmplx.Abs(h(1000)), 0)
}

func cabs(c complex128) float64 { return cmplx.Abs(c) }

// floorHz is the corner of the second-order Butterworth high-pass without
// which a constant in the file would be an endless ramp in the groove. It is
// the one assumption shared with the predictor, which documents it.
const floorHz = 1

func floorResponse(hz float64) complex128 {
	s := complex(0, hz/floorHz)
	return s * s / (s*s + complex(math.Sqrt2, 0)*s + 1)
}

// bandTopHz is the top of the default room's band. What lies above it counts
// less and less, and nothing at bandEndHz: the edges the predictor documents.
// Where treatment has brought every peak to its limit, the shape of this slope
// matters: the groove of noise cut hard at 20 kHz differs by 10 % at its peaks.
const bandTopHz = 20000

func bandEndHz(rate int) float64 {
	switch {
	case rate <= 44100:
		return 24100
	case rate <= 48000:
		return 28000
	}
	return 30000
}

func bandGain(hz, endHz float64) float64 {
	switch {
	case hz <= bandTopHz:
		return 1
	case hz >= endHz:
		return 0
	}
	return 0.5 + 0.5*math.Cos(math.Pi*(hz-bandTopHz)/(endHz-bandTopHz))
}

// walls is the motion of both walls along their normals, on a grid of
// rateHz: displacement in um, velocity in m/s, acceleration in m/s2.
type walls struct {
	rateHz     float64
	xl, vl, al []float64
	xr, vr, ar []float64
}

// transformer computes wall motion of a window of samples by one long
// transform, exactly in the frequency domain. It is reused between windows of
// equal length.
type transformer struct {
	n, over  int
	rate     float64
	fwd, inv *fourier.FFT
	in       []float64
	spec     []complex128
	work     []complex128
	velocity []complex128 // response from signal to velocity, band limit and scaling of the transforms included
}

// newTransformer takes windows of up to n frames (a power of two, padding
// included) and gives motion on a grid over times finer.
func newTransformer(n, over, rate int) *transformer {
	t := &transformer{
		n: n, over: over, rate: float64(rate),
		fwd: fourier.NewFFT(n), inv: fourier.NewFFT(n * over),
		in: make([]float64, n), spec: make([]complex128, n/2+1), work: make([]complex128, n*over/2+1),
	}
	step, end := t.rate/float64(n), bandEndHz(rate)
	for k := 0; k <= n/2 && bandGain(float64(k)*step, end) > 0; k++ {
		hz := float64(k) * step
		t.velocity = append(t.velocity, characteristic(hz)*floorResponse(hz)*complex(bandGain(hz, end)/float64(n), 0))
	}
	return t
}

// channel writes displacement in um, velocity in m/s and acceleration in m/s2 of
// one channel; v1k is the velocity in m/s of a 1 kHz sine of peak 1.
func (t *transformer) channel(samples []float64, v1k float64, x, v, a []float64) (xo, vo, ao []float64) {
	clear(t.in)
	copy(t.in, samples)
	t.fwd.Coefficients(t.spec, t.in)
	w := 2 * math.Pi * t.rate / float64(t.n)
	for k := range t.velocity {
		t.spec[k] *= t.velocity[k] * complex(v1k, 0)
	}
	fill := func(dst []float64, factor func(k int) complex128) []float64 {
		clear(t.work)
		for k := 1; k < len(t.velocity); k++ { // nothing moves at DC
			t.work[k] = t.spec[k] * factor(k)
		}
		return t.inv.Sequence(dst, t.work)
	}
	xo = fill(x, func(k int) complex128 { return complex(0, -1e6/(w*float64(k))) })
	vo = fill(v, func(int) complex128 { return 1 })
	ao = fill(a, func(k int) complex128 { return complex(0, w*float64(k)) })
	return xo, vo, ao
}

// pairTransformer computes both channels at once, one on each core.
type pairTransformer struct{ l, r *transformer }

func newPairTransformer(n, over, rate int) pairTransformer {
	l := newTransformer(n, over, rate)
	r := *l
	r.fwd, r.inv = fourier.NewFFT(n), fourier.NewFFT(n*over)
	r.in, r.spec, r.work = make([]float64, n), make([]complex128, len(l.spec)), make([]complex128, len(l.work))
	return pairTransformer{l, &r}
}

// motion fills w for a window of both channels.
func (t pairTransformer) motion(w *walls, l, r []float64, v1k float64) {
	w.rateHz = t.l.rate * float64(t.l.over)
	var both sync.WaitGroup
	both.Go(func() { w.xl, w.vl, w.al = t.l.channel(l, v1k, w.xl, w.vl, w.al) })
	both.Go(func() { w.xr, w.vr, w.ar = t.r.channel(r, v1k, w.xr, w.vr, w.ar) })
	both.Wait()
}

// interpolator reads between samples of a signal whose band ends at 30 kHz on a
// grid of at least 88.2 kHz: a sinc under a Kaiser window. With 32 taps and beta
// 9 its error is below 1e-4 of the signal.
type interpolator struct{ taps [8][32]float64 }

func newInterpolator() *interpolator {
	var ip interpolator
	for p := range ip.taps {
		d := float64(p) / 8
		for k := range ip.taps[p] {
			u := float64(k-15) - d
			w := u / 16
			if math.Abs(w) >= 1 {
				continue
			}
			s := 1.0
			if u != 0 {
				s = math.Sin(math.Pi*u) / (math.Pi * u)
			}
			ip.taps[p][k] = s * besselI0(9*math.Sqrt(1-w*w)) / besselI0(9)
		}
	}
	return &ip
}

// at is the signal p eighths of a step after sample i; outside it is 0.
func (ip *interpolator) at(x []float64, i, p int) float64 {
	var y float64
	for k, c := range ip.taps[p] {
		if j := i + k - 15; j >= 0 && j < len(x) {
			y += c * x[j]
		}
	}
	return y
}

func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x / (2 * k) * x / (2 * k)
		sum += term
	}
	return sum
}
