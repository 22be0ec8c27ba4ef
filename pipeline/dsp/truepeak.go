package dsp

import "math"

// TruePeak finds the highest absolute value of the continuous signal behind
// the samples of a stereo programme, and where it lies, in the way of ITU-R
// BS.1770-5 Annex 2: interpolate, then take the largest.
//
// The annex asks for at least 4 times oversampling. Here the grid is a
// sixteenth of a sample at every sampling rate. The interpolator is a
// Kaiser-windowed sinc of 32 taps per phase. WorstUnderReadDB states the error
// that is left.
//
// Most of the grid need not be looked at. Two bounds skip it, and both hold for
// any signal, so the result is exactly that of the full search:
//
//	|x(n+t)| <= l1 * P                           P: largest sample in reach of the taps
//	|x(n+t)| <= max(|x[n]|,|x[n+1]|) + c * D     D: largest second difference in reach
//
// l1 is the largest sum of absolute taps of a phase. The second bound writes
// the interpolator as straight line plus a filter on second differences, which
// is exact because every phase passes constants and ramps unchanged; c is the
// largest sum of absolute taps of that filter. What the second bound does not
// skip is bisected, with the same bound, ever smaller, between grid points.
//
// Before the first and after the last frame the signal is zero. Results do
// not depend on the size of the blocks added.
type TruePeak struct {
	interp *interpolator
	ch     [2]peakChannel
	fill   int   // frames waiting in the buffers beyond the overlap
	first  int64 // frame number of buf[peakRun], the first interval to search next
	kept   Peak  // of the parts that have ended
}

// The search works on runs of peakRun frames. A buffer holds one run before
// and one after the runs it searches, more than the taps reach.
const (
	peakRun    = 32
	peakRuns   = 16
	peakChunk  = peakRun * peakRuns
	peakBuffer = peakChunk + 2*peakRun

	peakTaps     = 32 // per phase; the interval is between taps 15 and 16
	peakPhases   = 16 // grid points per sample
	peakLevels   = 4  // bisections from a sample to a grid point
	peakCentre   = peakTaps/2 - 1
	peakKaiser   = 5.0
	worstUnderDB = 0.05
)

type peakChannel struct {
	buf    [peakBuffer]float64
	runMax [peakRuns + 2]float64 // largest sample of each run in buf
	runD2  [peakRuns + 2]float64 // largest second difference, -1 when not computed
	max    float64
	at     float64 // frames from the start of the programme
	sample float64 // largest sample
}

// NewTruePeak returns a meter; it works on frames and needs no sampling rate.
func NewTruePeak() *TruePeak {
	t := &TruePeak{interp: newInterpolator()}
	t.Reset()
	return t
}

// Reset forgets the programme.
func (t *TruePeak) Reset() {
	*t = TruePeak{interp: t.interp, first: -peakRun}
}

// WorstUnderReadDB is the most by which a steady tone of any frequency up to
// 0.45 of the sampling rate, in any phase, reads below its true peak. The grid
// alone costs 20 lg cos(pi f / 16 fs), 0.034 dB at most; the rest is ripple of
// the interpolator. No tone reads more than the same amount too high. With the
// quarter-sample grid that Annex 2 asks for, the grid alone would cost
// 0.554 dB.
func (t *TruePeak) WorstUnderReadDB() float64 { return worstUnderDB }

// Add searches the next frames. l and r have equal length; a shorter r
// panics.
func (t *TruePeak) Add(l, r []float64) {
	r = r[:len(l)]
	for len(l) > 0 {
		n := copy(t.ch[0].buf[2*peakRun+t.fill:], l)
		copy(t.ch[1].buf[2*peakRun+t.fill:], r[:n])
		t.fill += n
		l, r = l[n:], r[n:]
		if t.fill == peakChunk {
			t.search()
		}
	}
}

// search looks at the full buffers and keeps the last two runs for the next.
func (t *TruePeak) search() {
	for c := range t.ch {
		t.ch[c].search(t.interp, t.first)
	}
	t.first += peakChunk
	t.fill = 0
}

// Peak is a place in a programme.
type Peak struct {
	Value   float64 // absolute, linear, 1.0 is full scale
	AtFrame float64 // frames from the start, between samples for a true peak
	Channel int     // 0 left, 1 right
}

