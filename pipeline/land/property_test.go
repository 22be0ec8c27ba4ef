package land

import (
	"context"
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// anyProblem draws small feasible problems of every shape: sectors that do not
// divide nodes, programmes that end within a cell, needs of one sector, noise.
func anyProblem(t *rapid.T) Problem {
	k := rapid.SampledFrom([]int{36, 24, 48, 17, 10, 3, 1}).Draw(t, "sectors per turn")
	p := Problem{
		SecondsPerTurn: rapid.SampledFrom([]float64{1.8, 4. / 3, 0.7}).Draw(t, "T"),
		SectorsPerTurn: k,
		MinPitchUM:     rapid.SampledFrom([]float64{0, 30, 65, 120}).Draw(t, "min"),
		SlewUMPerS:     rapid.SampledFrom([]float64{300, 50, 5, 1000, 5000, 0}).Draw(t, "slew"),
	}
	turns := rapid.SampledFrom([]int{6, 3, 2, 1, 0}).Draw(t, "whole turns")
	p.NeedUM = make([]float32, max(1, turns*k+rapid.IntRange(0, k-1).Draw(t, "further sectors")))
	base := float32(max(0, p.MinPitchUM+rapid.SampledFrom([]float64{5, 40, 0, -20}).Draw(t, "base above the minimum")))
	every := rapid.IntRange(1, 40).Draw(t, "every")
	rng := lcg(rapid.Uint64().Draw(t, "seed"))
	height := rapid.SampledFrom([]float32{60, 10, 200, 0}).Draw(t, "height")
	for i := range p.NeedUM {
		p.NeedUM[i] = base
		if rng.next()*float64(every) < 1 {
			p.NeedUM[i] += height * float32(rng.next())
		}
	}
	room := rapid.SampledFrom([]float64{300, 5, 0.1, 0}).Draw(t, "room above the largest need")
	p.MaxPitchUM = FixedPitchUM(p) + room
	if p.MaxPitchUM < 1 {
		p.MaxPitchUM = 1
	}
	return p
}

// slackBySampling checks needs without MinSlackUM: 9 moments per sector,
// through the public evaluator.
func slackBySampling(p Problem, pl *Plan) float64 {
	tau := p.SecondsPerTurn / float64(p.SectorsPerTurn)
	least := math.Inf(1)
	for i, s := range p.needs() {
		for q := 0; q <= 8; q++ {
			t := (float64(i) + float64(q)/8) * tau
			least = min(least, pl.AdvanceUM(t+p.SecondsPerTurn)-pl.AdvanceUM(t)-float64(s))
		}
	}
	return least
}

func TestEveryPlanKeepsEveryCondition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProblem(t)
		o := Options{Quick: rapid.Bool().Draw(t, "quick"), NodesPerTurn: rapid.SampledFrom([]int{0, 4, 7, 12, 24}).Draw(t, "nodes")}
		pl, err := Solve(context.Background(), p, o)
		if err != nil {
			t.Fatal(err)
		}
		h, err := Heuristic(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			name string
			*Plan
		}{{"solve", pl}, {"heuristic", h}} {
			tt := named{t, c.name}
			checkPlan(tt, p, c.Plan)
			sampled := slackBySampling(p, c.Plan)
			exact, _ := c.MinSlackUM(p.NeedUM)
			if sampled < exact-1e-8 {
				t.Errorf("%s: sampled slack %g below the exact %g", c.name, sampled, exact)
			}
			if !pl.Quick && c.Quick && c.NodesPerTurn == pl.NodesPerTurn && c.PlannedUM < pl.PlannedUM-pl.GapUM-1e-6 {
				// Same nodes; the rows of the optimum are stricter by the sag only.
				if c.PlannedUM < pl.PlannedUM-pl.GapUM-0.2*(p.turns()+1) {
					t.Errorf("heuristic %g beats the optimum %g", c.PlannedUM, pl.PlannedUM)
				}
			}
		}
		b, err := BoundWithSlew(context.Background(), p)
		if err != nil {
			t.Fatal(err)
		}
		if tol := 1e-9*pl.PlannedUM + 1e-9; b > pl.PlannedUM+tol || b > h.PlannedUM+tol || b < pl.BoundMinPitchUM-tol {
			t.Errorf("bound with slew %g; planned %g, heuristic %g, longest path %g", b, pl.PlannedUM, h.PlannedUM, pl.BoundMinPitchUM)
		}
	})
}

// named says which of several plans failed.
type named struct {
	reporter
	name string
}

func (n named) Errorf(format string, args ...any) { n.reporter.Errorf(n.name+": "+format, args...) }

// The longest path is checked against relaxation of the written-out inequalities
// until nothing changes, which shares no code and no recursion with it.
func TestBoundIsTheLongestPath(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProblem(t)
		n, k := len(p.NeedUM), p.SectorsPerTurn
		for _, m := range []float64{0, p.MinPitchUM} {
			d := make([]float64, n+1)
			for changed := true; changed; {
				changed = false
				raise := func(i, j int, by float64) {
					if d[j] < d[i]+by-1e-9 {
						d[j], changed = d[i]+by, true
					}
				}
				for i := 0; i+k < n; i++ {
					raise(i, i+k+1, float64(p.NeedUM[i])+m/float64(k))
				}
				for i := 0; i < n; i++ {
					raise(i, i+1, m/float64(k))
				}
			}
			if got := longestPath(p, m); math.Abs(got-d[n]) > 1e-6 {
				t.Fatalf("pitch minimum %g: bound %g, want %g", m, got, d[n])
			}
		}
	})
}

