package groove

import (
	"fmt"
	"math"

	"discsafe/pipeline/dsp"
)

// DefaultSplitHz is where Motion.AccelLow is split off unless SplitAt says
// otherwise: the default crossover of de-ess.
const DefaultSplitHz = 4000

// SplitLowPass designs the linear-phase low-pass that splits the band below a
// crossover from the treble above: -6 dB at the crossover, passing up to 0.7
// and stopping (60 dB) from 1.3 times it. Crossover in Hz, from 1000 to a third of
// the rate; errors of dsp.LowPass.
func SplitLowPass(rateHz, crossoverHz float64) ([]float64, error) {
	return dsp.LowPass(rateHz, crossoverHz*0.7, crossoverHz*1.3, 60)
}

// SplitAt makes the predictor split Motion.AccelLow off at the crossover of a
// de-ess stage, whose own filter it uses. Call it before Add.
func (p *Predictor) SplitAt(crossoverHz float64) error {
	if err := p.splitAt(crossoverHz); err != nil {
		return err
	}
	longest := int(p.sectors.perTurn/SectorsPerTurn) + 2
	p.dl = make([]float64, longest+2*p.margin+2*chunkFrames)
	p.dr = make([]float64, len(p.dl))
	p.Reset()
	return nil
}

func (p *Predictor) splitAt(crossoverHz float64) error {
	h, err := SplitLowPass(p.sectors.AnalysisRateHz(), crossoverHz)
	if err != nil {
		return fmt.Errorf("splitting acceleration at %g Hz: %w", crossoverHz, err)
	}
	// Low-pass and derivative in one kernel.
	g := &p.diff.grid
	const reach = len(g.V)
	n := len(h) + 2*reach
	p.accelLow, p.speedLow = make([]float64, n), make([]float64, n)
	for i, c := range h {
		p.accelLow[i+reach] += c * g.A[0]
		for k := 1; k <= reach; k++ {
			p.accelLow[i+reach+k] += c * g.A[k]
			p.accelLow[i+reach-k] += c * g.A[k]
			p.speedLow[i+reach+k] += c * g.V[k-1]
			p.speedLow[i+reach-k] -= c * g.V[k-1]
		}
	}
	p.margin = n/2 + 2
	return nil
}

// How far below a sector's peak the share of the low band is judged, as a ratio:
// 3.5 dB and 12 dB, the range of what de-ess usually takes away. For speed,
// where little can be taken away, the first alone.
const (
	SplitShallow = 1.5
	SplitDeep    = 4.0
)

// LowFor is the low part of acceleration, in m/s2, for a limit that the peak
// passes by a ratio: linear between the two depths that were split, as nothing is
// known between them.
func (m *Motion) LowFor(ratio float64) float64 {
	f := min(max((ratio-SplitShallow)/(SplitDeep-SplitShallow), 0), 1)
	return (1-f)*float64(m.AccelLow) + f*float64(m.AccelLowDeep)
}

// lowOf is the low part by which gain g of the rest brings most to target.
func lowOf(most, target, g float64) float32 {
	if g >= 1 {
		return 0
	}
	return float32((target - g*most) / (1 - g))
}

// lowOfWall is a wall's motion below the split at every sample of a sector.
func (p *Predictor) lowOfWall(dst, taps, wide []float64) []float64 {
	dsp.Correlate(dst, wide[p.margin-len(taps)/2:], taps)
	return dst
}

func share(x, lows []float64, factor, target float64) float64 {
	g := 1.0
	for i := 1; i < len(x)-1; i++ {
		m := math.Abs(x[i])
		if m*factor <= target || m < math.Abs(x[i-1]) || m < math.Abs(x[i+1]) {
			continue
		}
		low := lows[i-1]
		if x[i] < 0 {
			low = -low
		}
		if m *= factor; m > low {
			g = min(g, (target-low)/(m-low))
		}
	}
	return g
}