// Result is the true peak of everything added so far, as if silence followed,
// and the largest sample. Of equal peaks the earlier counts, then the left
// one. More frames may be added afterwards.
func (t *TruePeak) Result() (truePeak Peak, samplePeak float64) {
	end := *t // what follows must not change the state: work on a copy
	var zero [peakChunk]float64
	for range 2 {
		k := peakChunk - end.fill
		end.Add(zero[:k], zero[:k])
	}
	l, r := &end.ch[0], &end.ch[1]
	truePeak = Peak{Value: l.max, AtFrame: l.at}
	if r.max > l.max || (r.max == l.max && r.at < l.at) {
		truePeak = Peak{Value: r.max, AtFrame: r.at, Channel: 1}
	}
	if t.kept.Value >= truePeak.Value && t.kept.Value > 0 {
		truePeak = t.kept
	}
	return truePeak, max(l.sample, r.sample)
}

// EndPart ends a part of the programme, for instance a track, and returns its
// true peak; the next part begins. Result goes on to speak of the whole. The
// last frames before the border, at most 576, count for both parts.
func (t *TruePeak) EndPart() Peak {
	whole := t.kept
	t.kept = Peak{}
	p, _ := t.Result()
	t.kept = whole
	if p.Value > whole.Value {
		t.kept = p
	}
	for c := range t.ch {
		t.ch[c].max, t.ch[c].at = 0, 0
	}
	return p
}

// maxAbs compares magnitudes as integers, which orders finite floats alike,
// leaves the floating-point units to others and compiles without branches.
func maxAbs(x []float64) float64 {
	var a, b uint64
	for ; len(x) >= 2; x = x[2:] {
		a = max(a, math.Float64bits(x[0])<<1)
		b = max(b, math.Float64bits(x[1])<<1)
	}
	return math.Float64frombits(max(a, b) >> 1)
}

// search handles the intervals that start in the peakRuns runs after the
// first; first is the frame number of the first of them.
func (c *peakChannel) search(ip *interpolator, first int64) {
	for i := 2; i < len(c.runMax); i++ {
		p := maxAbs(c.buf[i*peakRun : (i+1)*peakRun])
		c.runMax[i], c.runD2[i] = p, -1
		if p > c.sample {
			c.sample = p
		}
	}
	for i := 1; i <= peakRuns; i++ {
		reach := max(c.runMax[i-1], c.runMax[i], c.runMax[i+1])
		if reach*ip.l1 <= c.max {
			continue
		}
		d2 := max(c.secondDifference(i-1), c.secondDifference(i), c.secondDifference(i+1))
		if max(c.runMax[i], math.Abs(c.buf[(i+1)*peakRun]))+ip.bend[0]*d2 <= c.max {
			continue
		}
		c.searchRun(ip, i*peakRun, d2, first)
	}
	copy(c.buf[:], c.buf[peakChunk:])
	copy(c.runMax[:2], c.runMax[peakRuns:])
	copy(c.runD2[:2], c.runD2[peakRuns:])
}

// secondDifference is the largest |x[n-1] - 2 x[n] + x[n+1]| of run i. The
// first and last frame of the buffer have no neighbour and are out of reach.
func (c *peakChannel) secondDifference(i int) float64 {
	if c.runD2[i] >= 0 {
		return c.runD2[i]
	}
	from, to := max(i*peakRun, 1), min((i+1)*peakRun, peakBuffer-1)
	x := c.buf[from-1 : to+1]
	a, b := x[0], x[1]
	var m uint64
	for _, v := range x[2:] {
		m = max(m, math.Float64bits((a-b)-(b-v))<<1)
		a, b = b, v
	}
	c.runD2[i] = math.Float64frombits(m >> 1)
	return c.runD2[i]
}

// searchRun interpolates the intervals of one run that could hold a new
// maximum.
func (c *peakChannel) searchRun(ip *interpolator, from int, d2 float64, first int64) {
	far := ip.far * d2
	a, bendA := math.Abs(c.buf[from]), math.Abs((c.buf[from-1]-c.buf[from])-(c.buf[from]-c.buf[from+1]))
	for n := from; n < from+peakRun; n++ {
		b, bendB := math.Abs(c.buf[n+1]), math.Abs((c.buf[n]-c.buf[n+1])-(c.buf[n+1]-c.buf[n+2]))
		if max(a, b)+ip.near*max(bendA, bendB)+far > c.max {
			at := float64(first + int64(n-peakRun))
			if a > c.max {
				c.max, c.at = a, at
			}
			c.bisect(ip, c.buf[n-peakCentre:n-peakCentre+peakTaps], at, d2, 0, peakPhases, a, b, 0)
		}
		a, bendA = b, bendB
	}
}

