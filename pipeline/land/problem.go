package land

import (
	"fmt"
	"math"
)

// Problem is one side's land planning problem. See the package comment for the
// exact meaning.
type Problem struct {
	SecondsPerTurn float64   // T, s: 1.8 at 33 1/3, 4/3 at 45 turns a minute
	SectorsPerTurn int       // K, 1 to 100000; 360 is usual
	NeedUM         []float32 // one per sector of the whole programme, um, finite and >= 0; the last K are not looked at
	MinPitchUM     float64   // finest pitch, um per turn, >= 0
	MaxPitchUM     float64   // coarsest pitch, um per turn, >= MinPitchUM and > 0
	SlewUMPerS     float64   // fastest change of pitch, um of pitch per second, >= 0; 0 forces a constant pitch
	AvailableUM    float64   // radius the disc offers, um; 0 means not given
}

// Options chooses effort. The zero value asks for the full optimum.
type Options struct {
	// NodesPerTurn is the resolution of the plan, 4 to 96. 0 takes 24 (12 when
	// Quick), and fewer on long programmes so that memory stays near 8 MB.
	NodesPerTurn int
	// GapFraction stops the optimisation when the plan is proven within this
	// fraction of the best spline. 0 takes 1e-4 (1e-3 when Quick).
	GapFraction float64
	// Quick asks for a coarser optimum, for use inside a search.
	Quick bool
}

// ProblemError reports a Problem or Options that make no sense.
type ProblemError struct {
	Field  string // Go name of the field
	Sector int    // sector within NeedUM, -1 when the field is not NeedUM
	Reason string
}

func (e *ProblemError) Error() string {
	if e.Sector >= 0 {
		return fmt.Sprintf("land: %s at sector %d: %s", e.Field, e.Sector, e.Reason)
	}
	return fmt.Sprintf("land: %s: %s", e.Field, e.Reason)
}

// InfeasibleError reports that no plan exists within the pitch limits.
type InfeasibleError struct {
	AtS    float64 // start of the sector with the largest need, seconds since the start
	NeedUM float64 // that need, um
	OverUM float64 // how far it lies above the coarsest pitch, um
	Reason string
}

func (e *InfeasibleError) Error() string {
	return fmt.Sprintf("land: at %.3f s a turn needs %.1f um: %s", e.AtS, e.NeedUM, e.Reason)
}

const (
	maxSectorsPerTurn = 100_000
	maxTurns          = 20_000 // 10 h at 33 1/3 turns a minute; keeps memory bounded
	maxMicrons        = 1e7    // 10 m, beyond any disc; keeps sums finite
)

// Validate reports the first field that makes no sense as a *ProblemError.
func (p Problem) Validate() error {
	bad := func(field string, v, lo, hi float64) error {
		if v >= lo && v <= hi {
			return nil
		}
		return &ProblemError{Field: field, Sector: -1, Reason: fmt.Sprintf("%g is outside %g to %g", v, lo, hi)}
	}
	for _, c := range []struct {
		field     string
		v, lo, hi float64
	}{
		{"SecondsPerTurn", p.SecondsPerTurn, 0.05, 60},
		{"SectorsPerTurn", float64(p.SectorsPerTurn), 1, maxSectorsPerTurn},
		{"MinPitchUM", p.MinPitchUM, 0, maxMicrons},
		{"MaxPitchUM", p.MaxPitchUM, 1e-3, maxMicrons},
		{"SlewUMPerS", p.SlewUMPerS, 0, maxMicrons},
		{"AvailableUM", p.AvailableUM, 0, maxMicrons},
	} {
		if err := bad(c.field, c.v, c.lo, c.hi); err != nil {
			return err
		}
	}
	if p.MinPitchUM > p.MaxPitchUM {
		return &ProblemError{Field: "MinPitchUM", Sector: -1, Reason: fmt.Sprintf("%g is above MaxPitchUM %g", p.MinPitchUM, p.MaxPitchUM)}
	}
	if most := maxTurns * p.SectorsPerTurn; len(p.NeedUM) == 0 || len(p.NeedUM) > most {
		return &ProblemError{Field: "NeedUM", Sector: -1, Reason: fmt.Sprintf("%d sectors, want 1 to %d", len(p.NeedUM), most)}
	}
	for i, s := range p.NeedUM {
		if !(s >= 0 && s <= maxMicrons) {
			return &ProblemError{Field: "NeedUM", Sector: i, Reason: fmt.Sprintf("%g is not a length in um", s)}
		}
	}
	return nil
}

// needs returns the needs that count: those of sectors with a next turn.
func (p Problem) needs() []float32 {
	if len(p.NeedUM) <= p.SectorsPerTurn {
		return nil
	}
	return p.NeedUM[:len(p.NeedUM)-p.SectorsPerTurn]
}

// largestNeed returns the largest need that counts and its sector, or 0, -1.
func (p Problem) largestNeed() (needUM float64, sector int) {
	sector = -1
	for i, s := range p.needs() {
		if float64(s) > needUM {
			needUM, sector = float64(s), i
		}
	}
	return needUM, sector
}

// feasible returns an *InfeasibleError when no plan exists.
func (p Problem) feasible() error {
	need, i := p.largestNeed()
	if need <= p.MaxPitchUM {
		return nil
	}
	return &InfeasibleError{
		AtS:    float64(i) * p.SecondsPerTurn / float64(p.SectorsPerTurn),
		NeedUM: need,
		OverUM: need - p.MaxPitchUM,
		Reason: fmt.Sprintf("%.1f um above the coarsest pitch of %.1f um; cut lower or allow a coarser pitch", need-p.MaxPitchUM, p.MaxPitchUM),
	}
}

// turns is the length of the programme in turns.
func (p Problem) turns() float64 { return float64(len(p.NeedUM)) / float64(p.SectorsPerTurn) }

func (o Options) validate() error {
	if o.NodesPerTurn != 0 && (o.NodesPerTurn < 4 || o.NodesPerTurn > 96) {
		return &ProblemError{Field: "NodesPerTurn", Sector: -1, Reason: fmt.Sprintf("%d is outside 4 to 96", o.NodesPerTurn)}
	}
	if math.IsNaN(o.GapFraction) || o.GapFraction < 0 || o.GapFraction > 1 {
		return &ProblemError{Field: "GapFraction", Sector: -1, Reason: fmt.Sprintf("%g is outside 0 to 1", o.GapFraction)}
	}
	return nil
}
