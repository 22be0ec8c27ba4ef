package planner

import (
	"context"
	"errors"
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/land"
	"discsafe/pipeline/stage"
)

// levelStepDB is how finely levels are tried.
const levelStepDB = 0.1

// Codes of what can hold a level down, in the order they are checked.
const (
	HeldLand      = "land"
	HeldPitch     = "pitch-max"
	HeldSlope     = "slope"
	HeldCurvature = "curvature"
	HeldVertical  = "width-depth"
	HeldRMS       = "rms-acceleration"
	HeldReduction = "max-reduction"
	HeldTreated   = "max-treated-share"
)

// weigher tries levels on the envelopes of one side.
type weigher struct {
	side  *Side
	need  []float32
	shape *land.Plan // a land plan of a level near by; gives radii
	over  float64    // land over its provable bound, there
	rise  []float32  // vertical motion by depth node, see vertical
	fall  []float32
}

// radii answers how fast the groove runs at each sector.
type radii struct {
	outer, scale float64
	least        float64 // nothing is reckoned further in: where a level does not fit, land says so
	plan         *land.Plan
}

// speeds fills buf with groove speed at the end of sectors first+1...
func (w *weigher) speeds(buf []float64, first int, r *radii) {
	n := len(buf)
	if r.plan != nil {
		r.plan.SectorAdvancesUM(buf, first+1)
	}
	k := 2 * math.Pi / w.side.Sectors.SecondsPerTurn / 1000
	for i := 0; i < n; i++ {
		buf[i] = k * math.Max(r.outer-r.scale*buf[i]/1000, r.least)
	}
}

// weigh says whether a level holds. With plan nil, land is taken from the
// provable bound, as much above it as the last plan was, and radii from the
// shape of that plan.
func (w *weigher) weigh(gain, levelDB float64, d *depthPlan, plan *land.Plan) (Outcome, error) {
	s := w.side
	o := Outcome{LevelDB: levelDB}
	p := w.problem()
	o.BoundUM = land.BoundMinPitch(p)
	r := &radii{outer: s.Limits.Disc.OuterMM, scale: 1, plan: plan}
	if plan != nil {
		o.LandUM = plan.PlannedUM
	} else {
		o.LandUM = o.BoundUM * w.over
		r.plan, r.least = w.shape, s.Limits.Disc.InnerHardMM
		r.scale = o.LandUM / w.shape.PlannedUM
	}
	if err := w.treat(&o, gain, d, r); err != nil {
		return o, err
	}
	o.Held = w.held(&o)
	o.Holds = o.Held == ""
	return o, nil
}

func (w *weigher) held(o *Outcome) string {
	s := w.side
	total := s.Sectors.Seconds(s.Log.Len())
	cap := math.Pow(10, s.MaxReductionDB/20) * 1.0001
	most, _ := w.largestNeed()
	switch {
	case o.LandUM > s.AvailableUM():
		return HeldLand
	case most > s.Room.Pitch.MaxUM:
		return HeldPitch
	case o.SlopeRatio > HeldRatio:
		return HeldSlope
	case o.Sides.Worst > HeldRatio && s.LimitSides == nil:
		return HeldVertical
	case o.RMSRatio > 1:
		return HeldRMS
	case o.CurvatureRatio > HeldRatio && !(s.DeEss != nil && s.DeEss.Mode == stage.ModeEstimate):
		return HeldCurvature
	case s.treats(stage.DeEss) && math.Pow(10, o.DeEss.ReductionDB/20) > cap,
		s.treats(stage.LimitSides) && math.Pow(10, o.Sides.ReductionDB/20) > cap:
		return HeldReduction
	case o.DeEss.TreatedS > s.MaxTreatedShare*total, o.Sides.TreatedS > s.MaxTreatedShare*total:
		return HeldTreated
	}
	return ""
}

// reach counts sectors within a stage's reach of a sector that needs it.
type reach struct {
	look, end int // end: first sector not yet counted as treated
	count     int
}

func (r *reach) hit(sector int) {
	from := max(sector-2*r.look-1, r.end, 0)
	to := sector + 2*r.look + 2
	if to > from {
		r.count += to - from
		r.end = to
	}
}

