package report

import (
	"errors"
	"io"
)

// ArrangementSchema names the layout of arrangement.json.
const ArrangementSchema = "discsafe-arrangement/1"

// Names of the files that say how a release is divided.
const (
	ArrangementName     = "arrangement.json"
	ArrangementPageName = "arrangement.html"
)

// Arrangement is what a search for the best division of a release over sides
// found, best first.
type Arrangement struct {
	Schema       string           `json:"schema"`
	Tool         *Tool            `json:"tool,omitempty"` // what wrote it into a result folder
	Title        string           `json:"title"`
	Disc         string           `json:"disc"`
	Room         string           `json:"room"`
	CuttingSpeed string           `json:"cutting_speed"` // full or half
	Sides        int              `json:"sides"`
	KeepOrder    bool             `json:"keep_order"`
	SameLevel    bool             `json:"same_level"`
	OuterMM      float64          `json:"outer_mm"` // radius at which a side begins
	InnerMM      float64          `json:"inner_mm"` // radius within which a side is not planned
	Objective    string           `json:"objective"`
	Proof        ArrangementProof `json:"proof"`
	Best         []Division       `json:"best"` // at most five
}

// ArrangementProof says how good the first division is.
type ArrangementProof struct {
	Optimal        bool     `json:"optimal"` // nothing allowed is better, on the envelopes
	Method         string   `json:"method"`
	Weighed        int      `json:"weighed"`                     // divisions weighed in full
	BoundLevelDB   *float64 `json:"bound_level_db,omitempty"`    // no arrangement cuts all sides higher; only when not optimal
	GapDB          *float64 `json:"gap_db,omitempty"`            // bound less the level found
	DifferenceOfDB *float64 `json:"gap_difference_db,omitempty"` // difference between sides that a better one might not have
}

// Division is one way to divide and order a release.
type Division struct {
	Rank           int            `json:"rank"`
	Holds          bool           `json:"holds"` // every side holds at some level
	DifferenceDB   float64        `json:"difference_db"`
	LevelDB        float64        `json:"level_db"` // of the lowest side
	CurvatureRatio float64        `json:"curvature_ratio"`
	Sides          []ArrangedSide `json:"sides"`
}

// ArrangedSide is one side of a division.
type ArrangedSide struct {
	Side           string          `json:"side"` // A, B, ...
	LevelDB        float64         `json:"level_db"`
	PlannedLevelDB *float64        `json:"planned_level_db,omitempty"` // by the full plan of the side
	LengthS        float64         `json:"length_s"`
	EndRadiusMM    float64         `json:"end_radius_mm"`
	CurvatureRatio float64         `json:"curvature_ratio"` // worst, before treatment
	DeEssS         float64         `json:"de_ess_s"`
	LimitSidesS    float64         `json:"limit_sides_s"`
	Plan           string          `json:"plan,omitempty"` // file of its side plan beside this one
	Tracks         []ArrangedTrack `json:"tracks"`
}

// ArrangedTrack is where one track begins.
type ArrangedTrack struct {
	Number   int     `json:"number"` // in the release, from 1
	Title    string  `json:"title"`
	File     string  `json:"file,omitempty"` // as the release names it
	RadiusMM float64 `json:"radius_mm"`
}

// Write checks the arrangement and writes it as indented JSON.
func (a *Arrangement) Write(w io.Writer) error {
	if err := a.Validate(); err != nil {
		return err
	}
	return writeJSON(w, a)
}

// ReadArrangement reads and validates an arrangement. It refuses other layouts
// by name, unknown fields and anything after the end.
func ReadArrangement(rd io.Reader) (*Arrangement, error) {
	var a Arrangement
	if err := readJSON(rd, ArrangementSchema, &a); err != nil {
		return nil, err
	}
	return &a, a.Validate()
}

// Bounds of an arrangement, as a release and its search have them.
const (
	mostDivisions = 5
	mostSides     = 6
	mostTracks    = 60
)

// Validate returns every rule the arrangement breaks, joined.
func (a *Arrangement) Validate() error {
	var f faults
	if a.Schema != ArrangementSchema {
		f.add("schema is %q, want %q", a.Schema, ArrangementSchema)
	}
	if n := len(a.Best); n < 1 || n > mostDivisions {
		f.add("best has %d divisions, want 1 to %d", n, mostDivisions)
	}
	for i, d := range a.Best {
		if d.Rank != i+1 {
			f.add("best[%d]: rank is %d, want %d", i, d.Rank, i+1)
		}
		if n := len(d.Sides); n < 1 || n > mostSides {
			f.add("best[%d]: %d sides, want 1 to %d", i, n, mostSides)
		}
		for k, s := range d.Sides {
			if n := len(s.Tracks); n < 1 || n > mostTracks {
				f.add("best[%d].sides[%d]: %d tracks, want 1 to %d", i, k, n, mostTracks)
			}
		}
	}
	if !a.Proof.Optimal && (a.Proof.BoundLevelDB == nil || a.Proof.GapDB == nil) {
		f.add("proof: what is not proven best has a bound and a gap")
	}
	return errors.Join(f...)
}
