package scenario

import (
	"math"
	"math/rand/v2"
)

// Rate is the sample rate of the mixes.
const Rate = 48000

// mix is one track while it is being made. Gains are linear; pan is a pair of
// gains, so that a voice can also stand in one channel or in opposition.
type mix struct {
	l, r []float64
	rng  *rand.Rand
}

type pan struct{ l, r float64 }

var (
	centre   = pan{0.7071, 0.7071}
	left     = pan{0.95, 0.25}
	right    = pan{0.25, 0.95}
	hardL    = pan{1, 0}
	hardR    = pan{0, 1}
	opposite = pan{0.7071, -0.7071} // only in the side signal
)

func newMix(seconds float64, seed uint64) *mix {
	n := int(seconds * Rate)
	return &mix{l: make([]float64, n), r: make([]float64, n), rng: rand.New(rand.NewPCG(seed, 1))}
}

// add sums a voice into the mix from time at on; what hangs over the end is
// dropped.
func (m *mix) add(at float64, p pan, voice []float64) {
	from := int(at * Rate)
	for i, v := range voice {
		k := from + i
		if k < 0 || k >= len(m.l) {
			continue
		}
		m.l[k] += p.l * v
		m.r[k] += p.r * v
	}
}

func samples(seconds float64) []float64 { return make([]float64, int(seconds*Rate)) }

// drum is a sine that falls from hz0 to hz1 and dies away: a bass drum or tom.
func drum(hz0, hz1, decayS, gain float64) []float64 {
	out := samples(decayS * 6)
	phase := 0.0
	for i := range out {
		t := float64(i) / Rate
		hz := hz1 + (hz0-hz1)*math.Exp(-t/0.03)
		phase += 2 * math.Pi * hz / Rate
		attack := 1 - math.Exp(-t/0.0015)
		out[i] = gain * attack * math.Exp(-t/decayS) * math.Sin(phase)
	}
	return out
}

// partials returns the sum of gains[k-1] sin(k x), by the recurrence
// sin kx = 2 cos x sin (k-1)x - sin (k-2)x: one sine for all partials.
func partials(x float64, gains []float64) float64 {
	s, c := math.Sincos(x)
	sum, before, now := 0.0, 0.0, s
	for _, g := range gains {
		sum += g * now
		before, now = now, 2*c*now-before
	}
	return sum
}

// tone is a harmonic tone with soft edges; harmonic k has gain 1/k^slope.
func tone(hz, seconds, attackS, gain, slope float64, harmonics int) []float64 {
	out := samples(seconds)
	var gains []float64
	for k := 1; k <= harmonics && float64(k)*hz < 9000; k++ {
		gains = append(gains, gain/math.Pow(float64(k), slope))
	}
	for i := range out {
		out[i] = partials(2*math.Pi*hz/Rate*float64(i), gains)
	}
	soften(out, attackS)
	return out
}

// soften fades a voice in and out with raised cosines.
func soften(v []float64, seconds float64) {
	n := min(int(seconds*Rate), len(v)/2)
	for i := range n {
		g := 0.5 - 0.5*math.Cos(math.Pi*float64(i)/float64(n))
		v[i] *= g
		v[len(v)-1-i] *= g
	}
}

// pluck is a plucked string: a burst of noise in a delay line of one period
// that loses treble on every turn (Karplus and Strong, Computer Music Journal
// 7(2), 1983).
func (m *mix) pluck(hz, seconds, gain float64) []float64 {
	out := samples(seconds)
	line := make([]float64, max(2, int(Rate/hz)))
	mean := 0.0
	for i := range line {
		line[i] = gain * (2*m.rng.Float64() - 1)
		mean += line[i] / float64(len(line))
	}
	for i := range line {
		line[i] -= mean // a string does not push the air for good
	}
	for range 8 { // a soft finger: takes the top off the burst
		before := line[len(line)-1]
		for i, v := range line {
			line[i], before = 0.5*(v+before), v
		}
	}
	pos, last := 0, line[len(line)-1]
	for i := range out {
		v := line[pos]
		out[i] = v
		line[pos] = 0.996 * (0.5*v + 0.5*last)
		last = v
		pos = (pos + 1) % len(line)
	}
	soften(out, 0.002)
	return out
}

// noise is noise around one frequency: two resonators in a row, peak about
// gain, with soft edges.
func (m *mix) noise(hz, width, seconds, edgeS, gain float64) []float64 {
	out := samples(seconds)
	radius := math.Exp(-math.Pi * width / Rate)
	a1, a2 := 2*radius*math.Cos(2*math.Pi*hz/Rate), -radius*radius
	var y1, y2, z1, z2 float64
	peak := 0.0
	for i := range out {
		y := 2*m.rng.Float64() - 1 + a1*y1 + a2*y2
		y1, y2 = y, y1
		z := y + a1*z1 + a2*z2
		z1, z2 = z, z1
		out[i] = z
		peak = max(peak, math.Abs(z))
	}
	for i := range out {
		out[i] *= gain / peak
	}
	soften(out, edgeS)
	return out
}

// decay multiplies by an exponential.
func decay(v []float64, seconds float64) []float64 {
	for i := range v {
		v[i] *= math.Exp(-float64(i) / Rate / seconds)
	}
	return v
}

// vowel is a sung vowel: harmonics of a slightly wavering pitch, weighted by
// two resonances.
func vowel(hz, f1, f2, seconds, gain float64) []float64 {
	out := samples(seconds)
	weight := func(f float64) float64 {
		near := func(c, w float64) float64 { return 1 / (1 + (f-c)*(f-c)/(w*w)) }
		return near(f1, 120) + 0.5*near(f2, 180) + 0.03
	}
	var gains []float64
	for k := 1; float64(k)*hz < 4500; k++ {
		gains = append(gains, gain*weight(hz*float64(k))/math.Sqrt(float64(k)))
	}
	for i := range out {
		t := float64(i) / Rate
		waver := 0.3 * math.Sin(2*math.Pi*5.2*t) // of a radian at the fundamental
		out[i] = partials(2*math.Pi*hz*t+waver, gains)
	}
	soften(out, 0.04)
	return out
}

// finish fades the ends and brings the higher peak of the two channels to
// dBFS.
func (m *mix) finish(peakDBFS float64) {
	soften(m.l, 0.02)
	soften(m.r, 0.02)
	peak := 0.0
	for i := range m.l {
		peak = max(peak, math.Abs(m.l[i]), math.Abs(m.r[i]))
	}
	g := math.Pow(10, peakDBFS/20) / peak
	for i := range m.l {
		m.l[i] *= g
		m.r[i] *= g
	}
}
