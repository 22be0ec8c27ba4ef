package planner

import (
	"context"
	"math"

	"discsafe/pipeline/dsp"
	"discsafe/pipeline/groove"
)

// Peak is a greatest (or least) value and the sector where it stands.
type Peak struct {
	Value  float64
	Sector int
}

func (p *Peak) most(v float64, sector int) {
	if v > p.Value {
		p.Value, p.Sector = v, sector
	}
}

func (p *Peak) least(v float64, sector int) {
	if v < p.Value {
		p.Value, p.Sector = v, sector
	}
}

// Point is one sector of the groove against its limits, for curves.
type Point struct {
	Sector                    int
	MinWidthUM, MaxDepthUM    float64
	SlopeRatio, CurvatureRat  float64
	WidthRatio, DepthRatio    float64 // rise and fall over what width and depth allow
	LandUM, PitchUM, RadiusMM float64
	DepthUM                   float64
}

// WallMotion is the greatest motion of a wall in one sector.
type WallMotion struct {
	VelocityMS, AccelMS2 float64 // peak
	GrooveMS             float64 // speed of the groove
}

// Reading is what the groove of a programme does at a plan's level, depth and
// radius.
type Reading struct {
	LateralUM, VerticalUM   Peak
	MinWidthUM, MaxDepthUM  Peak
	MinLandUM               Peak
	LateralCMS, VerticalCMS Peak
	AccelMS2                Peak
	AccelP999MS2            float64    // not passed in 99.9 % of sectors
	Slope, Curvature        Peak       // ratios, 1 is the limit
	Tightest                WallMotion // where Curvature was met
	Deepening               Peak       // ratio, 1 is the limit
	Vertical                Peak       // rise or fall over what width or depth allows
	Tips                    []Peak     // curvature for the room's report tips
	RMS                     [3]float64 // of acceleration in m/s2, over 0.1, 1 and 10 s
	OverSlopeS, OverCurveS  float64
	UnderWidthS, OverDepthS float64
	InfrasonicUM            Peak // motion below slowHz
	LandUM, EndRadiusMM     float64
	LandSpareUM             float64 // MinLand less what the room asks
	sectorS                 float64
	accelHistogram          []int
	infraL, infraR          slowFilter
	short, middle, long     rmsMeter
}

// Read evaluates a log against a plan. each, if not nil, gets every sector.
func Read(ctx context.Context, p *Plan, log *groove.MotionLog, each func(*Point)) (*Reading, error) {
	s := p.side
	w := &weigher{side: s}
	r := &Reading{Tips: make([]Peak, len(s.Room.Playback.ReportTipsUM))}
	r.MinWidthUM.Value, r.MinLandUM.Value = math.Inf(1), math.Inf(1)
	r.sectorS = s.Sectors.SecondsPerTurn / groove.SectorsPerTurn
	perS := 1 / r.sectorS
	cut := perS / s.slowdown() // sectors cut in a second
	r.short.window, r.middle.window, r.long.window = int(0.1*cut+0.5), int(cut+0.5), int(10*cut+0.5)
	r.accelHistogram = make([]int, accelBins)
	r.infraL, r.infraR = newSlowFilter(perS), newSlowFilter(perS)
	if err := w.needs(log, p.depth, p.Gain, 0, 0); err != nil {
		return nil, err
	}
	slack, at := p.Land.MinSlackUM(w.need)
	if at >= 0 {
		r.MinLandUM = Peak{slack, at}
		r.LandSpareUM = slack - s.Limits.MinLandUM
	}
	rad := &radii{outer: s.Limits.Disc.OuterMM, scale: 1, plan: p.Land}
	buf := make([]float64, 4096)
	adv := make([]float64, 4097)
	next := make([]float64, 4097)
	var pt Point
	err := log.Scan(func(first int, run []groove.Motion) {
		if ctx.Err() != nil {
			return
		}
		v := buf[:len(run)]
		w.speeds(v, first, rad)
		if each != nil {
			p.Land.SectorAdvancesUM(adv[:len(run)+1], first)
			p.Land.SectorAdvancesUM(next[:len(run)+1], first+groove.SectorsPerTurn)
		}
		for i := range run {
			r.sector(p, &run[i], first+i, v[i], &pt)
			if each != nil {
				j := first + i
				pt.Sector = j
				pt.LandUM = math.NaN()
				if j+groove.SectorsPerTurn < log.Len() {
					pt.LandUM = next[i] - adv[i] - float64(w.need[j])
				}
				pt.RadiusMM = rad.outer - adv[i]/1000
				pt.PitchUM = p.PitchUM(j)
				each(&pt)
			}
		}
	})
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return nil, err
	}
	r.finish(p)
	return r, nil
}

