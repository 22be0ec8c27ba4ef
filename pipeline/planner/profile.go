package planner

import (
	"context"
	"errors"
	"math"

	"discsafe/pipeline/groove"
)

// Profile is what one programme asks of a side at each of several cut levels
// and from each of several radii at which it may begin: enough to weigh
// programmes in any order without going back to their logs. Place is indexed
// by level, then radius.
type Profile struct {
	LevelsDB []float64
	RadiiMM  []float64 // of the beginning
	LandUM   []float64 // by level: land a plan would take
	NeedUM   []float64 // by level: greatest need of one turn
	Sides    []Load    // by level: what limit-sides would do
	RMSRatio []float64 // by level: 1 s rms acceleration over the room's ceiling, 0 without one
	Place    [][]Placed
}

// Placed is what depends on where on the disc a programme lies.
type Placed struct {
	SlopeRatio     float64 // greatest, after what treatment can do
	CurvatureRatio float64 // greatest, after treatment
	DeEss          Load
}

// ProfileOf weighs the programme of s, which Fit, LevelDB and the level caps of s
// do not touch. Radii are in mm, levels in dB; both may have any
// order. Land is the provable bound at each level times what a full plan at the
// level next to 0 dB took above its bound.
func ProfileOf(ctx context.Context, s *Side, levelsDB, radiiMM []float64) (*Profile, error) {
	own := *s
	w := &weigher{side: &own}
	anchor := levelsDB[0]
	for _, db := range levelsDB {
		if math.Abs(db) < math.Abs(anchor) {
			anchor = db
		}
	}
	if _, err := w.plan(ctx, anchor, true); err != nil {
		return nil, err
	}
	p := &Profile{LevelsDB: levelsDB, RadiiMM: radiiMM}
	for _, db := range levelsDB {
		gain := math.Pow(10, db/20)
		d, err := w.prepare(gain)
		if err != nil {
			return nil, err
		}
		most, _ := w.largestNeed()
		var row []Placed
		var o Outcome
		for _, mm := range radiiMM {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			if o, err = w.from(gain, db, d, mm); err != nil {
				return nil, err
			}
			row = append(row, Placed{SlopeRatio: o.SlopeRatio, CurvatureRatio: o.CurvatureRatio, DeEss: o.DeEss})
		}
		p.Place = append(p.Place, row)
		p.LandUM = append(p.LandUM, o.LandUM)
		p.NeedUM = append(p.NeedUM, most)
		p.Sides = append(p.Sides, o.Sides)
		p.RMSRatio = append(p.RMSRatio, o.RMSRatio)
	}
	return p, nil
}

// from weighs a level for a programme that begins at a radius in mm.
func (w *weigher) from(gain, levelDB float64, d *depthPlan, beginMM float64) (Outcome, error) {
	disc := w.side.Limits.Disc
	defer func() { w.side.Limits.Disc = disc }()
	w.side.Limits.Disc.OuterMM = beginMM
	return w.weigh(gain, levelDB, d, nil)
}

// Part is a programme on its way onto a side.
type Part struct {
	Log     *groove.MotionLog
	Sectors int // of the log, from its beginning, that are the programme
	Gap     int // sectors of silence before it
}

// Concat makes one log in dir of programmes one after the other, and tells
// where each lies. Where a programme lies within one turn of another, their
// edges are taken as though the greatest excursions of the two sectors met;
// across silence this is exact.
func Concat(dir string, parts []Part) (_ *groove.MotionLog, tracks []Track, err error) {
	out, err := groove.NewMotionLog(dir)
	if err != nil {
		return nil, nil, err
	}
	const turn = groove.SectorsPerTurn
	var inner [turn]float32 // of the last turn
	at := 0
	add := func(m groove.Motion, fresh bool) {
		if fresh {
			m.NestUM = m.OuterMaxUM - inner[at%turn]
		}
		inner[at%turn] = m.InnerMinUM
		out.Append(m)
		at++
	}
	for _, p := range parts {
		for range p.Gap {
			add(groove.Motion{}, true)
		}
		start := at
		if err := p.Log.Scan(func(first int, run []groove.Motion) {
			for j := range run {
				if first+j < p.Sectors {
					add(run[j], first+j < turn)
				}
			}
		}); err != nil {
			return nil, nil, errors.Join(err, out.Close())
		}
		tracks = append(tracks, Track{Start: start, End: at})
	}
	return out, tracks, nil
}
