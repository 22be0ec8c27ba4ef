package arrange

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
)

// What is weighed on the envelopes: levels every half dB, radii every eighth of
// the disc; between them pieces are interpolated.
const (
	profileStepDB = 0.5
	profileRadii  = 9
	tableStepMM   = 1.0
)

// problem turns the tracks into pieces.
func (a *Album) problem(ctx context.Context) (*problem, error) {
	r := a.Release
	l := a.base.Limits
	p := &problem{sides: r.Sides, same: r.SameLevel, top: steps(r.Caps.MaxLevelDB) - 1}
	if p.top < 0 {
		return nil, fmt.Errorf("caps.max_level_db %g dB is below the lowest level", r.Caps.MaxLevelDB)
	}
	p.Frame = Frame{OuterMM: l.Disc.OuterMM, InnerMM: l.Disc.InnerQualityMM, SoftFrom: stepOf(r.Caps.MinLevelDB),
		TreatedShare: r.Caps.MaxTreatedShare, RadiusStepMM: tableStepMM}
	for range p.top + 1 {
		p.TailUM = append(p.TailUM, a.silence())
	}
	if a.weighed == nil {
		if err := a.weigh(ctx, p); err != nil {
			return nil, err
		}
	}
	for i, w := range a.weighed {
		p.pieces = append(p.pieces, a.piece(p, i, w.profile, w.gapUM))
	}
	for _, t := range r.Tracks {
		p.holds = append(p.holds, t.Hold)
	}
	return p, nil
}

// weighed is what the search needs of one track.
type weighed struct {
	profile *planner.Profile
	gapUM   float64
}

// weigh weighs every track on its envelope, some at a time.
func (a *Album) weigh(ctx context.Context, p *problem) error {
	var levels, radii []float64
	for db := planner.LowestLevelDB; db < levelOf(p.top)+profileStepDB-1e-9; db += profileStepDB {
		levels = append(levels, math.Min(db, levelOf(p.top)))
	}
	if len(levels) == 1 { // between two levels there is always something to interpolate
		levels = append(levels, levels[0]+profileStepDB)
	}
	for i := range profileRadii {
		radii = append(radii, p.OuterMM-(p.OuterMM-p.InnerMM)*float64(i)/(profileRadii-1))
	}
	out := make([]weighed, len(a.tracks))
	errs := make([]error, len(a.tracks))
	var wg sync.WaitGroup
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range a.tracks {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			side := a.base
			side.Log = a.tracks[i].log
			var err error
			if out[i].profile, err = planner.ProfileOf(ctx, &side, levels, radii); err == nil {
				out[i].gapUM, err = a.gap(ctx, i, out[i].profile, a.temp)
			}
			if err != nil {
				errs[i] = fmt.Errorf("track %d: %w", i+1, err)
			}
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		return err
	}
	a.weighed = out
	return nil
}

// silence is the land of one silent turn.
func (a *Album) silence() float64 {
	l := a.base.Limits
	return math.Max(l.MinLandUM+2*l.DesignDepthUM+planner.LandSpareUM, a.base.Room.Pitch.MinUM)
}

// gap is the land that the silence before track i and the mark in it add to the
// plan of the track, at the level next to 0 dB: what a plan with them takes
// beyond one without. The turn of silence that follows every piece is the first
// of it.
func (a *Album) gap(ctx context.Context, i int, prof *planner.Profile, temp string) (um float64, err error) {
	at := 0
	for k, db := range prof.LevelsDB {
		if math.Abs(db) < math.Abs(prof.LevelsDB[at]) {
			at = k
		}
	}
	turns := a.Release.Tracks[i].GapS / a.sectors.SecondsPerTurn
	side := a.base
	// At least one turn, so that the mark has its place.
	lead := max(int(math.Round(turns*groove.SectorsPerTurn)), groove.SectorsPerTurn)
	side.Log, side.Tracks, err = planner.Concat(temp, []planner.Part{{Log: a.tracks[i].log, Sectors: a.tracks[i].log.Len(), Gap: lead}})
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, side.Log.Close()) }()
	side.Tracks = append([]planner.Track{{}}, side.Tracks...)
	with, err := planner.ProfileOf(ctx, &side, prof.LevelsDB[at:at+1], prof.RadiiMM[:1])
	if err != nil {
		return 0, err
	}
	silent := a.silence()
	return with.LandUM[0] - prof.LandUM[at] - silent + silent*(turns-float64(lead)/groove.SectorsPerTurn), nil
}

