package planner

import (
	"context"
	"math"
)

// level finds the cut level. Higher levels need more land and more treatment,
// so the highest that holds is found by halving on a grid of tenths of a dB;
// held is what stops the next step.
func (w *weigher) level(ctx context.Context) (levelDB float64, held string, err error) {
	s := w.side
	start := 0.0
	if !s.Fit {
		start = s.LevelDB
	}
	start = math.Min(math.Max(start, s.MinLevelDB), math.Max(s.MaxLevelDB, s.LevelDB))
	// A coarse land plan gives the search its radii; one more, near the level
	// found, makes them exact enough.
	if _, err := w.plan(ctx, start, true); err != nil {
		return 0, "", err
	}
	if !s.Fit {
		return s.LevelDB, "", nil
	}
	for round := 0; round < 2; round++ {
		levelDB, held, err = w.highest(ctx)
		if err != nil {
			return 0, "", err
		}
		if round == 0 && math.Abs(levelDB-start) > 0.5 {
			if _, err := w.plan(ctx, levelDB, true); err != nil {
				return 0, "", err
			}
			continue
		}
		break
	}
	return levelDB, held, nil
}

// highest halves between the least and greatest level of the plan.
func (w *weigher) highest(ctx context.Context) (levelDB float64, held string, err error) {
	s := w.side
	lo, hi := int(math.Ceil(s.MinLevelDB/levelStepDB-1e-9)), int(math.Floor(s.MaxLevelDB/levelStepDB+1e-9))
	o, err := w.Try(float64(hi) * levelStepDB)
	if err != nil || o.Holds {
		return round1(float64(hi) * levelStepDB), "", err
	}
	held = o.Held
	for hi-lo > 1 {
		if err := ctx.Err(); err != nil {
			return 0, "", err
		}
		mid := (lo + hi) / 2
		o, err := w.Try(float64(mid) * levelStepDB)
		if err != nil {
			return 0, "", err
		}
		if o.Holds {
			lo = mid
		} else {
			hi, held = mid, o.Held
		}
	}
	return round1(float64(lo) * levelStepDB), held, nil
}

func round1(x float64) float64 { return math.Round(x*10) / 10 }

// Try weighs one level on the envelopes, without a new land plan.
func (w *weigher) Try(levelDB float64) (Outcome, error) {
	gain := math.Pow(10, levelDB/20)
	d, err := w.planDepth(gain)
	if err != nil {
		return Outcome{}, err
	}
	s := w.side
	if err := w.needs(s.Log, d, gain, s.Limits.MinLandUM, landSpareUM); err != nil {
		return Outcome{}, err
	}
	w.markTracks(s.Limits.MinLandUM)
	return w.weigh(gain, levelDB, d, nil)
}

// Levels of the ladder in dB.
const (
	ladderFrom, ladderTo, ladderStep = -8.0, 8.0, 0.5
)

// Ladder weighs cut levels from -8 to +8 dB in steps of 0.5 on the envelopes.
func Ladder(ctx context.Context, s *Side, p *Plan) ([]Outcome, error) {
	w := &weigher{side: s, shape: p.Land}
	var rungs []Outcome
	for i := 0; ; i++ {
		db := ladderFrom + float64(i)*ladderStep
		if db > ladderTo {
			return rungs, nil
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		o, err := w.Try(db)
		if err != nil {
			return nil, err
		}
		rungs = append(rungs, o)
	}
}
