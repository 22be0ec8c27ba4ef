package pipeline

import (
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
	"discsafe/pipeline/stage"
)

// ladder says what each cut level would cost, were it cut. Filters that act
// when needed act at each rung as they would there, as far as the groove behind
// them was measured; else as at the level cut, and the rung says so. was is the
// reading of the mixes.
func (j *job) ladder(was *planner.Reading) ([]report.Rung, error) {
	levels := planner.LadderLevels()
	sets, err := j.ladderFilters(levels, was.InfrasonicUM.Value/j.cut.Gain)
	if err != nil {
		return nil, err
	}
	logs, unlike, err := j.ladderLogs(sets)
	if err != nil {
		return nil, err
	}
	rungs, err := planner.Ladder(j.ctx, j.ps, j.cut, logs)
	if err != nil {
		return nil, err
	}
	var out []report.Rung
	for i, o := range rungs {
		g := report.Rung{LevelDB: o.LevelDB, LandMM: report.Num(o.LandUM / 1000), EndRadiusMM: report.Num(j.ps.Limits.Disc.OuterMM - o.LandUM/1000),
			CurvatureRatio: report.Num(o.CurvatureRatio), SlopeRatio: report.Num(o.SlopeRatio), State: report.Ready, Why: "within the stated room profile and caps",
		}
		if !o.Holds {
			g.Why = heldWords(o.Held)
			g.State = report.Blocked
			if o.Held == planner.HeldReduction || o.Held == planner.HeldTreated {
				g.State = report.Attention
			}
		}
		g.Filters = sets[i].ids()
		if unlike[i] {
			g.Filters = j.filters.ids()
			g.Why += "; reckoned with the filters of the level cut, others would act here"
		}
		for _, t := range []struct {
			on   bool
			id   string
			load planner.Load
		}{{j.chain.deEss != nil, stage.DeEss, o.DeEss}, {j.chain.limitSides != nil, stage.LimitSides, o.Sides}} {
			if t.on {
				g.Treatment = append(g.Treatment, report.Treatment{Stage: t.id, MaxDB: -t.load.ReductionDB, TreatedS: t.load.TreatedS})
			}
		}
		out = append(out, g)
	}
	out[nearest(out, j.cut.LevelDB)].Chosen = true
	return out, nil
}

// ladderLogs gives for each set of filters the groove behind it. At most one
// set is measured for the ladder alone; levels with yet another are marked unlike and get the groove of the level cut.
func (j *job) ladderLogs(sets []filters) (logs []*groove.MotionLog, unlike []bool, err error) {
	asked := map[filters]int{}
	var most filters
	for _, f := range sets {
		if j.atHand(f) == nil {
			f = f.moving()
			if asked[f]++; asked[f] > asked[most] {
				most = f
			}
		}
	}
	if asked[most] > 0 {
		if _, err := j.lane(most); err != nil {
			return nil, nil, err
		}
	}
	logs, unlike = make([]*groove.MotionLog, len(sets)), make([]bool, len(sets))
	for i, f := range sets {
		if logs[i] = j.atHand(f); logs[i] == nil {
			logs[i], unlike[i] = j.ps.Log, true
		}
	}
	return logs, unlike, nil
}

// ladderFilters decides for each level, lowest first, which filters would act;
// infrasonicUM is the infrasonic motion at 0 dB.
func (j *job) ladderFilters(levels []float64, infrasonicUM float64) ([]filters, error) {
	infrasonic, sumLows := j.chain.infrasonic, j.chain.sumLows
	summed := false // once the lows need summing, they need it at every higher level
	var out []filters
	for _, db := range levels {
		gain := audio.FromDB(db)
		f := j.filters
		if infrasonic != nil && infrasonic.When == stage.WhenNeeded {
			f.infrasonic = gain*infrasonicUM > infrasonic.ThresholdUM
		}
		if sumLows != nil && sumLows.When == stage.WhenNeeded && !j.plan.Mono {
			if !summed {
				q, err := planner.VerticalRatio(j.ps, j.before.log, gain)
				if err != nil {
					return nil, err
				}
				summed = q > 1
			}
			f.sumLows = summed
		}
		out = append(out, f)
	}
	return out, nil
}

// nearest is the rung next to a level, the lower of two.
func nearest(rungs []report.Rung, levelDB float64) int {
	best := 0
	for i, g := range rungs {
		if math.Abs(g.LevelDB-levelDB) < math.Abs(rungs[best].LevelDB-levelDB)-1e-9 {
			best = i
		}
	}
	return best
}