const (
	accelBins = 4000
	accelBin  = 10.0 // m/s2 per bin
)

func (r *Reading) sector(p *Plan, m *groove.Motion, at int, speed float64, pt *Point) {
	l, g := &p.side.Limits, p.Gain
	r.LateralUM.most(g*math.Max(float64(m.LateralMaxUM), -float64(m.LateralMinUM)), at)
	up, dn := g*float64(m.VerticalMaxUM), -g*float64(m.VerticalMinUM)
	r.VerticalUM.most(math.Max(up, dn), at)
	lo, hi := p.depth.span(at)
	width, depth := 2*(lo-up), hi+dn
	r.MinWidthUM.least(width, at)
	r.MaxDepthUM.most(depth, at)
	l1 := math.Max(l.AllowedRiseUM(lo), 1e-3)
	l2 := math.Max(l.AllowedFallUM(hi), 1e-3)
	r.Vertical.most(math.Max(up/l1, dn/l2), at)
	r.LateralCMS.most(100*g*float64(m.LateralSpeed), at)
	vert := g * float64(m.VerticalSpeed)
	r.VerticalCMS.most(100*vert, at)
	a := g * float64(m.WallAccel)
	r.AccelMS2.most(a, at)
	r.accelHistogram[min(int(a/accelBin), accelBins-1)]++
	slope := g * float64(m.WallVelocity) / groove.SlopeLimitMS(speed, l.BackFacetDeg)
	curve := a / groove.CurvatureLimitMS2(speed, p.side.TipUM())
	r.Slope.most(slope, at)
	if curve > r.Curvature.Value {
		r.Tightest = WallMotion{VelocityMS: g * float64(m.WallVelocity), AccelMS2: a, GrooveMS: speed}
	}
	r.Curvature.most(curve, at)
	r.Deepening.most(vert/groove.HeelLimitMS(speed, l.ClearanceDeg), at)
	for i, tip := range p.side.Room.Playback.ReportTipsUM {
		r.Tips[i].most(a/groove.CurvatureLimitMS2(speed, tip), at)
	}
	sl, sr := g*g*float64(m.AccelSqL), g*g*float64(m.AccelSqR)
	r.short.add(sl, sr)
	r.middle.add(sl, sr)
	r.long.add(sl, sr)
	if slope > 1 {
		r.OverSlopeS += r.sectorS
	}
	if curve > 1 {
		r.OverCurveS += r.sectorS
	}
	if width < l.MinWidthUM {
		r.UnderWidthS += r.sectorS
	}
	if depth > l.MaxDepthUM {
		r.OverDepthS += r.sectorS
	}
	r.InfrasonicUM.most(math.Sqrt2*g*math.Max(math.Abs(r.infraL.next(float64(m.MeanLUM))), math.Abs(r.infraR.next(float64(m.MeanRUM)))), at)
	pt.WidthRatio, pt.DepthRatio = up/l1, dn/l2
	pt.MinWidthUM, pt.MaxDepthUM, pt.SlopeRatio, pt.CurvatureRat, pt.DepthUM = width, depth, slope, curve, lo
}

func (r *Reading) finish(p *Plan) {
	slow := p.side.slowdown()
	for i, m := range []*rmsMeter{&r.short, &r.middle, &r.long} {
		r.RMS[i] = m.top() / (slow * slow)
	}
	total, sum := 0, 0
	for _, n := range r.accelHistogram {
		total += n
	}
	for i, n := range r.accelHistogram {
		sum += n
		if float64(sum) >= 0.999*float64(total) {
			r.AccelP999MS2 = float64(i+1) * accelBin
			break
		}
	}
	r.LandUM = p.Land.PlannedUM
	r.EndRadiusMM = p.side.Limits.Disc.OuterMM - p.Land.PlannedUM/1000
	if math.IsInf(r.MinWidthUM.Value, 1) {
		r.MinWidthUM = Peak{}
	}
}

