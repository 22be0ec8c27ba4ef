// Package planner decides, from compact envelopes of the groove, everything
// that will be done to a side: the cut level, how deep and how far apart the
// turns lie, and which sectors each limiting stage must watch. It never
// touches audio.
//
// Entry point: Solve. The envelopes are a groove.MotionLog at 0 dB cut level;
// motion is proportional to level, so any level can be tried on them.
package planner

import (
	"context"
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/land"
	"discsafe/pipeline/stage"
)

// Margins by which plans stay inside limits, because the written file is
// requantised and the envelopes are those before treatment.
const (
	treatTarget = 0.99  // limiting stages aim at this share of a limit
	watchFrom   = 0.985 // sectors above this share of a limit are watched
)

// LandSpareUM is added to every need for rounding and dither.
const LandSpareUM = 0.1

// HeldRatio is the share of a limit up to which it counts as held.
const HeldRatio = 1.0005

// Track is where one track lies on the side, in sectors.
type Track struct {
	Start, End int // End is exclusive
}

// Side is everything the planner must know.
type Side struct {
	Log     *groove.MotionLog // as it will be cut, before limiting, at 0 dB
	Sectors groove.Sectors
	Room    groove.Room
	Limits  groove.Limits // of the room on the disc, radii put in
	Tracks  []Track

	DeEss      *stage.DeEssParams      // nil when the chain has none
	LimitSides *stage.LimitSidesParams // nil when the chain has none

	MaxReductionDB  float64 // cap on momentary reduction, positive
	MaxTreatedShare float64 // cap on the share of time treated, 0 to 1
	MinLevelDB      float64 // re the room's reference, as all levels here
	MaxLevelDB      float64
	Fit             bool
	LevelDB         float64 // asked for, when Fit is false

	// Slowdown is how many times longer the cut takes than the programme: 2 at half
	// speed; 0 means 1. The groove is the same, the lathe's feed and depth have that
	// much more time, and the cutter's acceleration falls with its square.
	Slowdown float64

	// Tighten scales what each limiting stage aims at; 1 at first, less, but above
	// 0, when the written file was found above a limit.
	TightenDeEss, TightenSides float64

	scratch []float32 // needs of one weighing at a time
}

func (s *Side) slowdown() float64 {
	if s.Slowdown == 0 {
		return 1
	}
	return s.Slowdown
}

// Load is what one limiting stage would have to do at a level.
type Load struct {
	ReductionDB float64 // greatest momentary reduction, >= 0; an estimate for de-ess
	TreatedS    float64
	Worst       float64 // greatest value/limit before treatment
	AtSector    int
}

// Outcome is one cut level weighed.
type Outcome struct {
	LevelDB        float64 // re the room's reference
	BoundUM        float64 // least land any plan needs
	LandUM         float64 // land planned, or estimated from the bound
	DeEss, Sides   Load
	SlopeRatio     float64 // greatest, after what treatment can do; 1 is the limit
	SlopeAt        int
	CurvatureRatio float64 // greatest, after treatment; 1 is the limit
	CurvatureAt    int
	RMSRatio       float64 // 1 s rms acceleration of the cutter over the room's ceiling, 0 when there is none
	Holds          bool
	Held           string // code of the first rule that does not hold
}

// Plan is everything decided about a side.
type Plan struct {
	Outcome
	Gain      float64 // linear, of motion, at LevelDB
	Land      *land.Plan
	LandErr   error  // why there is no proper land plan; Land is then a stand-in
	HeldAbove string // what stops the next higher level, or "" at the plan's maximum
	Watch     struct{ DeEss, Sides stage.SectorSet }
	depth     *depthPlan
	side      *Side
}

// TipUM is the tip for which curvature is held.
func (s *Side) TipUM() float64 {
	if s.DeEss != nil && s.DeEss.TipUM > 0 {
		return s.DeEss.TipUM
	}
	return s.Limits.TipUM
}

func (s *Side) treats(what string) bool {
	switch what {
	case stage.DeEss:
		return s.DeEss != nil && s.DeEss.Mode != stage.ModeEstimate
	default:
		return s.LimitSides != nil && s.LimitSides.Mode != stage.ModeEstimate
	}
}

// AvailableUM is the radius the disc offers between the first modulated groove
// and the quality limit.
func (s *Side) AvailableUM() float64 {
	return (s.Limits.Disc.OuterMM - s.Limits.Disc.InnerQualityMM) * 1000
}

// RadiusMM is the radius at the end of a sector, where the groove is slowest.
func (p *Plan) RadiusMM(sector int) float64 {
	t := p.side.Sectors.Seconds(sector + 1)
	return p.side.Limits.Disc.OuterMM - p.Land.AdvanceUM(t)/1000
}

// PitchUM is the pitch at a sector.
func (p *Plan) PitchUM(sector int) float64 {
	return p.Land.PitchUM(p.side.Sectors.Seconds(sector))
}

// DepthUM is the mean depth at the start of a sector.
func (p *Plan) DepthUM(sector int) float64 { return p.depth.at(sector) }

// Aim is the share of a limit that a limiting stage aims at.
func (p *Plan) Aim(id string) float64 {
	if id == stage.DeEss {
		return treatTarget * p.side.TightenDeEss
	}
	return treatTarget * p.side.TightenSides
}

// DeEssLimit is the limit function of a stage.DeEssTask: of a channel, in m/s2
// and m/s.
func (p *Plan) DeEssLimit(sector int) (accel, velocity float64) {
	r := p.RadiusMM(sector)
	return p.side.Limits.ChannelAccelerationForTipMS2(r, p.side.TipUM()), p.side.Limits.ChannelVelocityMS(r)
}

// SidesRoom is the room function of a stage.LimitSidesTask.
func (p *Plan) SidesRoom(sector int) (riseUM, fallUM float64) {
	lo, hi := p.depth.span(sector)
	return p.side.Limits.AllowedRiseUM(lo), p.side.Limits.AllowedFallUM(hi)
}

// Solve finds the level and plans land, depth and treatment at it.
func Solve(ctx context.Context, s *Side) (*Plan, error) {
	w := &weigher{side: s}
	level, held, err := w.level(ctx)
	if err != nil {
		return nil, err
	}
	for {
		p, err := w.plan(ctx, level, false)
		if err != nil {
			return nil, err
		}
		if p.Holds || !s.Fit || level <= LowestLevelDB || (soft(p.Held) && level <= s.MinLevelDB) {
			p.HeldAbove = held
			return p, nil
		}
		// The optimum of land moves radii a little against the search's
		// estimate; a tenth of a dB settles it.
		held = p.Held
		level = math.Round((level-levelStepDB)*10) / 10
	}
}
