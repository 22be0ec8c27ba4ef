package groove

import "math"

// halfband is a linear-phase half-band FIR filter that doubles or halves a
// sample rate: every second coefficient is zero, the middle one is 1/2.
// odd[k] is twice the coefficient at distance 2k+1; their sum is 1/2, so DC
// passes exactly. Kaiser window (Kaiser, 1974; design formula as in
// scipy.signal.kaiserord).
type halfband struct {
	odd []float64
}

// halfbandStopDB is the attenuation aimed at; 112 dB or more is reached. Images
// of bass displacement are raised by 21 dB against bass when displacement is
// turned back to signal, which leaves them 91 dB down.
const halfbandStopDB = 120

// newHalfband makes a filter of m pairs of coefficients; m must be a multiple of
// four.
func newHalfband(m int) halfband {
	beta := 0.1102 * (halfbandStopDB - 8.7)
	odd := make([]float64, m)
	sum := 0.0
	for k := range odd {
		n := float64(2*k + 1)
		x := n / float64(2*m)
		sign := 1 - 2*float64(k%2)
		odd[k] = sign / n * besselI0(beta*math.Sqrt(1-x*x))
		sum += odd[k]
	}
	for k := range odd {
		odd[k] *= 0.5 / sum
	}
	return halfband{odd: odd}
}

// besselI0 is the modified Bessel function of order 0, by its power series
// (Abramowitz and Stegun 9.6.12).
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-17; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}

// folded is the sum of odd[k] (back[m-1-k] + ahead[k]) for m = len(odd), a
// multiple of four: four sums side by side, so that additions need not wait for
// one another.
func folded(odd, back, ahead []float64) float64 {
	m := len(odd)
	back, ahead = back[:m], ahead[:m]
	var s0, s1, s2, s3 float64
	for k := 0; k+3 < m; k += 4 {
		c, a, b := odd[k:k+4:k+4], ahead[k:k+4:k+4], back[m-k-4:m-k:m-k]
		s0 += c[0] * (b[3] + a[0])
		s1 += c[1] * (b[2] + a[1])
		s2 += c[2] * (b[1] + a[2])
		s3 += c[3] * (b[0] + a[3])
	}
	return s0 + s1 + (s2 + s3)
}

// doubler doubles the rate of a stream. Its delay is len(odd) input samples.
type doubler struct {
	halfband
	buf []float64 // 2m samples of history, then the block
}

func newDoubler(m, maxIn int) *doubler {
	return &doubler{halfband: newHalfband(m), buf: make([]float64, 2*m+maxIn)}
}

func (d *doubler) reset() { clear(d.buf) }

// process writes 2 len(in) samples to out.
func (d *doubler) process(out, in []float64) {
	m, n := len(d.odd), len(in)
	copy(d.buf[2*m:], in)
	out = out[:2*n]
	for i := range n {
		back, ahead := d.buf[i+1:i+1+m], d.buf[i+1+m:i+1+2*m]
		out[2*i], out[2*i+1] = d.buf[i+m], folded(d.odd, back, ahead)
	}
	copy(d.buf, d.buf[n:n+2*m])
}

// halver halves the rate of a stream. Its delay is len(odd) output samples.
type halver struct {
	halfband
	even, oddIn []float64 // the two phases, each with 2m samples of history
}

func newHalver(m, maxOut int) *halver {
	return &halver{halfband: newHalfband(m), even: make([]float64, 2*m+maxOut), oddIn: make([]float64, 2*m+maxOut)}
}

func (h *halver) reset() {
	clear(h.even)
	clear(h.oddIn)
}

// process writes len(in)/2 samples to out, which may be in.
func (h *halver) process(out, in []float64) {
	m, n := len(h.odd), len(in)/2
	for i := range n {
		h.even[2*m+i], h.oddIn[2*m+i] = in[2*i], in[2*i+1]
	}
	out = out[:n]
	for i := range n {
		// Middle at even sample i-m: odd samples i-m and i-m-1 are nearest.
		ahead, back := h.oddIn[i+m:i+2*m], h.oddIn[i:i+m]
		out[i] = 0.5 * (h.even[i+m] + folded(h.odd, back, ahead))
	}
	copy(h.even, h.even[n:n+2*m])
	copy(h.oddIn, h.oddIn[n:n+2*m])
}