// bisect sees the middle of the grid points lo and hi, whose magnitudes are a
// and b, and goes on where a larger value can still hide.
func (c *peakChannel) bisect(ip *interpolator, x []float64, at, d2 float64, lo, hi int, a, b float64, level int) {
	mid := (lo + hi) / 2
	v := math.Abs(ip.value(mid, x))
	if v > c.max {
		c.max, c.at = v, at+float64(mid)/peakPhases
	}
	if level++; level == peakLevels {
		return
	}
	bend := ip.bend[level] * d2
	if max(a, v)+bend > c.max {
		c.bisect(ip, x, at, d2, lo, mid, a, v, level)
	}
	if max(v, b)+bend > c.max {
		c.bisect(ip, x, at, d2, mid, hi, v, b, level)
	}
}

// interpolator is a polyphase Kaiser-windowed sinc with its bounds.
type interpolator struct {
	taps [peakPhases + 1][peakTaps]float64
	l1   float64 // largest sum of absolute taps of a phase
	// bend[k] bounds, per unit of second difference, how far the signal leaves
	// the straight line between grid points 2^-k of a sample apart.
	bend [peakLevels]float64
	// near and far split bend[0]: near is what the second differences at the
	// two ends of the interval give, far all others.
	near, far float64
}

func newInterpolator() *interpolator {
	// The margins cover rounding in the bounds.
	const margin = 1 + 1e-9
	ip := &interpolator{}
	ip.taps[0][peakCentre], ip.taps[peakPhases][peakCentre+1] = 1, 1
	for j := 1; j < peakPhases; j++ {
		t := float64(j) / peakPhases
		h := &ip.taps[j]
		// u = windowed sinc, v = u times distance. h = a u + b v with a and b
		// such that a constant and a ramp pass unchanged.
		var u, v [peakTaps]float64
		var u0, u1, v1 float64
		for k := range u {
			d := float64(k-peakCentre) - t
			w := d / (peakTaps / 2)
			u[k] = besselI0(peakKaiser*math.Sqrt(max(0, 1-w*w))) * math.Sin(math.Pi*d) / d
			v[k] = u[k] * d
			u0 += u[k]
			u1 += v[k]
			v1 += v[k] * d
		}
		// sum h = 1, sum h d = 0.
		det := u0*v1 - u1*u1
		a, b := v1/det, -u1/det
		l1 := 0.0
		for k := range h {
			h[k] = a*u[k] + b*v[k]
			l1 += math.Abs(h[k])
		}
		ip.l1 = max(ip.l1, l1*margin)
	}
	for k := range ip.bend {
		width := peakPhases >> k
		for j := range peakPhases {
			lo := j / width * width
			t := float64(j-lo) / float64(width)
			near, far := bendGain(&ip.taps[j], &ip.taps[lo], &ip.taps[lo+width], t)
			ip.bend[k] = max(ip.bend[k], (near+far)*margin)
			if k == 0 {
				ip.near, ip.far = max(ip.near, near*margin), max(ip.far, far*margin)
			}
		}
	}
	return ip
}

// bendGain is the sum of absolute taps of the filter g with h equal to the
// line from a to b at t, plus g on second differences; near is the share of
// the two second differences centred on the ends of the interval. Constants
// and ramps pass h, a and b alike, so summing the difference twice ends at
// zero.
func bendGain(h, a, b *[peakTaps]float64, t float64) (near, far float64) {
	once, twice := 0.0, 0.0
	for k, v := range h {
		once += v - (1-t)*a[k] - t*b[k]
		twice += once // weighs the second difference centred on tap k+1
		if k+1 == peakCentre || k+1 == peakCentre+1 {
			near += math.Abs(twice)
		} else {
			far += math.Abs(twice)
		}
	}
	return near, far
}

func (ip *interpolator) value(phase int, x []float64) float64 {
	h := &ip.taps[phase]
	x = x[:peakTaps]
	var a, b, c, d float64
	for k := 0; k < peakTaps; k += 4 {
		a += h[k] * x[k]
		b += h[k+1] * x[k+1]
		c += h[k+2] * x[k+2]
		d += h[k+3] * x[k+3]
	}
	return (a + b) + (c + d)
}
