package planner

import (
	"context"
	"fmt"
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/land"
)

// Levels of the ladder in dB. Land is planned at every landEvery-th rung and
// wherever the filters change; between them what the plan takes above its bound
// is interpolated: over 2 dB it is straight within 0.2 % on real sides.
const (
	ladderFromDB, ladderStepDB = -8.0, 0.5
	ladderRungs                = 33
	landEvery                  = 4
)

// LadderLevels are the cut levels of the ladder, -8 to +8 dB in steps of 0.5.
func LadderLevels() []float64 {
	out := make([]float64, ladderRungs)
	for i := range out {
		out[i] = ladderFromDB + float64(i)*ladderStepDB
	}
	return out
}

// Ladder weighs the levels of LadderLevels on the envelopes: what each would cost
// in land and in treatment, were it cut. logs holds for each level the groove at
// 0 dB behind the filters that would act there; p is the plan of the level cut.
func Ladder(ctx context.Context, s *Side, p *Plan, logs []*groove.MotionLog) ([]Outcome, error) {
	levels := LadderLevels()
	if len(logs) != len(levels) {
		return nil, fmt.Errorf("ladder: %d logs for %d levels", len(logs), len(levels))
	}
	own := *s
	w := &weigher{side: &own}
	planned := make([]*land.Plan, len(levels))
	for i, db := range levels {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if i%landEvery > 0 && i < len(levels)-1 && logs[i-1] == logs[i] && logs[i+1] == logs[i] {
			continue
		}
		w.on(logs[i])
		var err error
		if planned[i], err = w.quickLand(ctx, db); err != nil {
			return nil, err
		}
	}
	// The plan of the level that is cut knows how much better than coarse the full
	// optimum is.
	cut := min(max(int(math.Round((p.LevelDB-ladderFromDB)/ladderStepDB)), 0), len(levels)-1)
	coarse, _ := between(planned, cut)
	fine := over(p.Land) / coarse
	rungs := make([]Outcome, 0, len(levels))
	for i, db := range levels {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		w.on(logs[i])
		coarse, w.shape = between(planned, i)
		w.over = fine * coarse
		o, err := w.Try(db)
		if err != nil {
			return nil, err
		}
		rungs = append(rungs, o)
	}
	return rungs, nil
}

// on weighs another log from now on.
func (w *weigher) on(log *groove.MotionLog) {
	if w.side.Log != log {
		w.side.Log = log
		w.rise, w.fall = nil, nil
	}
}

// between is what plans take above their bound at a rung, and the plan next to
// it. Whatever stands between two plans has the filters of both.
func between(planned []*land.Plan, rung int) (float64, *land.Plan) {
	a, b := rung, rung
	for planned[a] == nil {
		a--
	}
	for planned[b] == nil {
		b++
	}
	if a == b {
		return over(planned[a]), planned[a]
	}
	f := float64(rung-a) / float64(b-a)
	next := planned[a]
	if f > 0.5 {
		next = planned[b]
	}
	return (1-f)*over(planned[a]) + f*over(planned[b]), next
}

// quickLand plans the land of one level, coarsely.
func (w *weigher) quickLand(ctx context.Context, levelDB float64) (*land.Plan, error) {
	if _, err := w.prepare(math.Pow(10, levelDB/20)); err != nil {
		return nil, err
	}
	// What is wrong with a level is found by weighing it.
	p, _, err := w.solveLand(ctx, true)
	return p, err
}

// over is how much more land than its provable bound a plan takes.
func over(p *land.Plan) float64 {
	if p.BoundMinPitchUM <= 0 {
		return 1.02
	}
	return p.PlannedUM / p.BoundMinPitchUM
}
