package groove

import (
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/dsp/kernel"
)

// The predictor's band: flat within 0.01 dB to bandTopHz, and at least 60 dB
// down where stopHz lies. The recording characteristic rises without limit
// (IEC 60098), so a predictor must state a limit.
const bandTopHz = 20000

func stopHz(frameRateHz int) float64 {
	switch {
	case frameRateHz <= 44100:
		return 24100 // first image of 20 kHz
	case frameRateHz <= 48000:
		return 28000
	default:
		return 30000
	}
}

const chunkFrames = 1024

// Predictor turns a stereo programme into the motion of the groove, sector by
// sector. Feed it with Add, end with Flush. Results do not depend on how the
// programme is cut into blocks. It never allocates after NewPredictor and its
// memory does not grow.
type Predictor struct {
	sectors Sectors
	emit    func(Motion)
	full    bool                        // velocity and acceleration too
	walls   func(left, right []float64) // takes displacement instead of sectors; see Walls

	taps, half []float64 // band limit; half: taps of odd outputs when upsampling
	side       int       // input samples needed on either side of an output
	xl, xr     []float64 // band-limited input waits here
	xn         int
	yl, yr     []float64 // one chunk at the analysis rate
	odd        []float64
	phase      int // input samples to skip before the next output (down)

	disp               *displacer
	diff               *differentiators
	accelLow, speedLow []float64 // displacement to motion below the band that de-ess turns down
	margin             int       // samples kept before and after a sector: halo, or what these need
	dl, dr             []float64 // displacement, from margin before the current sector
	dn                 int
	sector             int
	last               int // sectors to emit, known at Flush; 0 before

	v, a, v2, a2 []float64
	lowL, lowR   []float64
	past         []float32 // left displacement one turn ago
	pastAt       int
}

// NewPredictor makes a predictor for a programme at s.FrameRateHz. scale is
// the channel velocity in m/s that a full-scale sine at 1 kHz has at 0 dB cut
// level. emit is called once per sector in order. displacementOnly leaves
// velocities and accelerations zero and costs less.
func NewPredictor(s Sectors, scale float64, displacementOnly bool, emit func(Motion)) (*Predictor, error) {
	p := &Predictor{sectors: s, emit: emit, full: !displacementOnly}
	rate := s.AnalysisRateHz()
	design := rate
	if s.down == 2 {
		design = float64(s.FrameRateHz)
	}
	attenuationDB := 66.0
	if s.up == 2 {
		attenuationDB = 104 // images of bass are differentiated twice
	}
	h, err := dsp.LowPass(design, bandTopHz, stopHz(s.FrameRateHz), attenuationDB)
	if err != nil {
		return nil, err
	}
	if s.up == 2 {
		if (len(h)-1)%4 != 0 { // the centre must fall on an input sample
			h = append(append([]float64{0}, h...), 0)
		}
		k := (len(h) - 1) / 4
		p.side = k
		for i := 0; i < len(h); i += 2 {
			p.taps = append(p.taps, 2*h[i])
		}
		for i := 1; i < len(h); i += 2 {
			p.half = append(p.half, 2*h[i])
		}
		unitSum(p.taps)
		unitSum(p.half)
	} else {
		if displacementOnly && s.down == 1 {
			h = []float64{1} // displacement is small above the band: let it pass
		}
		p.taps = h
		p.side = (len(h) - 1) / 2
	}
	n := 2*p.side + chunkFrames + 1
	p.xl, p.xr = make([]float64, n), make([]float64, n)
	p.yl, p.yr = make([]float64, 2*chunkFrames), make([]float64, 2*chunkFrames)
	p.odd = make([]float64, chunkFrames)
	p.disp = newDisplacer(rate, scale)
	p.diff = newDifferentiators(rate)
	longest := int(s.perTurn/SectorsPerTurn) + 2
	p.margin = halo
	if p.full {
		if err := p.splitAt(DefaultSplitHz); err != nil {
			return nil, err
		}
	}
	p.dl = make([]float64, longest+2*p.margin+2*chunkFrames)
	p.dr = make([]float64, len(p.dl))
	p.v, p.a, p.v2, p.a2 = make([]float64, longest+2), make([]float64, longest+2), make([]float64, longest+2), make([]float64, longest+2)
	p.lowL, p.lowR = make([]float64, longest), make([]float64, longest)
	p.past = make([]float32, s.perTurn)
	p.Reset()
	return p, nil
}