func TestBoundByHand(t *testing.T) {
	for _, c := range []struct {
		name          string
		k             int
		need          []float32
		weak, minimum float64 // with pitch minimum 8
	}{
		{"constant, three turns of 4", 4, []float32{10, 10, 10, 10, 10, 10, 10, 10, 0, 0, 0, 0}, 20, 28},
		{"one need", 4, []float32{0, 0, 30, 0, 0, 0, 0, 0, 0, 0, 0, 0}, 30, 46},
		{"two needs in one sector's turn", 4, []float32{0, 30, 0, 0, 0, 40, 0, 0, 0, 0, 0, 0}, 40, 56},
		{"chain of two, one sector apart after a turn", 4, []float32{30, 0, 0, 0, 0, 40, 0, 0, 0, 0, 0, 0}, 70, 78},
		{"only the last turn", 4, []float32{90, 90, 90, 90}, 0, 8},
		{"one sector per turn", 1, []float32{20, 20, 20, 20, 0}, 40, 64},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := Problem{SecondsPerTurn: 1.8, SectorsPerTurn: c.k, NeedUM: c.need, MinPitchUM: 8, MaxPitchUM: 100, SlewUMPerS: 1}
			if got := Bound(p); got != c.weak {
				t.Errorf("Bound %g, want %g", got, c.weak)
			}
			if got := BoundMinPitch(p); math.Abs(got-c.minimum) > 1e-9 {
				t.Errorf("BoundMinPitch %g, want %g", got, c.minimum)
			}
		})
	}
}

// All lengths twice as large: everything twice as large. Twice the time and half
// the slew: nothing changes.
func TestScaling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProblem(t)
		o := Options{NodesPerTurn: 12, GapFraction: 1e-5}
		a, err := Solve(context.Background(), p, o)
		if err != nil {
			t.Fatal(err)
		}
		wide, slow := p, p
		wide.NeedUM = make([]float32, len(p.NeedUM))
		for i, s := range p.NeedUM {
			wide.NeedUM[i] = 2 * s
		}
		wide.MinPitchUM, wide.MaxPitchUM, wide.SlewUMPerS = 2*p.MinPitchUM, 2*p.MaxPitchUM, 2*p.SlewUMPerS
		slow.SecondsPerTurn, slow.SlewUMPerS = 2*p.SecondsPerTurn, p.SlewUMPerS/2
		for _, c := range []struct {
			name   string
			p      Problem
			factor float64
		}{{"lengths", wide, 2}, {"times", slow, 1}} {
			if pointsPerCell(c.p, 12) != pointsPerCell(p, 12) {
				continue // the absolute sag goal chose other rows
			}
			b, err := Solve(context.Background(), c.p, o)
			if err != nil {
				t.Fatal(err)
			}
			if tol := (a.GapUM + b.GapUM) + 1e-6; math.Abs(b.PlannedUM-c.factor*a.PlannedUM) > c.factor*tol {
				t.Errorf("%s: planned %g, want %g times %g", c.name, b.PlannedUM, c.factor, a.PlannedUM)
			}
		}
	})
}

func FuzzSolve(f *testing.F) {
	f.Add(1.8, uint16(6), 65.0, 500.0, 300.0, 0.0, uint8(0), false, []byte{70, 80, 200, 70, 70, 70, 70, 90, 70, 70, 70, 70, 70, 70, 70, 70, 0, 0})
	f.Add(4./3, uint16(1), 0.0, 1.0, 1e-3, 5.0, uint8(4), true, []byte{0, 1, 0})
	f.Add(1.8, uint16(4), 10.0, 255.0, 5000.0, 1.0, uint8(24), false, []byte{255, 0, 0, 255, 0, 0, 255, 0})
	f.Add(60.0, uint16(3), 1e7, 1e7, 1e7, 1e7, uint8(96), false, []byte{1, 2, 3, 4})
	f.Fuzz(func(t *testing.T, seconds float64, k uint16, lo, hi, slew, available float64, nodes uint8, quick bool, raw []byte) {
		if len(raw) > 256 {
			raw = raw[:256]
		}
		if len(raw) > 32*int(k) {
			raw = raw[:32*int(k)] // tiny problems only
		}
		need := make([]float32, len(raw))
		for i, b := range raw {
			need[i] = float32(b)
		}
		p := Problem{seconds, int(k), need, lo, hi, slew, available}
		pl, err := Solve(context.Background(), p, Options{NodesPerTurn: int(nodes), Quick: quick})
		var bad *ProblemError
		var inf *InfeasibleError
		switch {
		case err == nil:
			checkPlan(t, p, pl)
		case !errors.As(err, &bad) && !errors.As(err, &inf):
			t.Errorf("untyped error %v", err)
		}
	})
}
