package pipeline

import (
	"fmt"
	"math"
	"slices"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/report"
)

// Lie is where the groove lies at one moment, before the programme moves it.
type Lie struct {
	RadiusMM float64 // of the groove's centre
	PitchUM  float64 // advance per turn
	DepthUM  float64 // unmodulated depth; half the width
}

// GroovePlan tells where the groove lies. Times outside the side are taken to
// its nearer end.
type GroovePlan interface {
	At(tS float64) Lie
}

// GrooveCut is what must be known of a prepared or analysed side to compute its
// groove anew: how it is cut, and on which disc.
type GrooveCut struct {
	Reference    groove.Reference
	LevelDB      float64 // cut level
	FileGainDB   float64 // gain that the premaster already has
	SampleRateHz int
	Frames       int64 // of the side
	RevolutionS  float64
	OuterMM      float64 // of the first groove
	LeastMM      float64 // radius below which the groove never lies
	TipUM        float64 // design tip
	MinWidthUM   float64 // limits of the room
	MaxDepthUM   float64
	MinLandUM    float64
	Plan         GroovePlan
}

// CutOf reads the cut of a side from its report. The plan is the report's land
// plan, which lies within 0.02 um in radius and depth of the one that was
// solved.
func CutOf(r *report.Report) (*GrooveCut, error) {
	if len(r.Land.Points) == 0 || r.Side.SampleRate <= 0 || r.Side.Disc.RevolutionS <= 0 {
		return nil, fmt.Errorf("report of side %q: it has no land plan or no sample rate; prepare the side again", r.Side.Side)
	}
	get := func(p *float64) float64 {
		if p == nil {
			return 0
		}
		return *p
	}
	ref := r.Cut.Reference
	c := &GrooveCut{
		Reference: groove.Reference{VelocityCMS: ref.VelocityCMS, Axis: ref.Axis, Kind: ref.Kind, HZ: ref.HZ, DBFS: ref.DBFS},
		LevelDB:   r.Cut.LevelDB, FileGainDB: r.Cut.FileGainDB, SampleRateHz: r.Side.SampleRate,
		Frames: int64(math.Round(r.Side.LengthS * float64(r.Side.SampleRate))), RevolutionS: r.Side.Disc.RevolutionS, OuterMM: r.Side.Disc.OuterMM,
		LeastMM: r.Side.Disc.InnerMM, TipUM: get(r.Limits.DesignTipUM),
		MinWidthUM: get(r.Limits.MinWidthUM), MaxDepthUM: get(r.Limits.MaxDepthUM), MinLandUM: get(r.Limits.MinLandUM),
		Plan: landPlan(slices.Clone(r.Land.Points)),
	}
	if r.Land.EndRadiusMM != nil {
		c.LeastMM = math.Min(c.LeastMM, *r.Land.EndRadiusMM-1)
	}
	return c, nil
}

// BeforeScale ties samples of the mixes to motion, AfterScale samples of the
// premaster; see groove.Scale.
func (c *GrooveCut) BeforeScale() float64 { return float64(c.Reference.ScaleAt(c.LevelDB)) }

// AfterScale is BeforeScale for the premaster, which already has the file gain.
func (c *GrooveCut) AfterScale() float64 { return c.BeforeScale() / audio.FromDB(c.FileGainDB) }

// speedMS is the groove speed at a radius in mm.
func (c *GrooveCut) speedMS(radiusMM float64) float64 {
	return 2 * math.Pi * radiusMM * 1e-3 / c.RevolutionS
}

// landPlan is a land plan as reports have it: straight lines between points.
type landPlan []report.LandPoint

// At implements GroovePlan.
func (p landPlan) At(tS float64) Lie {
	i, exact := slices.BinarySearchFunc(p, tS, func(a report.LandPoint, t float64) int {
		switch {
		case a.TS < t:
			return -1
		case a.TS > t:
			return 1
		}
		return 0
	})
	switch {
	case exact:
		return Lie{p[i].RadiusMM, p[i].PitchUM, p[i].DepthUM}
	case i == 0:
		return Lie{p[0].RadiusMM, p[0].PitchUM, p[0].DepthUM}
	case i == len(p):
		e := p[i-1]
		return Lie{e.RadiusMM, e.PitchUM, e.DepthUM}
	}
	a, b := p[i-1], p[i]
	f := (tS - a.TS) / (b.TS - a.TS)
	mix := func(x, y float64) float64 { return x + f*(y-x) }
	return Lie{mix(a.RadiusMM, b.RadiusMM), mix(a.PitchUM, b.PitchUM), mix(a.DepthUM, b.DepthUM)}
}
