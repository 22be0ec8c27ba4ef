package arrange

import (
	"context"
	"errors"
	"fmt"
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
)

// ResultSchema names the form of a Result.
const ResultSchema = "discsafe-arrangement/1"

// Result is what a search found, best first.
type Result struct {
	Schema       string  `json:"schema"`
	Title        string  `json:"title"`
	Disc         string  `json:"disc"`
	Room         string  `json:"room"`
	CuttingSpeed string  `json:"cutting_speed"` // full or half
	Sides        int     `json:"sides"`
	KeepOrder    bool    `json:"keep_order"`
	SameLevel    bool    `json:"same_level"`
	Objective    string  `json:"objective"`
	Proof        Proof   `json:"proof"`
	Best         []Entry `json:"best"` // at most five
}

// Proof says how good the first entry is.
type Proof struct {
	Optimal        bool     `json:"optimal"` // nothing allowed is better, on the envelopes
	Method         string   `json:"method"`
	Weighed        int      `json:"weighed"`                     // divisions weighed in full
	BoundLevelDB   *float64 `json:"bound_level_db,omitempty"`    // no arrangement cuts all sides higher; only when not optimal
	GapDB          *float64 `json:"gap_db,omitempty"`            // bound less the level found
	DifferenceOfDB *float64 `json:"gap_difference_db,omitempty"` // difference between sides that a better one might not have
}

// Entry is one arrangement.
type Entry struct {
	Rank           int     `json:"rank"`
	Holds          bool    `json:"holds"` // every side holds at some level
	DifferenceDB   float64 `json:"difference_db"`
	LevelDB        float64 `json:"level_db"` // of the lowest side
	CurvatureRatio float64 `json:"curvature_ratio"`
	Sides          []Side  `json:"sides"`
}

// Side is one side of an arrangement.
type Side struct {
	Side           string   `json:"side"` // A, B, ...
	LevelDB        float64  `json:"level_db"`
	PlannedLevelDB *float64 `json:"planned_level_db,omitempty"` // by the full plan; see Confirm
	LengthS        float64  `json:"length_s"`
	EndRadiusMM    float64  `json:"end_radius_mm"`
	CurvatureRatio float64  `json:"curvature_ratio"` // worst, before treatment
	DeEssS         float64  `json:"de_ess_s"`
	LimitSidesS    float64  `json:"limit_sides_s"`
	Tracks         []Place  `json:"tracks"`
}

// Place is where one track begins.
type Place struct {
	Number   int     `json:"number"` // in the release, from 1
	Title    string  `json:"title"`
	RadiusMM float64 `json:"radius_mm"`
}

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
	res := &Result{Schema: ResultSchema, Title: r.Title, Disc: r.Disc.ID, Room: r.Room.Name, CuttingSpeed: r.CuttingSpeed, Sides: r.Sides, KeepOrder: r.KeepOrder, SameLevel: r.SameLevel,
		Objective: objective, Proof: Proof{Optimal: o.proven, Method: o.method, Weighed: o.weighed}}
	for i, d := range o.best {
		res.Best = append(res.Best, a.entry(p, i+1, d))
	}
	if len(o.best) == 0 {
		return nil, errors.New("what may not move leaves no order: let some of first, last and place go")
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
			s.Tracks = append(s.Tracks, Place{Number: i + 1, Title: a.Release.Tracks[i].Title, RadiusMM: round3(r)})
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
