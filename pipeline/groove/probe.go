package groove

import (
	"math"

	"discsafe/pipeline/dsp"
)

// Probe computes velocity and acceleration of one wall on a fine grid inside
// one sector, from a window of samples around it: the predictor's arithmetic
// for stages that must know the motion of a passage exactly. Not for whole
// programmes.
type Probe struct {
	p    *Predictor
	x    []float64
	d    []float64
	zero []float64
}

// probeWarmS is how much of the past a probe feeds the displacer before the
// sector: 11 of its 318 us time constants. The slower ones only add an offset
// and a slow drift, which two differentiations remove.
const probeWarmS = 0.0035

// NewProbe makes a probe at s.FrameRateHz for a channel scale in m/s at 1 kHz
// for a full-scale sine.
func NewProbe(s Sectors, scale float64) (*Probe, error) {
	p, err := NewPredictor(s, scale, false, func(Motion) {})
	if err != nil {
		return nil, err
	}
	n := s.MaxFrames()*2*s.up + int(probeWarmS*s.AnalysisRateHz())*2 + 8*halo
	return &Probe{p: p, d: make([]float64, n), zero: make([]float64, n), x: make([]float64, n)}, nil
}

// Margin is how many frames before and after a sector Fine must be given.
func (p *Probe) Margin() int {
	s := p.p.sectors
	return int(probeWarmS*float64(s.FrameRateHz)) + (2*halo+2)*s.down + p.p.side + 2
}

// Fine writes velocity (m/s) and acceleration (m/s2) at twice the analysis
// rate inside sector and returns the number of values. x holds the frames from
// Margin before the sector's first frame to Margin after its last. v and a must
// hold 4*MaxFrames values.
func (p *Probe) Fine(v, a, x []float64, sector int) int {
	q := p.p
	s := q.sectors
	first := s.StartFrame(sector) - int64(p.Margin()) // frame of x[0]
	a0 := s.analysisStart(sector)
	n := int(s.analysisStart(sector+1) - a0)
	// Analysis frames from the first whole output to halo after the sector.
	var d []float64
	var d0 int64 // analysis frame of d[0]
	outs := len(x) - 2*q.side
	switch {
	case s.up == 2:
		d = p.x[:2*outs]
		for at := 0; at < outs; at += chunkFrames {
			m := min(chunkFrames, outs-at)
			q.interleave(d[2*at:2*(at+m)], x[at:], m)
		}
		d0 = 2 * (first + int64(q.side))
	case s.down == 2:
		skip := int((first + int64(q.side)) & 1)
		m := (outs - skip + 1) / 2
		d = p.x[:m]
		dsp.CorrelateStride2(d, x[skip:], q.taps)
		d0 = (first + int64(q.side) + int64(skip)) / 2
	default:
		d = p.x[:outs]
		dsp.Correlate(d, x, q.taps)
		d0 = first + int64(q.side)
	}
	q.disp.reset()
	q.disp.process(p.d[:len(d)], p.zero[:len(d)], d, p.zero[:len(d)])
	at := int(a0 - d0)
	w := p.d[at-halo : at+n+halo]
	gv, ga := q.v[:n+2], q.a[:n+2]
	q.diff.derive(gv, ga, w, n)
	for i := 0; i < n; i++ {
		v[2*i], a[2*i] = gv[i+1], ga[i+1]
		v[2*i+1] = q.diff.velocityHalf(w, halo+i)
		a[2*i+1] = q.diff.accelHalf(w, halo+i)
	}
	return 2 * n
}

// CrestFactor is how much greater the true crest of a finely sampled signal is
// than its greatest sample, by parabola.
func CrestFactor(x []float64) float64 {
	best, top := 0.0, 0.0
	for i, v := range x {
		m := math.Abs(v)
		if m > best {
			best = m
		}
		if i == 0 || i == len(x)-1 || m < 0.9*best {
			continue
		}
		s := 1.0
		if v < 0 {
			s = -1
		}
		if p := vertex(s*x[i-1], m, s*x[i+1]); p > top {
			top = p
		}
	}
	if best == 0 || top < best {
		return 1
	}
	return top / best
}
