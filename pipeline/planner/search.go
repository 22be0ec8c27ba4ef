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

// LowestLevelDB is where the search ends when land or the cutter demand less
// than the plan's lowest level.
const LowestLevelDB = -24.0

// highest finds the highest level from the plan's least to its greatest at
// which everything holds. When not even the least meets the caps and the
// curvature limit, those are given up (the verdict will say so): the least is
// taken, or, where land or the cutter do not allow it, the highest below.
func (w *weigher) highest(ctx context.Context) (levelDB float64, held string, err error) {
	s := w.side
	lo, hi := tenths(s.MinLevelDB), tenths(s.MaxLevelDB)
	all := func(o Outcome) bool { return o.Holds }
	best, held, err := w.halve(ctx, lo, hi, all)
	if err != nil || best >= lo {
		return levelOf(best), held, err
	}
	hard := func(o Outcome) bool {
		return o.Holds || soft(o.Held)
	}
	best, _, err = w.halve(ctx, tenths(LowestLevelDB), lo, hard)
	if best < tenths(LowestLevelDB) { // no level helps
		best = lo
	}
	return levelOf(best), held, err
}

// soft tells whether a rule is one of taste (the caps) or the listener's
// (curvature), for which fitting goes no lower than the plan's least level.
func soft(code string) bool {
	return code == HeldReduction || code == HeldTreated || code == HeldCurvature
}

// halve returns the greatest step from lo to hi that is good, lo-1 if none is,
// and what holds the next one; "" when hi is good. Goodness falls with level.
func (w *weigher) halve(ctx context.Context, lo, hi int, good func(Outcome) bool) (best int, held string, err error) {
	o, err := w.Try(levelOf(hi))
	if err != nil || good(o) {
		return hi, "", err
	}
	held = o.Held
	for lo--; hi-lo > 1; {
		if err := ctx.Err(); err != nil {
			return lo, "", err
		}
		mid := (lo + hi) / 2
		o, err := w.Try(levelOf(mid))
		if err != nil {
			return lo, "", err
		}
		if good(o) {
			lo = mid
		} else {
			hi, held = mid, o.Held
		}
	}
	return lo, held, nil
}

func tenths(db float64) int { return int(math.Round(db / levelStepDB)) }

func levelOf(step int) float64 { return round1(float64(step) * levelStepDB) }

func round1(x float64) float64 { return math.Round(x*10) / 10 }

// Try weighs one level on the envelopes, without a new land plan.
func (w *weigher) Try(levelDB float64) (Outcome, error) {
	gain := math.Pow(10, levelDB/20)
	d, err := w.prepare(gain)
	if err != nil {
		return Outcome{}, err
	}
	return w.weigh(gain, levelDB, d, nil)
}

// prepare plans the depth at a gain, and finds what land each sector then needs.
func (w *weigher) prepare(gain float64) (*depthPlan, error) {
	d, err := w.planDepth(gain)
	if err != nil {
		return nil, err
	}
	land := w.side.Limits.MinLandUM
	if err := w.needs(w.side.Log, d, gain, land, LandSpareUM); err != nil {
		return nil, err
	}
	w.markTracks(land)
	return d, nil
}