// unitSum scales taps to sum 1. With both phases of an interpolator at exactly
// the same gain at DC, the image of bass vanishes.
func unitSum(taps []float64) {
	sum := 0.0
	for _, c := range taps {
		sum += c
	}
	for i := range taps {
		taps[i] /= sum
	}
}

// Reset makes the predictor as new.
func (p *Predictor) Reset() {
	clear(p.xl)
	clear(p.xr)
	clear(p.dl)
	clear(p.dr)
	clear(p.past)
	p.xn, p.dn, p.phase, p.sector, p.last, p.pastAt = p.side, p.margin, 0, 0, 0, 0
	p.disp.reset()
}

// Add feeds frames of the programme.
func (p *Predictor) Add(b audio.Block) {
	for i := 0; i < b.Len(); {
		n := min(chunkFrames, b.Len()-i)
		n = min(n, len(p.xl)-p.xn)
		copy(p.xl[p.xn:], b.L[i:i+n])
		copy(p.xr[p.xn:], b.R[i:i+n])
		p.xn += n
		i += n
		p.limitBand()
	}
}

// Flush feeds the silence that brings out the last sector.
func (p *Predictor) Flush(totalFrames int64) {
	p.last = p.sectors.Count(totalFrames)
	zero := audio.NewBlock(chunkFrames)
	for p.sector < p.last {
		p.Add(zero)
	}
}

// limitBand makes analysis-rate samples of all waiting input.
func (p *Predictor) limitBand() {
	outs := p.xn - 2*p.side
	if outs <= 0 {
		return
	}
	var n int
	switch {
	case p.sectors.up == 2:
		n = 2 * outs
		p.interleave(p.yl, p.xl, outs)
		p.interleave(p.yr, p.xr, outs)
	case p.sectors.down == 2:
		n = (outs - p.phase + 1) / 2
		if n > 0 {
			dsp.CorrelateStride2(p.yl[:n], p.xl[p.phase:p.xn], p.taps)
			dsp.CorrelateStride2(p.yr[:n], p.xr[p.phase:p.xn], p.taps)
		}
		p.phase = (p.phase + outs) & 1
	default:
		n = outs
		dsp.Correlate(p.yl[:n], p.xl[:p.xn], p.taps)
		dsp.Correlate(p.yr[:n], p.xr[:p.xn], p.taps)
	}
	copy(p.xl, p.xl[outs:p.xn])
	copy(p.xr, p.xr[outs:p.xn])
	p.xn -= outs
	p.disp.process(p.dl[p.dn:p.dn+n], p.dr[p.dn:p.dn+n], p.yl[:n], p.yr[:n])
	if p.walls != nil {
		p.walls(p.dl[p.dn:p.dn+n], p.dr[p.dn:p.dn+n])
		return
	}
	p.dn += n
	p.drain()
}

func (p *Predictor) interleave(y, x []float64, n int) {
	// Even outputs stand on input samples: centre at side.
	dsp.Correlate(p.odd[:n], x, p.taps)
	for i, v := range p.odd[:n] {
		y[2*i] = v
	}
	dsp.Correlate(p.odd[:n], x[1:], p.half)
	for i, v := range p.odd[:n] {
		y[2*i+1] = v
	}
}

// drain emits every sector whose samples and halo are there.
func (p *Predictor) drain() {
	at := 0
	for {
		n := int(p.sectors.analysisStart(p.sector+1) - p.sectors.analysisStart(p.sector))
		if p.dn-at < n+2*p.margin || (p.last > 0 && p.sector >= p.last) {
			break
		}
		p.measure(p.dl[at:at+n+2*p.margin], p.dr[at:at+n+2*p.margin], n)
		p.sector++
		at += n
	}
	if at > 0 {
		copy(p.dl, p.dl[at:p.dn])
		copy(p.dr, p.dr[at:p.dn])
		p.dn -= at
	}
}

func (p *Predictor) measure(wideL, wideR []float64, n int) {
	var m Motion
	from := p.margin - halo
	dl, dr := wideL[from:from+n+2*halo], wideR[from:from+n+2*halo]
	l, r := dl[halo:halo+n], dr[halo:halo+n]
	e := kernel.Extremes(l, r)
	m.OuterMaxUM = float32(math.Sqrt2 * top(dr, dr, 0, 1, e.MaxR, n))
	m.InnerMinUM = float32(-math.Sqrt2 * top(dl, dl, 0, -1, -e.MinL, n))
	m.LateralMaxUM = float32(top(dl, dr, 1, 1, e.MaxSum, n) / math.Sqrt2)
	m.LateralMinUM = float32(-top(dl, dr, 1, -1, -e.MinSum, n) / math.Sqrt2)
	m.VerticalMaxUM = float32(top(dl, dr, -1, 1, e.MaxDiff, n) / math.Sqrt2)
	m.VerticalMinUM = float32(-top(dl, dr, -1, -1, -e.MinDiff, n) / math.Sqrt2)
	m.MeanLUM = float32(e.TotalLeft / float64(n))
	m.MeanRUM = float32(e.TotalRight / float64(n))
	m.NestUM = float32(math.Sqrt2 * p.nest(l, r))
	if p.full {
		p.derive(&m, wideL, wideR, n)
	}
	p.emit(m)
}

