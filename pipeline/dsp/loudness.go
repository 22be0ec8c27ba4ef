package dsp

import (
	"math"
	"slices"
)

// Loudness measures a stereo programme after ITU-R BS.1770-5 Annex 1,
// EBU Tech 3341 (momentary, short-term, integrated) and EBU Tech 3342
// (loudness range).
//
//	L = -0.691 + 10 lg (zL + zR)      z = mean square of the K-weighted channel
//
// Integrated loudness is the mean over 400 ms blocks, one every 100 ms, that
// lie above -70 LUFS and above the mean of those less 10 LU. Momentary and
// short-term loudness are sliding means over 400 ms and 3 s; their maxima are
// taken every 10 ms. A block that the programme does not fill is dropped.
//
// Memory is one number per 100 ms: 288 kB per hour. Results do not depend on
// the size of the blocks added. Every result is nil, with the reason, when it
// does not exist.
type Loudness struct {
	rateHz  int
	filter  kFilter
	partial float64 // energy of the 10 ms step under way
	frames  int64   // frames added
	steps   int64   // 10 ms steps completed
	stepEnd int64   // frame at which the step under way ends

	// ring holds the last 3 s of steps twice over, so that any window that
	// ends at the newest step is one contiguous run.
	ring [2 * stepsPerShortTerm]float64
	hop  float64   // energy of the 100 ms hop under way
	hops []float64 // energy of every completed hop

	maxMomentary, maxShortTerm float64 // window energies
}

// Windows and gates of ITU-R BS.1770-5, EBU Tech 3341 and EBU Tech 3342.
const (
	stepsPerSecond    = 100
	stepsPerHop       = 10
	stepsPerMomentary = 40
	stepsPerShortTerm = 300

	hopsPerSecond    = stepsPerSecond / stepsPerHop
	hopsPerMomentary = stepsPerMomentary / stepsPerHop
	hopsPerShortTerm = stepsPerShortTerm / stepsPerHop

	loudnessOffsetDB   = -0.691
	absoluteGateLUFS   = -70
	relativeGateLU     = -10
	rangeGateLU        = -20
	rangeLowPercent    = 10
	rangeHighPercent   = 95
	reservedHops       = 3600 * hopsPerSecond
	reasonUnder400ms   = "programme under 400 ms"
	reasonUnder3s      = "programme under 3 s"
	reasonSilence      = "silence"
	reasonUnderTheGate = "nothing above the absolute gate of -70 LUFS"
)

// HopSeconds is the time between two entries of Loudness.Hops.
const HopSeconds = 1.0 / hopsPerSecond

// LUFS converts the summed mean square of the K-weighted channels to
// loudness. Zero gives -Inf.
func LUFS(meanSquare float64) float64 {
	return loudnessOffsetDB + 10*math.Log10(meanSquare)
}

func fromLUFS(lufs float64) float64 { return math.Pow(10, (lufs-loudnessOffsetDB)/10) }

// NewLoudness returns a meter for a sampling rate from 8 kHz up.
func NewLoudness(rateHz int) (*Loudness, error) {
	if err := checkMeterRate("loudness", rateHz); err != nil {
		return nil, err
	}
	m := &Loudness{rateHz: rateHz, hops: make([]float64, 0, reservedHops)}
	m.filter = newKFilter(float64(rateHz))
	m.stepEnd = m.boundary(1)
	return m, nil
}

// Reset forgets the programme and keeps the rate.
func (m *Loudness) Reset() {
	f := m.filter
	f.l, f.r = kState{}, kState{}
	*m = Loudness{rateHz: m.rateHz, filter: f, hops: m.hops[:0]}
	m.stepEnd = m.boundary(1)
}

// boundary is the frame at which step k ends. At rates that are no multiple
// of 100 Hz steps differ by one frame and windows keep their mean length.
func (m *Loudness) boundary(k int64) int64 { return k * int64(m.rateHz) / stepsPerSecond }

// Add measures the next frames. l and r have equal length; a shorter r
// panics.
func (m *Loudness) Add(l, r []float64) {
	for len(l) > 0 {
		n := min(int64(len(l)), m.stepEnd-m.frames)
		m.partial = m.filter.addEnergy(m.partial, l[:n], r[:n])
		m.frames += n
		l, r = l[n:], r[n:]
		if m.frames == m.stepEnd {
			m.endStep()
		}
	}
}

func (m *Loudness) endStep() {
	at := int(m.steps % stepsPerShortTerm)
	m.ring[at], m.ring[at+stepsPerShortTerm] = m.partial, m.partial
	m.hop += m.partial
	m.partial = 0
	m.steps++
	m.stepEnd = m.boundary(m.steps + 1)
	m.filter.flushDenormals()
	if m.steps%stepsPerHop == 0 {
		m.hops = append(m.hops, m.hop)
		m.hop = 0
	}
	end := at + stepsPerShortTerm + 1
	if m.steps >= stepsPerMomentary {
		m.maxMomentary = max(m.maxMomentary, sum4(m.ring[end-stepsPerMomentary:end]))
	}
	if m.steps >= stepsPerShortTerm {
		m.maxShortTerm = max(m.maxShortTerm, sum4(m.ring[end-stepsPerShortTerm:end]))
	}
}

