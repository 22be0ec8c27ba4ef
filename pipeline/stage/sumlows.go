package stage

import (
	"fmt"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

// Values of SumLowsParams.Phase.
const (
	PhaseMinimum = "minimum"
	PhaseMatched = "matched"
	PhaseLinear  = "linear"
)

// SumLowsFilter is sum-lows at work. In all phase modes it computes what must
// leave the side signal and takes it from left and adds it to right; where
// left and right are equal that is exactly nothing.
type SumLowsFilter struct {
	phase    string
	sections []dsp.Biquad
	state    []dsp.BiquadState
	allPass  dsp.Biquad
	ml       dsp.BiquadState
	side     []float64
	mid      []float64
	lin      *linearHighPass
}

const sumLowsBlock = 1024

// NewSumLows builds the filter on the side signal.
//
//	slope  minimum                    matched                   linear
//	6      first order                refused                   magnitude of first order
//	12     Butterworth, -3 dB at fc   two equal first orders    magnitude of Butterworth
//	24     Linkwitz-Riley, -6 dB      Linkwitz-Riley, -6 dB     magnitude of Linkwitz-Riley
//
// Matched uses slopes whose phase a stable all-pass can copy onto mid
// (Linkwitz, JAES 24, 1976), so that the image near the crossover stays put;
// no all-pass has the phase of a first-order high-pass.
func NewSumLows(p SumLowsParams, rateHz int) (*SumLowsFilter, error) {
	f := &SumLowsFilter{phase: p.Phase}
	fs := float64(rateHz)
	order := p.SlopeDB / 6
	switch p.Phase {
	case PhaseMatched:
		switch p.SlopeDB {
		case 12:
			f.sections, f.allPass = dsp.CriticalHighPass(fs, p.CrossoverHz), dsp.AllPass1(fs, p.CrossoverHz)
		case 24:
			f.sections, f.allPass = dsp.HighPass(fs, p.CrossoverHz, 4), dsp.AllPass2(fs, p.CrossoverHz)
		default:
			return nil, fmt.Errorf("sum-lows: phase matched has no slope of %d dB/oct, because no all-pass has the phase of a first-order high-pass; use slope 12 or 24, or phase minimum or linear", p.SlopeDB)
		}
	case PhaseLinear:
		lin, err := newLinearHighPass(fs, p.CrossoverHz, order)
		if err != nil {
			return nil, fmt.Errorf("sum-lows: %w", err)
		}
		f.lin = lin
	default:
		f.sections = dsp.HighPass(fs, p.CrossoverHz, order)
	}
	f.state = make([]dsp.BiquadState, len(f.sections))
	f.side, f.mid = make([]float64, sumLowsBlock), make([]float64, sumLowsBlock)
	return f, nil
}

// Delay is zero but in phase mode linear.
func (f *SumLowsFilter) Delay() int {
	if f.lin != nil {
		return f.lin.delay()
	}
	return 0
}

// Reset clears the filters.
func (f *SumLowsFilter) Reset() {
	clear(f.state)
	f.ml.Reset()
	if f.lin != nil {
		f.lin.reset()
	}
}

// Process takes the lows out of the side signal; matched turns mid's phase.
func (f *SumLowsFilter) Process(b audio.Block) {
	if f.lin != nil {
		f.lin.process(b)
		return
	}
	for at := 0; at < b.Len(); at += sumLowsBlock {
		c := b.Slice(at, min(at+sumLowsBlock, b.Len()))
		f.run(c)
	}
}

func (f *SumLowsFilter) run(c audio.Block) {
	n := c.Len()
	s := f.side[:n]
	for i, l := range c.L {
		s[i] = (l - c.R[i]) / 2
	}
	if f.phase == PhaseMatched {
		m := f.mid[:n]
		for i, l := range c.L {
			m[i] = (l + c.R[i]) / 2
		}
		for i := range f.sections {
			f.sections[i].Process(&f.state[i], s)
		}
		f.allPass.Process(&f.ml, m)
		for i := range s {
			c.L[i], c.R[i] = m[i]+s[i], m[i]-s[i]
		}
		return
	}
	for i := range f.sections {
		f.sections[i].Process(&f.state[i], s)
	}
	for i, h := range s {
		if low := (c.L[i]-c.R[i])/2 - h; low != 0 { // a negative zero stays one
			c.L[i] -= low
			c.R[i] += low
		}
	}
}

// linearHighPass removes the lows of the side signal without phase shift: it
// convolves the side with a symmetric low-pass, the complement of the wanted
// high-pass magnitude, by overlap-save, and subtracts. Two windows, hop frames
// apart, share one complex transform: one is its real part, one its imaginary.
type linearHighPass struct {
	fft    *dsp.FFT
	half   int // taps on either side of the centre
	hop, n int
	kre    []float64 // spectrum of the kernel, real since it is symmetric about 0
	in     audio.Block
	fill   int
	re, im []float64
	out    audio.Block // finished frames wait here, from outAt
	outAt  int
	have   int
}

// linearPeriods is how many periods of the crossover the kernel reaches to
// either side. With 8, magnitudes keep to their closed forms within 0.02 dB
// from a tenth of the crossover up, where less than 60 dB is taken away.
const linearPeriods = 8

// gentleReachS is the least reach of the kernel at 6 dB/oct, whose skirt is so
// wide that 20 Hz counts: six periods of it to either side.
const gentleReachS = 0.3

func newLinearHighPass(fs, fc float64, order int) (*linearHighPass, error) {
	half := int(linearPeriods * fs / fc)
	if order == 1 {
		half = max(half, int(gentleReachS*fs))
	}
	n := 1
	for n < 4*half {
		n *= 2
	}
	fft, err := dsp.NewFFT(n)
	if err != nil {
		return nil, err
	}
	h := &linearHighPass{fft: fft, half: half, n: n, hop: n - 2*half,
		re: make([]float64, n), im: make([]float64, n), kre: make([]float64, n)}
	// Kernel: inverse transform of 1 - |H|, windowed to 2*half+1 taps.
	for k := range h.re {
		f := float64(min(k, n-k)) * fs / float64(n)
		h.re[k] = 1 - highPassMagnitude(f/fc, order)
	}
	clear(h.im)
	fft.Inverse(h.re, h.im)
	clear(h.im)
	for k := range h.re {
		d := min(k, n-k)
		if d > half {
			h.re[k] = 0
			continue
		}
		x := float64(d) / float64(half+1)
		w := 0.5 + 0.5*math.Cos(math.Pi*x*x) // flat top: keeps the corner
		h.re[k] *= w
		h.im[k] = w
	}
	// Exactly nothing of the side may be left at DC. What the kernel lacks
	// there is added in the shape of the window, whose spectrum is narrow, so
	// that the response elsewhere stays.
	sum, area := 0.0, 0.0
	for k, v := range h.re {
		sum += v
		area += h.im[k]
	}
	for k, w := range h.im {
		h.re[k] += (1 - sum) / area * w
	}
	clear(h.im)
	fft.Forward(h.re, h.im)
	copy(h.kre, h.re)
	h.in, h.out = audio.NewBlock(n+h.hop), audio.NewBlock(3*h.hop)
	h.reset()
	return h, nil
}

func highPassMagnitude(x float64, order int) float64 {
	if x == 0 {
		return 0
	}
	switch order {
	case 1:
		return x / math.Hypot(1, x)
	case 2:
		return x * x / math.Sqrt(1+x*x*x*x)
	default: // Linkwitz-Riley
		return x * x * x * x / (1 + x*x*x*x)
	}
}

func (h *linearHighPass) delay() int { return h.half + 2*h.hop }

func (h *linearHighPass) reset() {
	clear(h.in.L)
	clear(h.in.R)
	clear(h.out.L)
	clear(h.out.R)
	// The first window starts half a kernel before frame 0.
	h.fill = h.half
	h.outAt, h.have = 0, h.delay() // silence comes out until the first window is full
}

func (h *linearHighPass) process(b audio.Block) {
	at := 0
	for at < b.Len() {
		// Take in as much as the windows hold.
		k := min(b.Len()-at, h.in.Len()-h.fill)
		k = min(k, h.hop)
		copy(h.in.L[h.fill:], b.L[at:at+k])
		copy(h.in.R[h.fill:], b.R[at:at+k])
		h.fill += k
		if h.fill == h.in.Len() {
			h.windows()
		}
		h.pop(b.Slice(at, at+k))
		at += k
	}
}

// windows convolves both full windows and queues their 2*hop finished frames.
func (h *linearHighPass) windows() {
	copy(h.out.L, h.out.L[h.outAt:h.outAt+h.have])
	copy(h.out.R, h.out.R[h.outAt:h.outAt+h.have])
	h.outAt = 0
	o := h.out.Slice(h.have, h.have+2*h.hop)
	copy(o.L, h.in.L[h.half:])
	copy(o.R, h.in.R[h.half:])
	if h.sides() {
		h.fft.Forward(h.re, h.im)
		for i, k := range h.kre {
			h.re[i] *= k
			h.im[i] *= k
		}
		h.fft.Inverse(h.re, h.im)
		take(o.Slice(0, h.hop), h.re[h.half:])
		take(o.Slice(h.hop, 2*h.hop), h.im[h.half:])
	}
	h.have += 2 * h.hop
	keep := h.in.Len() - 2*h.hop
	copy(h.in.L, h.in.L[2*h.hop:])
	copy(h.in.R, h.in.R[2*h.hop:])
	h.fill = keep
}

// sides fills re and im with the side signal of both windows and tells whether
// there is any: equal channels need no transform and come out as the same bits.
func (h *linearHighPass) sides() bool {
	var any float64
	for i := range h.re {
		h.re[i] = (h.in.L[i] - h.in.R[i]) / 2
		h.im[i] = (h.in.L[i+h.hop] - h.in.R[i+h.hop]) / 2
		any = math.Max(any, math.Max(math.Abs(h.re[i]), math.Abs(h.im[i])))
	}
	return any != 0
}

// take removes low from the side of b.
func take(b audio.Block, low []float64) {
	for i := range b.L {
		b.L[i] -= low[i]
		b.R[i] += low[i]
	}
}

func (h *linearHighPass) pop(b audio.Block) {
	n := b.Len()
	copy(b.L, h.out.L[h.outAt:h.outAt+n])
	copy(b.R, h.out.R[h.outAt:h.outAt+n])
	h.outAt += n
	h.have -= n
}
