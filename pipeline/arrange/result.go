package arrange

import (
	"context"
	"errors"
	"fmt"
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
	"discsafe/pipeline/spec"
)

// What a search found, as the report writes it.
type (
	// Result is what a search found, best first.
	Result = report.Arrangement
	// Proof says how good the first entry is.
	Proof = report.ArrangementProof
	// Entry is one arrangement.
	Entry = report.Division
	// Side is one side of an arrangement.
	Side = report.ArrangedSide
	// Place is where one track begins.
	Place = report.ArrangedTrack
)

const objective = "least difference in cut level between sides, then greatest level, then least worst curvature ratio before treatment"

// NoLevelError says that a release does not fit at any level.
type NoLevelError struct {
	Release string
	Sides   int
}

func (e *NoLevelError) Error() string {
	return fmt.Sprintf("%s: no division over %d sides holds at any level down to %g dB; take more sides, a larger disc, or shorten the programme", e.Release, e.Sides, planner.LowestLevelDB)
}

// Search finds the best arrangements. When nothing fits at any level the result
// comes with a *NoLevelError: its entries then show by how much they do not.
func (a *Album) Search(ctx context.Context) (*Result, error) {
	p, err := a.problem(ctx)
	if err != nil {
		return nil, err
	}
	return a.solve(p)
}

func (a *Album) solve(p *problem) (*Result, error) {
	var o outcome
	if a.Release.KeepOrder {
		o = p.keepOrder()
	} else {
		o = p.freeOrder()
	}
	r := a.Release
	res := &Result{Schema: report.ArrangementSchema, Title: r.Title, Disc: r.Disc.ID, Room: r.Room.Name, CuttingSpeed: r.CuttingSpeed, Sides: r.Sides, KeepOrder: r.KeepOrder, SameLevel: r.SameLevel, OuterMM: round3(p.OuterMM), InnerMM: round3(a.base.Limits.Disc.InnerQualityMM),
		Objective: objective, Proof: Proof{Optimal: o.proven, Method: o.method, Weighed: o.weighed}}
	for i, d := range o.best {
		res.Best = append(res.Best, a.entry(p, i+1, d))
	}
	if len(o.best) == 0 {
		return nil, spec.NewError([]spec.Fault{{File: r.File, Code: CodeHold, Path: "tracks", Detail: "what may not move leaves no order", Hint: "let some of first, last and place go"}})
	}
	if !o.proven {
		bound, gap := levelOf(o.bound), math.Max(0, round1(levelOf(o.bound)-res.Best[0].LevelDB))
		diff := res.Best[0].DifferenceDB
		res.Proof.BoundLevelDB, res.Proof.GapDB, res.Proof.DifferenceOfDB = &bound, &gap, &diff
	}
	if !res.Best[0].Holds {
		name := r.Title
		if name == "" {
			name = "the release"
		}
		return res, &NoLevelError{Release: name, Sides: r.Sides}
	}
	return res, nil
}

func (a *Album) entry(p *problem, rank int, d division) Entry {
	e := Entry{Rank: rank, Holds: d.unheld == 0, DifferenceDB: round1(float64(d.diff) * stepDB), LevelDB: levelOf(max(d.level, 0)), CurvatureRatio: round3(d.curve)}
	for k, order := range d.orders {
		step := max(d.steps[k], 0)
		s := Side{Side: SideName(k), LevelDB: levelOf(step)}
		r := p.OuterMM
		for n, i := range order {
			q := &p.pieces[i]
			if n > 0 {
				r -= q.GapUM / 1000
				s.LengthS += q.GapS
			}
			s.Tracks = append(s.Tracks, Place{Number: i + 1, Title: a.Release.Tracks[i].Title, File: a.Release.Tracks[i].File, RadiusMM: round3(r)})
			s.CurvatureRatio = math.Max(s.CurvatureRatio, p.at(q.Curve[step], r))
			s.DeEssS += p.at(q.DeEssS[step], r)
			s.LimitSidesS += q.SidesS[step]
			s.LengthS += q.LengthS
			r -= q.LandUM[step] / 1000
		}
		s.EndRadiusMM = round3(r + p.TailUM[step]/1000)
		s.CurvatureRatio, s.DeEssS, s.LimitSidesS, s.LengthS = round3(s.CurvatureRatio), round3(s.DeEssS), round3(s.LimitSidesS), round3(s.LengthS)
		e.Sides = append(e.Sides, s)
	}
	return e
}

// SideName is A for 0, B for 1 and so on.
func SideName(k int) string { return string(rune('A' + k)) }

func round1(x float64) float64 { return math.Round(x*10) / 10 }
func round3(x float64) float64 { return math.Round(x*1000) / 1000 }

// Confirm plans every side of an entry in full, on the same envelopes as
// prepare plans a side before it is treated, and notes the level found beside
// the level of the search. With one level for all sides it plans them free, so
// that what each could have shows.
func (a *Album) Confirm(ctx context.Context, e *Entry) error {
	for k := range e.Sides {
		db, err := a.plan(ctx, &e.Sides[k])
		if err != nil {
			return fmt.Errorf("side %s: %w", e.Sides[k].Side, err)
		}
		e.Sides[k].PlannedLevelDB = &db
	}
	return nil
}

func (a *Album) plan(ctx context.Context, s *Side) (levelDB float64, err error) {
	var parts []planner.Part
	for n, t := range s.Tracks {
		m := a.tracks[t.Number-1]
		part := planner.Part{Log: m.log, Sectors: a.sectors.Count(m.frames)}
		if n > 0 {
			part.Gap = int(math.Round(a.Release.Tracks[t.Number-1].GapS * groove.SectorsPerTurn / a.sectors.SecondsPerTurn))
		}
		parts = append(parts, part)
	}
	log, tracks, err := planner.Concat(a.temp, parts)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, log.Close()) }()
	side := a.base
	side.Log, side.Tracks, side.Fit = log, tracks, true
	p, err := planner.Solve(ctx, &side)
	if err != nil {
		return 0, err
	}
	return p.LevelDB, nil
}
