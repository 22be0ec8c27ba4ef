package arrange

import (
	"math"

	"discsafe/pipeline/planner"
)

// Levels are steps of a tenth of a dB; step 0 is lowestTenth.
const (
	lowestTenth = planner.LowestLevelDB * 10
	stepDB      = 0.1
)

// stepOf is the step of a level in dB, levelOf the reverse.
func stepOf(db float64) int       { return int(math.Round(db/stepDB)) - lowestTenth }
func levelOf(step int) float64    { return float64(step+lowestTenth) / 10 }
func steps(highestDB float64) int { return stepOf(highestDB) + 1 }

// Frame is what all pieces of a release share.
type Frame struct {
	OuterMM, InnerMM float64   // where programme may begin and must have ended
	TailUM           []float64 // by step: the turn of silence after a piece that the last of a side does not need
	SoftFrom         int       // above this step the caps and curvature count too
	TreatedShare     float64   // cap on the share of time treated, by each stage
	RadiusStepMM     float64   // of the tables of pieces
}

// Piece is a track as the search sees it. Tables are by level step, and where
// they have a second index by radius at which the piece begins: entry j is
// OuterMM - j RadiusStepMM.
type Piece struct {
	LengthS, GapS float64
	LandUM        []float64   // from the beginning to one turn after the end
	GapUM         float64     // of the silence and the mark before it, where it does not open a side
	MinRadiusMM   []float64   // least radius at which it may begin; +Inf: nowhere
	SidesS        []float64   // time limit-sides treats
	DeEssS        [][]float32 // time de-ess treats; grows inwards
	Curve         [][]float32 // worst curvature ratio before treatment; grows inwards
}

const (
	slackMM = 1e-9
	slackS  = 1e-9
)

// at reads a table at a radius.
func (f *Frame) at(row []float32, radiusMM float64) float64 {
	x := (f.OuterMM - radiusMM) / f.RadiusStepMM
	if x <= 0 {
		return float64(row[0])
	}
	j := int(x)
	if j >= len(row)-1 {
		return float64(row[len(row)-1])
	}
	u := x - float64(j)
	return float64(row[j])*(1-u) + float64(row[j+1])*u
}

// problem is a release as the search sees it.
type problem struct {
	Frame
	pieces []Piece
	top    int // highest step
	holds  []string
	sides  int
	same   bool
}

// play puts pieces one after the other at a step. It returns the worst
// curvature and whether everything holds.
func (p *problem) play(order []int, step int) (curve float64, ok bool) {
	r := p.OuterMM
	var essS, sidesS, total float64
	for n, i := range order {
		q := &p.pieces[i]
		if n > 0 {
			r -= q.GapUM / 1000
			total += q.GapS
		}
		if r < q.MinRadiusMM[step]-slackMM {
			return 0, false
		}
		curve = math.Max(curve, p.at(q.Curve[step], r))
		essS += p.at(q.DeEssS[step], r)
		sidesS += q.SidesS[step]
		total += q.LengthS
		r -= q.LandUM[step] / 1000
	}
	if r+p.TailUM[step]/1000 < p.InnerMM-slackMM {
		return curve, false
	}
	return curve, p.treated(essS, step, total) && p.treated(sidesS, step, total)
}

// treated holds a time treated against the cap.
func (p *problem) treated(s float64, step int, total float64) bool {
	return step <= p.SoftFrom || s <= p.TreatedShare*total+slackS
}

// highest is the highest step from 0 to top at which good holds, which must
// fall with the step; -1 if there is none.
func highest(top int, good func(step int) bool) int {
	lo, hi := -1, top+1
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; good(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// sideLevel is the highest step of an order, -1 if none holds.
func (p *problem) sideLevel(order []int) int {
	return highest(p.top, func(step int) bool {
		_, ok := p.play(order, step)
		return ok
	})
}