// top refines the maximum of sign*(x + mix*y), whose greatest sample in the
// sector is most. x and y start halo samples before the sector.
func top(x, y []float64, mix, sign, most float64, n int) float64 {
	at := halo + kernel.Index(x[halo:halo+n], y[halo:halo+n], mix, sign*most)
	f := func(k int) float64 {
		if mix == 0 {
			return sign * x[k]
		}
		return sign * (x[k] + mix*y[k])
	}
	return vertex(f(at-1), f(at), f(at+1))
}

// nest returns the greatest outer edge of this turn less inner edge of the
// turn before at the same angle (in wall units), and remembers the left wall.
func (p *Predictor) nest(l, r []float64) float64 {
	best := math.Inf(-1)
	for len(l) > 0 {
		n := min(len(l), len(p.past)-p.pastAt)
		past := p.past[p.pastAt : p.pastAt+n]
		for i, was := range past {
			if e := r[i] - float64(was); e > best {
				best = e
			}
			past[i] = float32(l[i])
		}
		p.pastAt += n
		if p.pastAt == len(p.past) {
			p.pastAt = 0
		}
		l, r = l[n:], r[n:]
	}
	return best
}

func (p *Predictor) derive(m *Motion, wideL, wideR []float64, n int) {
	from := p.margin - halo
	dl, dr := wideL[from:from+n+2*halo], wideR[from:from+n+2*halo]
	t := p.diff
	v, v2, a, b := p.v[:n+2], p.v2[:n+2], p.a[:n+2], p.a2[:n+2]
	vm, am, sq := t.derive(v, a, dl, n)
	vl := crest(v, dl, vm, quietSpeed, t.velocityHalf)
	al := crest(a, dl, am, quietAccel, t.accelHalf)
	m.AccelSqL = float32(sq / float64(n))
	vm2, am2, sq := t.derive(v2, b, dr, n)
	vr := crest(v2, dr, vm2, quietSpeed, t.velocityHalf)
	ar := crest(b, dr, am2, quietAccel, t.accelHalf)
	m.AccelSqR = float32(sq / float64(n))
	if most := max(al, ar); most >= quietAccel {
		lowL, lowR := p.lowOfWall(p.lowL[:n], p.accelLow, wideL), p.lowOfWall(p.lowR[:n], p.accelLow, wideR)
		low := func(depth float64) float32 {
			target := most / depth
			return lowOf(most, target, min(share(a, lowL, al/am, target), share(b, lowR, ar/am2, target)))
		}
		m.AccelLow, m.AccelLowDeep = low(SplitShallow), low(SplitDeep)
	}
	if most := max(vl, vr); most >= quietSpeed {
		target := most / SplitShallow
		m.SpeedLow = lowOf(most, target, min(share(v, p.lowOfWall(p.lowL[:n], p.speedLow, wideL), vl/vm, target), share(v2, p.lowOfWall(p.lowR[:n], p.speedLow, wideR), vr/vm2, target)))
	}
	e := kernel.Extremes(v[1:n+1], v2[1:n+1])
	lat := fastest(v, v2, 1, e.MaxSum, e.MinSum)
	vert := fastest(v, v2, -1, e.MaxDiff, e.MinDiff)
	m.WallVelocity = float32(max(vl, vr))
	m.WallAccel = float32(max(al, ar))
	m.LateralSpeed = float32(lat / math.Sqrt2)
	m.VerticalSpeed = float32(vert / math.Sqrt2)
}

// fastest refines the greatest |x + mix*y| inside the sector, whose greatest
// and least samples are hi and lo. x and y start one sample before it.
func fastest(x, y []float64, mix, hi, lo float64) float64 {
	sign, v := 1.0, hi
	if -lo > hi {
		sign, v = -1, lo
	}
	i := 1 + kernel.Index(x[1:len(x)-1], y[1:len(y)-1], mix, v)
	f := func(k int) float64 { return sign * (x[k] + mix*y[k]) }
	return vertex(f(i-1), f(i), f(i+1))
}