// treat estimates what the limiting stages must do at a gain.
func (w *weigher) treat(o *Outcome, gain float64, d *depthPlan, r *radii) error {
	s := w.side
	var ess, sides reach
	if s.DeEss != nil {
		ess.look = stage.LookSectors(s.DeEss.LookAheadMS, s.Sectors)
	}
	if s.LimitSides != nil {
		sides.look = stage.LookSectors(s.LimitSides.LookAheadMS, s.Sectors)
	}
	aim := treatTarget * s.TightenDeEss
	aimSides := treatTarget * s.TightenSides
	tip := s.TipUM() * 1e-6
	slope := groove.SlopeLimitMS(1, s.Limits.BackFacetDeg)
	essGain, sidesGain := 1.0, 1.0
	var rms rmsMeter
	slow := s.slowdown()
	rms.window = int(1/slow/s.Sectors.SecondsPerTurn*groove.SectorsPerTurn + 0.5)
	speeds := make([]float64, 4096)
	err := s.Log.Scan(func(first int, run []groove.Motion) {
		v := speeds[:len(run)]
		w.speeds(v, first, r)
		for i := range run {
			m := &run[i]
			at := first + i
			aLim := v[i] * v[i] / tip
			a := gain * float64(m.WallAccel)
			ratio := a / aLim
			if ratio > o.DeEss.Worst {
				o.DeEss.Worst, o.DeEss.AtSector = ratio, at
			}
			sp := gain * float64(m.WallVelocity)
			slopeRatio := sp / (slope * v[i])
			after := ratio
			if s.treats(stage.DeEss) && (ratio > 1 || slopeRatio > 1) {
				low := gain * m.LowFor(ratio/aim)
				g := 1.0
				// Below the floor there is nothing that de-ess can cure.
				if c := (aim*aLim - low) / (a - low); ratio > 1 && c >= stage.DeEssFloor {
					g, after = c, 1
				}
				low = gain * float64(m.SpeedLow)
				if c := (aim*slope*v[i] - low) / (sp - low); slopeRatio > 1 && c >= stage.DeEssFloor {
					g, slopeRatio = math.Min(g, c), 1
				}
				if g < 1 {
					essGain = math.Min(essGain, g)
					ess.hit(at)
				}
			}
			if slopeRatio > o.SlopeRatio {
				o.SlopeRatio, o.SlopeAt = slopeRatio, at
			}
			if after > o.CurvatureRatio {
				o.CurvatureRatio, o.CurvatureAt = after, at
			}
			lo, hi := d.span(at)
			up, dn := gain*float64(m.VerticalMaxUM), -gain*float64(m.VerticalMinUM)
			rise, fall := s.Limits.AllowedRiseUM(lo), s.Limits.AllowedFallUM(hi)
			q := math.Max(up/math.Max(rise, 1e-3), dn/math.Max(fall, 1e-3))
			if q > o.Sides.Worst {
				o.Sides.Worst, o.Sides.AtSector = q, at
			}
			if q > 1 && s.LimitSides != nil {
				sidesGain = math.Min(sidesGain, aimSides/q)
				sides.hit(at)
			}
			rms.add(gain*gain*float64(m.AccelSqL), gain*gain*float64(m.AccelSqR))
		}
	})
	if err != nil {
		return err
	}
	n := s.Log.Len()
	sec := s.Sectors.SecondsPerTurn / groove.SectorsPerTurn
	o.DeEss.ReductionDB, o.Sides.ReductionDB = -dbOf(essGain), -dbOf(sidesGain)
	o.DeEss.TreatedS, o.Sides.TreatedS = float64(min(ess.count, n))*sec, float64(min(sides.count, n))*sec
	if c := s.Limits.RMSAcceleration; c != nil && *c > 0 {
		o.RMSRatio = rms.top() / (slow * slow) / *c
	}
	return nil
}

// rmsMeter finds the greatest windowed rms of two channels.
type rmsMeter struct {
	window   int
	l, r     []float64
	sl, sr   float64
	at       int
	greatest float64
}

func (m *rmsMeter) add(l, r float64) {
	if m.l == nil {
		m.l, m.r = make([]float64, m.window), make([]float64, m.window)
	}
	m.sl += l - m.l[m.at]
	m.sr += r - m.r[m.at]
	m.l[m.at], m.r[m.at] = l, r
	m.at++
	if m.at == m.window {
		m.at = 0
		m.sl, m.sr = 0, 0 // sum anew: no drift
		for i := range m.l {
			m.sl += m.l[i]
			m.sr += m.r[i]
		}
	}
	m.greatest = math.Max(m.greatest, math.Max(m.sl, m.sr))
}

