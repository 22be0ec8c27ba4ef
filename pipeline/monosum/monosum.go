// Package monosum measures what a listener in mono loses of a stereo programme:
// per octave, and where it is most.
//
// In mono a listener hears (L+R)/2, twice over. Beside the power of both channels,
// L^2+R^2, that keeps M^2/(M^2+S^2) of it: all of equal channels, half of
// unrelated ones (-3.01 dB), nothing of opposed ones. Arithmetic, no model.
//
// Enter at New. It knows nothing of grooves or reports.
package monosum

import (
	"math"
	"slices"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

// Bands is how many octaves are told apart: 31.25 Hz to 16 kHz, the midband
// frequencies of IEC 61260-1 in base two.
const Bands = 10

// BandHz is the middle of a band.
func BandHz(band int) float64 { return 1000 * math.Pow(2, float64(band-5)) }

// A second counts as lost in a band where a mono listener loses 6 dB or more of it,
// and it is no quieter than -50 dBFS there (common practice, no source).
const (
	lostDB    = 6
	quietDBFS = -50
	unitS     = 1.0
	// MostPassages is how many are kept, those with most sound lost.
	MostPassages = 10
)

// VanishesDB is a loss from which on nothing to speak of is left.
const VanishesDB = 60

// Band is one octave over the whole programme.
type Band struct {
	Hz         float64
	StereoDBFS float64 // rms of a channel, -Inf for silence
	LossDB     float64 // 0 or more; +Inf if nothing is left, NaN for silence
}

// Passage is where a band goes in mono.
type Passage struct {
	StartS, EndS float64
	Band
	lost float64 // power times time
}

// Result is what was found.
type Result struct {
	LossDB   float64 // of all bands together; NaN for silence
	Bands    [Bands]Band
	Passages []Passage // in order of time, at most MostPassages
}

type power struct{ stereo, mono float64 }

// Meter takes a programme block by block. Memory does not grow with it. Used by
// one goroutine.
type Meter struct {
	rate     float64
	fft      *dsp.FFT
	re, im   []float64
	window   []float64
	scale    float64
	fill     int
	edges    [Bands + 1]int // bins
	total    [Bands]power
	blocks   int
	unit     [Bands]power
	unitN    int // blocks in the unit
	perUnit  int
	units    int
	open     [Bands]*Passage // nil: nothing is being lost
	sums     [Bands]power    // of the open passage
	passages []Passage
}

// New makes a meter. Blocks of 85 to 93 ms are looked at one after the other, each
// under a Hann window.
func New(rateHz int) (*Meter, error) {
	n := 4096
	for float64(rateHz)/float64(n) > 13 {
		n *= 2
	}
	f, err := dsp.NewFFT(n)
	if err != nil {
		return nil, err
	}
	m := &Meter{rate: float64(rateHz), fft: f, window: make([]float64, n)}
	m.re, m.im = dsp.FFTBuffers(n)
	sum := 0.0
	for i := range m.window {
		m.window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
		sum += m.window[i] * m.window[i]
	}
	m.scale = 2 / (float64(n) * sum)
	for b := range m.edges {
		hz := BandHz(b) / math.Sqrt2
		m.edges[b] = min(int(math.Ceil(hz*float64(n)/m.rate)), n/2)
	}
	m.perUnit = max(1, int(math.Round(unitS*m.rate/float64(n))))
	return m, nil
}

// Add takes frames.
func (m *Meter) Add(b audio.Block) {
	n := len(m.window)
	for i := 0; i < b.Len(); {
		k := min(n-m.fill, b.Len()-i)
		w, re, im := m.window[m.fill:m.fill+k], m.re[m.fill:m.fill+k], m.im[m.fill:m.fill+k]
		l, r := b.L[i:i+k], b.R[i:i+k]
		for j, x := range l {
			h := 0.5 * w[j]
			re[j], im[j] = h*(x+r[j]), h*(x-r[j])
		}
		m.fill += k
		i += k
		if m.fill == n {
			m.block()
		}
	}
}

// block transforms mid and side together and adds their powers up.
func (m *Meter) block() {
	m.fill = 0
	m.fft.Forward(m.re, m.im)
	n := len(m.re)
	for b := range Bands {
		var p power
		for k := m.edges[b]; k < m.edges[b+1]; k++ {
			a, c, d, e := m.re[k], m.im[k], m.re[n-k], m.im[n-k]
			p.stereo += (a*a + c*c + d*d + e*e) / 2
			p.mono += ((a+d)*(a+d) + (c-e)*(c-e)) / 4
		}
		p.stereo *= m.scale
		p.mono *= m.scale
		m.total[b].stereo += p.stereo
		m.total[b].mono += p.mono
		m.unit[b].stereo += p.stereo
		m.unit[b].mono += p.mono
	}
	m.blocks++
	if m.unitN++; m.unitN == m.perUnit {
		m.endUnit()
	}
}

func (m *Meter) unitSeconds() float64 { return float64(m.perUnit*len(m.window)) / m.rate }

func (m *Meter) endUnit() {
	at := float64(m.units) * m.unitSeconds()
	for b := range Bands {
		p := m.unit[b]
		p.stereo /= float64(m.unitN)
		p.mono /= float64(m.unitN)
		// What leaks from the octave beside it, through the window, is not its own.
		beside := math.Max(m.unitStereo(b-1), m.unitStereo(b+1)) / float64(m.unitN)
		lost := 10*math.Log10(p.stereo) >= quietDBFS && p.stereo >= 0.01*beside && p.mono*math.Pow(10, lostDB/10.0) <= p.stereo
		if lost {
			if m.open[b] == nil {
				m.open[b], m.sums[b] = &Passage{StartS: at}, power{}
			}
			m.sums[b].stereo += p.stereo
			m.sums[b].mono += p.mono
			m.open[b].EndS = at + m.unitSeconds()
		} else {
			m.endPassage(b)
		}
	}
	m.unit = [Bands]power{}
	m.unitN = 0
	m.units++
}

func (m *Meter) unitStereo(b int) float64 {
	if b < 0 || b >= Bands {
		return 0
	}
	return m.unit[b].stereo
}

func (m *Meter) endPassage(b int) {
	p := m.open[b]
	if p == nil {
		return
	}
	m.open[b] = nil
	s := m.sums[b]
	p.Band = bandOf(b, s, (p.EndS-p.StartS)/m.unitSeconds())
	p.lost = s.stereo - s.mono
	m.passages = append(m.passages, *p)
	if len(m.passages) > MostPassages {
		i := 0
		for k := range m.passages {
			if m.passages[k].lost < m.passages[i].lost {
				i = k
			}
		}
		m.passages = slices.Delete(m.passages, i, i+1)
	}
}

func bandOf(b int, sum power, count float64) Band {
	out := Band{Hz: BandHz(b), StereoDBFS: 10 * math.Log10(sum.stereo/count), LossDB: lossDB(sum)}
	if out.StereoDBFS < -150 { // what is left of rounding
		out.StereoDBFS, out.LossDB = math.Inf(-1), math.NaN()
	}
	return out
}

func lossDB(p power) float64 {
	if p.stereo <= 0 {
		return math.NaN()
	}
	loss := -10 * math.Log10(p.mono/p.stereo)
	if loss > VanishesDB {
		return math.Inf(1)
	}
	return math.Max(loss, 0)
}

// Result ends the programme. What is left of the last block is looked at too.
func (m *Meter) Result() Result {
	if m.fill > 0 {
		clear(m.re[m.fill:])
		clear(m.im[m.fill:])
		m.block()
	}
	if m.unitN > 0 {
		m.endUnit()
	}
	for b := range Bands {
		m.endPassage(b)
	}
	var r Result
	var all power
	for b := range Bands {
		r.Bands[b] = bandOf(b, m.total[b], math.Max(float64(m.blocks), 1))
		if !math.IsNaN(r.Bands[b].LossDB) {
			all.stereo += m.total[b].stereo
			all.mono += m.total[b].mono
		}
	}
	r.LossDB = lossDB(all)
	r.Passages = slices.Clone(m.passages)
	slices.SortFunc(r.Passages, func(a, b Passage) int {
		if a.StartS != b.StartS {
			return int(math.Copysign(1, a.StartS-b.StartS))
		}
		return int(math.Copysign(1, a.Hz-b.Hz))
	})
	return r
}
