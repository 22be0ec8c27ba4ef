package stage

import (
	"fmt"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/groove"
)

// Modes of the limiting stages.
const (
	ModeApply    = "apply"
	ModeEstimate = "estimate"
)

// DeEssFloor is the least gain de-ess will set: 24 dB down. What needs more is
// not sibilance, and is left alone.
const DeEssFloor = 0.063

// DeEssTask is what the planner gives de-ess.
type DeEssTask struct {
	Sectors groove.Sectors
	Count   int       // sectors on the side
	Late    int       // frames by which the stages before delay the stream
	Watch   SectorSet // sectors that may exceed a limit
	Scale   float64   // channel velocity of full scale at 1 kHz at the cut level, m/s
	Aim     float64   // share of a limit aimed at where it is exceeded; 0 means 1
	// Limit gives the greatest acceleration (m/s2) and velocity (m/s) of a
	// wall in a sector, at its radius.
	Limit func(sector int) (accel, velocity float64)
}

// DeEsser holds each wall's acceleration (and speed, as far as the band can) at
// or below the limit of the sector by reducing the band above the crossover.
// The band is what a linear-phase low-pass leaves, so at gain 1 nothing at all
// changes. Left and right share one gain.
type DeEsser struct {
	Trace
	task  DeEssTask
	ride  *ride
	probe *groove.Probe
	low   []float64 // low-pass taps
	half  int

	lowL       []float64
	v, a       []float64
	vLow, aLow []float64
	pend       audio.Block // correction of the sector before, not yet made
	pendN      int
	next       audio.Block
}

// NewDeEss builds the stage for a task.
func NewDeEss(p DeEssParams, t DeEssTask) (*DeEsser, error) {
	fs := float64(t.Sectors.FrameRateHz)
	low, err := groove.SplitLowPass(fs, p.CrossoverHz)
	if err != nil {
		return nil, fmt.Errorf("de-ess: %w", err)
	}
	probe, err := groove.NewProbe(t.Sectors, t.Scale)
	if err != nil {
		return nil, fmt.Errorf("de-ess: %w", err)
	}
	if t.Aim == 0 {
		t.Aim = 1
	}
	d := &DeEsser{Trace: newTrace(t.Count, nil), task: t, probe: probe, low: low, half: (len(low) - 1) / 2}
	look := LookSectors(p.LookAheadMS, t.Sectors)
	d.ride = newRide(t.Sectors, t.Count, look, max(probe.Margin()+d.half, t.Sectors.MaxFrames()), t.Late, &d.Trace)
	d.ride.allow, d.ride.apply = d.allow, d.apply
	m := t.Sectors.MaxFrames()
	d.lowL = make([]float64, m+2*probe.Margin()+2)
	fine := 4*m + 8
	d.v, d.a, d.vLow, d.aLow = make([]float64, fine), make([]float64, fine), make([]float64, fine), make([]float64, fine)
	d.pend, d.next = audio.NewBlock(m), audio.NewBlock(m)
	return d, nil
}

// LookSectors turns a look-ahead into the whole sectors the gain curve is held
// and smoothed over, at least one. The curve reaches twice that far, and one
// sector more, on either side, so it is half of the look-ahead.
func LookSectors(ms float64, s groove.Sectors) int {
	n := int(math.Round(ms / 1000 / s.SecondsPerTurn * groove.SectorsPerTurn / 2))
	return max(n, 1)
}

// Delay is the look-ahead and the filters' length.
func (d *DeEsser) Delay() int { return d.ride.delay }

// Reset makes the stage as new.
func (d *DeEsser) Reset() {
	d.ride.reset()
	d.pendN = 0
	d.Trace = newTrace(d.task.Count, d.OnGain)
}

// Process treats the block in place.
func (d *DeEsser) Process(b audio.Block) { d.ride.process(b) }

func (d *DeEsser) allow(sector int, x audio.Block) (gain, worst float64, limit string) {
	if !d.task.Watch.Has(sector) {
		return 1, 0, ""
	}
	aLim, vLim := d.task.Limit(sector)
	off := d.ride.margin - d.probe.Margin()
	gain = 1
	for _, ch := range [2][]float64{x.L, x.R} {
		full := ch[off : len(ch)-off]
		n := d.probe.Fine(d.v, d.a, full, sector)
		over := false
		for _, q := range [2]struct {
			x     []float64
			limit float64
			name  string
		}{{d.a[:n], aLim, "curvature"}, {d.v[:n], vLim, "slope"}} {
			w := ratioOf(q.x, q.limit)
			over = over || w > 1
			if w > worst {
				worst, limit = w, q.name
			}
		}
		if !over {
			continue
		}
		low := d.lowL[:len(full)]
		dsp.Correlate(low, ch[off-d.half:], d.low)
		d.probe.Fine(d.vLow, d.aLow, low, sector)
		gain = min(gain, allowed(d.a[:n], d.aLow[:n], aLim, d.task.Aim), allowed(d.v[:n], d.vLow[:n], vLim, d.task.Aim))
	}
	return gain, worst, limit
}

// ratioOf is the crest of |x| over a limit.
func ratioOf(x []float64, limit float64) float64 {
	top := 0.0
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	return top * groove.CrestFactor(x) / limit
}

// allowed is the greatest gain of the high part (x-low) that brings |x| down to
// aim*limit where it exceeds the limit. Where what lies below the band is too
// much by itself, or so much that more than the floor would be needed, reducing
// the band would harm and not help: then nothing is asked for.
func allowed(x, low []float64, limit, aim float64) (gain float64) {
	if ratioOf(x, limit) <= 1 {
		return 1
	}
	gain = 1
	target := aim * limit / groove.CrestFactor(x)
	for i, v := range x {
		l, m := low[i], v
		if v < 0 {
			l, m = -l, -m
		}
		if m > target {
			gain = math.Min(gain, (target-l)/(m-l))
		}
	}
	if gain < DeEssFloor {
		return 1
	}
	return gain
}

// apply takes (1-g) of the high band away. The correction of a sector is made
// only after that of the next is computed, whose filter still needs the
// untouched frames.
func (d *DeEsser) apply(sector int, x audio.Block, g0, g1 float64) {
	n := int(d.task.Sectors.StartFrame(sector+1) - d.task.Sectors.StartFrame(sector))
	m := d.ride.margin
	touched := g0 < 1 || g1 < 1
	if touched {
		high(d.next.L[:n], x.L[m-d.half:], d.low, d.half)
		high(d.next.R[:n], x.R[m-d.half:], d.low, d.half)
		for i := 0; i < n; i++ {
			g := 1 - (g0 + (g1-g0)*(float64(i)+0.5)/float64(n))
			d.next.L[i] *= g
			d.next.R[i] *= g
		}
	}
	if d.pendN > 0 { // the sector before lies just in front of this one
		p := x.Slice(m-d.pendN, m)
		for i := range p.L {
			p.L[i] -= d.pend.L[i]
			p.R[i] -= d.pend.R[i]
		}
		d.pendN = 0
	}
	if touched {
		d.pend, d.next = d.next, d.pend
		d.pendN = n
	}
}

// high writes x less its low-pass; x starts half taps early.
func high(dst, x, taps []float64, half int) {
	dsp.Correlate(dst, x[:len(dst)+2*half], taps)
	for i := range dst {
		dst[i] = x[half+i] - dst[i]
	}
}