func (m *rmsMeter) top() float64 {
	if m.window == 0 {
		return 0
	}
	return math.Sqrt(math.Max(m.greatest, 0) / float64(m.window))
}

// plan makes the full plan at a level. quick uses a coarser land optimum.
func (w *weigher) plan(ctx context.Context, levelDB float64, quick bool) (*Plan, error) {
	p := &Plan{Gain: math.Pow(10, levelDB/20), side: w.side}
	d, err := w.prepare(p.Gain)
	if err != nil {
		return nil, err
	}
	p.depth = d
	p.Land, p.LandErr, err = w.solveLand(ctx, quick)
	if err != nil {
		return nil, err
	}
	w.shape, w.over = p.Land, over(p.Land)
	p.Outcome, err = w.weigh(p.Gain, levelDB, d, p.Land)
	if err != nil {
		return nil, err
	}
	if p.LandErr != nil {
		p.Holds, p.Held = false, HeldPitch
	}
	return p, w.watch(p)
}

// solveLand returns the optimum, or, where the room's coarsest pitch is not
// enough, the optimum of a room without that limit and the reason.
func (w *weigher) solveLand(ctx context.Context, quick bool) (*land.Plan, error, error) {
	p := w.problem()
	pl, err := land.Solve(ctx, p, land.Options{Quick: quick})
	var inf *land.InfeasibleError
	if !errors.As(err, &inf) {
		return pl, nil, err
	}
	most, _ := w.largestNeed()
	p.MaxPitchUM = math.Max(p.MaxPitchUM, most*1.01)
	pl, err = land.Solve(ctx, p, land.Options{Quick: true})
	return pl, inf, err
}

// watch marks the sectors each limiting stage must look at.
func (w *weigher) watch(p *Plan) error {
	s := w.side
	n := s.Log.Len()
	p.Watch.DeEss, p.Watch.Sides = stage.NewSectorSet(n), stage.NewSectorSet(n)
	r := &radii{outer: s.Limits.Disc.OuterMM, scale: 1, plan: p.Land}
	tip := s.TipUM() * 1e-6
	slope := groove.SlopeLimitMS(1, s.Limits.BackFacetDeg)
	speeds := make([]float64, 4096)
	from, fromSides := watchFrom*s.TightenDeEss, watchFrom*s.TightenSides
	return s.Log.Scan(func(first int, run []groove.Motion) {
		v := speeds[:len(run)]
		w.speeds(v, first, r)
		for i := range run {
			m := &run[i]
			if p.Gain*float64(m.WallAccel) > from*v[i]*v[i]/tip || p.Gain*float64(m.WallVelocity) > from*slope*v[i] {
				p.Watch.DeEss.Add(first + i)
			}
			lo, hi := p.depth.span(first + i)
			if p.Gain*float64(m.VerticalMaxUM) > fromSides*s.Limits.AllowedRiseUM(lo) ||
				-p.Gain*float64(m.VerticalMinUM) > fromSides*s.Limits.AllowedFallUM(hi) {
				p.Watch.Sides.Add(first + i)
			}
		}
	})
}

// Rewatch marks the watched sectors anew after Side.Tighten* has changed.
func (p *Plan) Rewatch() error { return (&weigher{side: p.side}).watch(p) }

// VerticalRatio is the greatest rise or fall of a log over what width and
// depth allow at a gain, with a depth plan of its own: above 1 the side signal
// needs treatment.
func VerticalRatio(s *Side, log *groove.MotionLog, gain float64) (float64, error) {
	own := *s
	own.Log = log
	w := &weigher{side: &own}
	d, err := w.planDepth(gain)
	if err != nil {
		return 0, err
	}
	worst := 0.0
	err = log.Scan(func(first int, run []groove.Motion) {
		for i := range run {
			lo, hi := d.span(first + i)
			up, dn := gain*float64(run[i].VerticalMaxUM), -gain*float64(run[i].VerticalMinUM)
			worst = math.Max(worst, math.Max(up/math.Max(own.Limits.AllowedRiseUM(lo), 1e-3), dn/math.Max(own.Limits.AllowedFallUM(hi), 1e-3)))
		}
	})
	return worst, err
}