// piece interpolates a profile to tenths of a dB and whole mm.
func (a *Album) piece(p *problem, i int, prof *planner.Profile, gapUM float64) Piece {
	t := a.Release.Tracks[i]
	q := Piece{LengthS: a.tracks[i].lengthS, GapS: t.GapS, GapUM: gapUM}
	mms := int(math.Ceil((p.OuterMM-p.InnerMM)/p.RadiusStepMM)) + 1
	for step := range p.top + 1 {
		db := levelOf(step)
		k, u := between(prof.LevelsDB, db)
		mix := func(x, y float64) float64 { return x*(1-u) + y*u }
		// Land is straight in gain, not in dB.
		g := func(db float64) float64 { return math.Pow(10, db/20) }
		ug := (g(db) - g(prof.LevelsDB[k])) / (g(prof.LevelsDB[k+1]) - g(prof.LevelsDB[k]))
		q.LandUM = append(q.LandUM, prof.LandUM[k]*(1-ug)+prof.LandUM[k+1]*ug)
		q.SidesS = append(q.SidesS, mix(prof.Sides[k].TreatedS, prof.Sides[k+1].TreatedS))
		soft := step > p.SoftFrom
		placeless := mix(prof.NeedUM[k], prof.NeedUM[k+1]) <= a.base.Room.Pitch.MaxUM &&
			mix(prof.RMSRatio[k], prof.RMSRatio[k+1]) <= 1 &&
			(a.base.LimitSides != nil || mix(prof.Sides[k].Worst, prof.Sides[k+1].Worst) <= planner.HeldRatio) &&
			(!soft || mix(prof.Sides[k].ReductionDB, prof.Sides[k+1].ReductionDB) <= p.capDB(a))
		curve, ess := make([]float32, mms), make([]float32, mms)
		least := math.Inf(1)
		for j := range curve {
			mm := math.Max(p.OuterMM-float64(j)*p.RadiusStepMM, p.InnerMM)
			n, v := between(prof.RadiiMM, mm)
			at := func(f func(planner.Placed) float64) float64 {
				in := func(k int) float64 {
					return f(prof.Place[k][n])*(1-v) + f(prof.Place[k][n+1])*v
				}
				return mix(in(k), in(k+1))
			}
			curve[j] = float32(at(func(x planner.Placed) float64 { return x.DeEss.Worst }))
			ess[j] = float32(at(func(x planner.Placed) float64 { return x.DeEss.TreatedS }))
			good := placeless && at(func(x planner.Placed) float64 { return x.SlopeRatio }) <= planner.HeldRatio &&
				(!soft || at(func(x planner.Placed) float64 { return x.CurvatureRatio }) <= planner.HeldRatio &&
					at(func(x planner.Placed) float64 { return x.DeEss.ReductionDB }) <= p.capDB(a))
			if good && (j == 0 || least == p.OuterMM-float64(j-1)*p.RadiusStepMM) {
				least = mm
			}
			if j > 0 { // rounding must not make treatment fall inwards
				curve[j], ess[j] = max(curve[j], curve[j-1]), max(ess[j], ess[j-1])
			}
		}
		q.MinRadiusMM = append(q.MinRadiusMM, least)
		q.Curve, q.DeEssS = append(q.Curve, curve), append(q.DeEssS, ess)
	}
	monotone(&q)
	return q
}

func (p *problem) capDB(a *Album) float64 { return a.Release.Caps.MaxReductionDB + 0.001 }

// monotone lets nothing fall with level: what holds at a step holds below it.
func monotone(q *Piece) {
	for s := 1; s < len(q.LandUM); s++ {
		q.LandUM[s] = math.Max(q.LandUM[s], q.LandUM[s-1])
		q.SidesS[s] = math.Max(q.SidesS[s], q.SidesS[s-1])
		q.MinRadiusMM[s] = math.Max(q.MinRadiusMM[s], q.MinRadiusMM[s-1])
		for j := range q.Curve[s] {
			q.Curve[s][j] = max(q.Curve[s][j], q.Curve[s-1][j])
			q.DeEssS[s][j] = max(q.DeEssS[s][j], q.DeEssS[s-1][j])
		}
	}
}

// between finds the interval of a rising or falling list that holds x, and how
// far in it x lies, 0 to 1.
func between(list []float64, x float64) (k int, u float64) {
	for k < len(list)-2 && (list[0] < list[1]) == (list[k+1] < x) && list[k+1] != x {
		k++
	}
	d := list[k+1] - list[k]
	if d == 0 {
		return k, 0
	}
	return k, math.Min(math.Max((x-list[k])/d, 0), 1)
}