// OwnLand plans the land a programme would take by itself at the plan's level
// and depth, for the before column.
func OwnLand(ctx context.Context, p *Plan, log *groove.MotionLog) (usedUM float64, err error) {
	w := &weigher{side: p.side}
	if err := w.needs(log, p.depth, p.Gain, p.side.Limits.MinLandUM, LandSpareUM); err != nil {
		return 0, err
	}
	w.markTracks(p.side.Limits.MinLandUM)
	pl, _, err := w.solveLand(ctx, true)
	if err != nil {
		return 0, err
	}
	return pl.PlannedUM, nil
}

// Settle replaces the land plan by one for the written file, if the old one
// does not give it the land the room asks for. It reports whether it did.
func (p *Plan) Settle(ctx context.Context, log *groove.MotionLog) (bool, error) {
	w := &weigher{side: p.side}
	land := p.side.Limits.MinLandUM
	if err := w.needs(log, p.depth, p.Gain, land, 0); err != nil {
		return false, err
	}
	if slack, at := p.Land.MinSlackUM(w.need); at < 0 || slack >= 0 {
		return false, nil
	}
	if err := w.needs(log, p.depth, p.Gain, land, LandSpareUM/2); err != nil {
		return false, err
	}
	w.markTracks(land)
	pl, landErr, err := w.solveLand(ctx, false)
	if err != nil {
		return false, err
	}
	p.Land, p.LandErr = pl, landErr
	p.LandUM, p.BoundUM = pl.PlannedUM, pl.BoundUM
	return true, nil
}

// FixedPitchUM is the constant pitch that the side would need, and the land it
// would take, for comparison.
func (p *Plan) FixedPitchUM(log *groove.MotionLog) (pitchUM, landUM float64, err error) {
	w := &weigher{side: p.side}
	if err := w.needs(log, p.depth, p.Gain, p.side.Limits.MinLandUM, 0); err != nil {
		return 0, 0, err
	}
	most, _ := w.largestNeed()
	return most, most * float64(log.Len()) / groove.SectorsPerTurn, nil
}

// slowFilter follows what lies below slowHz in a series of sector means: a
// fourth-order Butterworth low-pass, 38 dB down at 30 Hz, so that bass does
// not count as infrasonic.
type slowFilter struct {
	q [2]dsp.Biquad
	s [2]dsp.BiquadState
	x [1]float64
}

// slowHz is below what a motion counts as infrasonic, whatever the corner of the
// filter that may take it away.
const slowHz = 10

func newSlowFilter(perS float64) slowFilter {
	w := 2 * math.Pi * slowHz
	k := w / math.Tan(w/(2*perS))
	var f slowFilter
	for i, q := range []float64{0.54119610, 1.30656296} { // Butterworth order 4
		f.q[i] = dsp.Bilinear(w*w, 0, 0, w*w, w/q, 1, k)
	}
	return f
}

func (f *slowFilter) next(x float64) float64 {
	f.x[0] = x
	f.q[0].Process(&f.s[0], f.x[:])
	f.q[1].Process(&f.s[1], f.x[:])
	return f.x[0]
}

// LandBeforeUM is the greatest land between turns in the revolution before a
// sector: what shows between two tracks.
func (p *Plan) LandBeforeUM(log *groove.MotionLog, sector int) (float64, bool) {
	from := sector - groove.SectorsPerTurn
	if from < 0 || sector >= log.Len() {
		return 0, false
	}
	w := &weigher{side: p.side}
	if err := w.needs(log, p.depth, p.Gain, 0, 0); err != nil {
		return 0, false
	}
	best := math.Inf(-1)
	for i := from; i < from+depthSpread && i+groove.SectorsPerTurn < log.Len(); i++ {
		t := p.side.Sectors.Seconds(i)
		turn := p.Land.AdvanceUM(t+p.side.Sectors.SecondsPerTurn) - p.Land.AdvanceUM(t)
		best = math.Max(best, turn-float64(w.need[i]))
	}
	return best, !math.IsInf(best, -1)
}