// sum4 adds a slice whose length is a multiple of 4 in four lanes.
func sum4(x []float64) float64 {
	var a, b, c, d float64
	for ; len(x) >= 4; x = x[4:] {
		a += x[0]
		b += x[1]
		c += x[2]
		d += x[3]
	}
	return (a + b) + (c + d)
}

// windowPower converts the energy of a window of some steps to the mean
// square that LUFS takes.
func (m *Loudness) windowPower(energy float64, steps int) float64 {
	return energy * stepsPerSecond / (float64(steps) * float64(m.rateHz))
}

// Hops is the mean square of both K-weighted channels together in each
// complete 100 ms of the programme; LUFS of the mean of 4 of them is momentary
// loudness, of 30 short-term loudness.
func (m *Loudness) Hops() []float64 {
	out := make([]float64, len(m.hops))
	for i, e := range m.hops {
		out[i] = m.windowPower(e, stepsPerHop)
	}
	return out
}

// Integrated is the gated loudness of the whole programme in LUFS.
func (m *Loudness) Integrated() (lufs *float64, reason string) {
	return gatedLoudness(m.Hops())
}

// MaxMomentary is the highest loudness of any 400 ms in LUFS.
func (m *Loudness) MaxMomentary() (lufs *float64, reason string) {
	if m.steps < stepsPerMomentary {
		return nil, reasonUnder400ms
	}
	return finiteLUFS(m.windowPower(m.maxMomentary, stepsPerMomentary))
}

// MaxShortTerm is the highest loudness of any 3 s in LUFS.
func (m *Loudness) MaxShortTerm() (lufs *float64, reason string) {
	if m.steps < stepsPerShortTerm {
		return nil, reasonUnder3s
	}
	return finiteLUFS(m.windowPower(m.maxShortTerm, stepsPerShortTerm))
}

// LoudnessRange is the span of short-term loudness, EBU Tech 3342. Low and
// high are its 10th and 95th percentile.
type LoudnessRange struct {
	RangeLU  float64
	LowLUFS  float64
	HighLUFS float64
}

// Range is the loudness range from 3 s windows every 100 ms, those above
// -70 LUFS and above their mean less 20 LU. It needs 3 s; EBU Tech 3342 warns
// that it means little for a programme under one minute.
func (m *Loudness) Range() (r *LoudnessRange, reason string) {
	return loudnessRange(m.Hops())
}

// finiteLUFS is LUFS, or the reason when there is no signal. The floor of
// -400 LUFS only meets the tail of the filter after the programme went silent.
func finiteLUFS(meanSquare float64) (*float64, string) {
	if meanSquare < 1e-40 {
		return nil, reasonSilence
	}
	v := LUFS(meanSquare)
	return &v, ""
}

// gatedLoudness is the integrated loudness of the mean squares of 100 ms hops.
func gatedLoudness(hops []float64) (*float64, string) {
	if len(hops) < hopsPerMomentary {
		return nil, reasonUnder400ms
	}
	blocks := slidingMeans(hops, hopsPerMomentary)
	mean, n := meanAbove(blocks, fromLUFS(absoluteGateLUFS))
	if n == 0 {
		return nil, reasonUnderTheGate
	}
	gate := max(fromLUFS(absoluteGateLUFS), mean*math.Pow(10, relativeGateLU/10.0))
	mean, n = meanAbove(blocks, gate)
	if n == 0 { // cannot be: the loudest block is above the mean less 10 LU
		return nil, reasonUnderTheGate
	}
	v := LUFS(mean)
	return &v, ""
}

// loudnessRange is EBU Tech 3342 on the mean squares of 100 ms hops. Its
// percentiles are nearest ranks, as in the MATLAB code printed there.
func loudnessRange(hops []float64) (*LoudnessRange, string) {
	if len(hops) < hopsPerShortTerm {
		return nil, reasonUnder3s
	}
	windows := slidingMeans(hops, hopsPerShortTerm)
	mean, n := meanAbove(windows, fromLUFS(absoluteGateLUFS))
	if n == 0 {
		return nil, reasonUnderTheGate
	}
	gate := max(fromLUFS(absoluteGateLUFS), mean*math.Pow(10, rangeGateLU/10.0))
	kept := windows[:0]
	for _, w := range windows {
		if w > gate {
			kept = append(kept, w)
		}
	}
	slices.Sort(kept)
	rank := func(percent float64) float64 {
		return LUFS(kept[int(math.Round(float64(len(kept)-1)*percent/100))])
	}
	low, high := rank(rangeLowPercent), rank(rangeHighPercent)
	return &LoudnessRange{RangeLU: high - low, LowLUFS: low, HighLUFS: high}, ""
}

// slidingMeans returns the mean of every run of n values. Each is summed on
// its own: a running sum would drift and never come back to zero.
func slidingMeans(x []float64, n int) []float64 {
	out := make([]float64, 0, len(x)-n+1)
	for i := range len(x) - n + 1 {
		s := 0.0
		for _, v := range x[i : i+n] {
			s += v
		}
		out = append(out, s/float64(n))
	}
	return out
}

func meanAbove(x []float64, gate float64) (mean float64, n int) {
	for _, v := range x {
		if v > gate {
			mean += v
			n++
		}
	}
	if n > 0 {
		mean /= float64(n)
	}
	return mean, n
}
