package land

import (
	"context"
	"errors"
	"math"
	"runtime"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// problem is a 33 1/3 side at 360 sectors with the usual room.
func problem(need []float32) Problem {
	return Problem{SecondsPerTurn: 1.8, SectorsPerTurn: 360, NeedUM: need, MinPitchUM: 65, MaxPitchUM: 500, SlewUMPerS: 300}
}

func constant(turns int, um float32) []float32 {
	need := make([]float32, turns*360)
	for i := range need {
		need[i] = um
	}
	return need
}

func mustSolve(t testing.TB, p Problem, o Options) *Plan {
	t.Helper()
	pl, err := Solve(context.Background(), p, o)
	if err != nil {
		t.Fatal(err)
	}
	return pl
}

// reporter is what testing.T and rapid.T have in common here.
type reporter interface {
	Helper()
	Errorf(format string, args ...any)
}

// checkPlan holds a plan to every condition of the problem.
func checkPlan(t reporter, p Problem, pl *Plan) {
	t.Helper()
	// Rounding only: 1e-7 um, and 1e-12 of the advance for huge problems.
	tol := 1e-7 + 1e-12*pl.PlannedUM
	if slack, at := pl.MinSlackUM(p.NeedUM); slack < -tol {
		t.Errorf("sector %d lacks %g um", at, -slack)
	}
	finest, coarsest := pl.PitchRangeUM()
	if finest < p.MinPitchUM-tol || coarsest > p.MaxPitchUM+tol {
		t.Errorf("pitch %g to %g leaves %g to %g", finest, coarsest, p.MinPitchUM, p.MaxPitchUM)
	}
	m := float64(pl.NodesPerTurn)
	if s := pl.MaxSlewUMPerS(); s > p.SlewUMPerS+tol*m*m/p.SecondsPerTurn {
		t.Errorf("slew %g above %g", s, p.SlewUMPerS)
	}
	if pl.PlannedUM < pl.BoundMinPitchUM-tol || pl.BoundMinPitchUM < pl.BoundUM-tol {
		t.Errorf("planned %g, bounds %g and %g are out of order", pl.PlannedUM, pl.BoundMinPitchUM, pl.BoundUM)
	}
	if pl.GapUM < 0 || math.IsNaN(pl.GapUM) || math.IsInf(pl.GapUM, 0) {
		t.Errorf("gap %g", pl.GapUM)
	}
}

// Optima found by hand. Tolerance: the sag allowance and the widening of needs
// to the spacing of need points, both stated in the package comment.
func TestOptimumByHand(t *testing.T) {
	spikes := func(at ...int) []float32 {
		need := constant(10, 0)
		for _, i := range at {
			need[i] = 65 + 20
		}
		return need
	}
	tall := constant(10, 0)
	tall[5*360] = 65 + 80
	train := constant(10, 0)
	for i := 90; i < 9*360; i += 360 {
		train[i] = 65 + 20
	}
	for _, c := range []struct {
		name    string
		need    []float32
		slew    float64
		wantUM  float64
		within  float64
		because string
	}{
		{"constant need", constant(10, 110), 300, 1100, 0.5, "E >= s at t = 0, T, .., 9T adds up to 10 s"},
		{"need below the pitch minimum", constant(10, 60), 300, 650, 0, "the minimum itself"},
		{"nothing at all", constant(10, 0), 300, 650, 0, "the minimum itself"},
		{"less than a turn", constant(10, 400)[:300], 300, 65 * 300 / 360., 1e-9, "no sector has a next turn"},
		{"one spike", spikes(1800), 300, 650 + 20, 0.15, "its turn gains 20 um; a pulse fits within the turn while 20 <= slew*T/4"},
		{"two spikes one turn apart", spikes(1800, 2160), 300, 650 + 40, 0.3, "windows touch, so nothing is shared"},
		{"two spikes half a turn apart", spikes(1800, 1980), 300, 650 + 20, 0.3, "one pulse serves both while 20 <= slew*(T/2)^2/(4T)"},
		{"spike train at one angle", train, 300, 650 + 9*20, 1.4, "one pulse a turn"},
		{"slow lathe", tall, 100, 650 + 125*125/180., 0.5, "triangle of height P = 80 + slew*T/4 = 125 above the floor costs P^2/(slew*T)"},
		{"fixed lathe", tall, 0, 1450, 1e-9, "constant pitch"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := problem(c.need)
			p.SlewUMPerS = c.slew
			pl := mustSolve(t, p, Options{GapFraction: 1e-6})
			checkPlan(t, p, pl)
			if d := pl.PlannedUM - c.wantUM; d < -1e-3 || d > c.within+1e-3 {
				t.Errorf("planned %.4f um, want %.4f to %.4f: %s", pl.PlannedUM, c.wantUM, c.wantUM+c.within, c.because)
			}
			if pl.Quick {
				t.Error("plan is marked as heuristic")
			}
		})
	}
}

// Groove-to-groove clearance of the 90 degree groove (geometry; the groove is
// that of IEC 60098): pitch = W0 + land + sqrt2*(|R| + |L|) per channel peak, or
// W0 + land + 2A for a lateral peak A.
func TestClearanceOracles(t *testing.T) {
	t.Run("two channels of 5 um at the worst phase", func(t *testing.T) {
		p := problem(constant(6, float32(60+10+math.Sqrt2*(5+5))))
		if got := FixedPitchUM(p); math.Abs(got-84.14) > 0.01 {
			t.Errorf("fixed pitch %.3f, want 84.14 um", got)
		}
		// 0.03 um: sag allowance.
		if got := mustSolve(t, p, Options{GapFraction: 1e-6}).PlannedUM / 6; got < 84.14 || got > 84.14+0.04 {
			t.Errorf("planned %.3f um per turn, want 84.14", got)
		}
	})
	t.Run("lateral 15 um in opposite phase", func(t *testing.T) {
		const withoutLand = 60 + 2*15
		for pitch, land := range map[float64]float64{100: 10, 99: 9} {
			p := problem(constant(4, 0))
			p.MinPitchUM, p.MaxPitchUM = pitch, pitch
			pl := mustSolve(t, p, Options{})
			if got, _ := pl.MinSlackUM(constant(4, withoutLand)); math.Abs(got-land) > 0.01 {
				t.Errorf("pitch %g leaves land %.3f, want %g um", pitch, got, land)
			}
		}
		p := problem(constant(4, withoutLand+10))
		p.MaxPitchUM = 99
		_, err := Solve(context.Background(), p, Options{})
		var inf *InfeasibleError
		if !errors.As(err, &inf) || inf.OverUM != 1 {
			t.Errorf("pitch 99 for a land of 10: got %v, want an InfeasibleError by 1 um", err)
		}
	})
}

// Values from SciPy 1.10.1 linprog (HiGHS) for an independent formulation: the
// unknowns are pitches at 2 nodes per sector, linear in between, D by the
// trapezoid rule, needs required at 2 moments per sector only. So it is nearly
// the continuous problem, but for 0.5 % of sag, need spacing and node spacing.
//
//	h = T/(2K); D[b]-D[a] = sum of (p[k]+p[k+1])/2*h/T; minimise D[end]
//	rows: D[q+2K]-D[q] >= need[q/2] (the larger of both sectors on boundaries)
//	      |p[k+1]-p[k]| <= slew*h; bounds: pmin <= p <= pmax
func TestAgainstHiGHS(t *testing.T) {
	for _, c := range []struct {
		name             string
		sectors, turns   int
		seconds          float64
		lo, hi, slew     float64
		seed             int
		wantUM           float64
		nodes            int
		wantBoundWithinP float64 // BoundWithSlew at least this part of it
	}{
		{"fast slew", 36, 6, 1.8, 65, 500, 1000, 1, 756.000000, 36, 0.98},
		{"usual slew", 36, 6, 1.8, 65, 500, 300, 2, 837.649394, 36, 0.98},
		{"slow slew, 45 turns a minute", 36, 8, 4. / 3, 65, 500, 40, 3, 1293.044379, 36, 0.98},
		{"low ceiling", 36, 6, 1.8, 65, 175, 300, 4, 798.669426, 36, 0.98},
		{"no floor", 24, 8, 1.8, 0, 400, 300, 5, 1062.303462, 48, 0.98},
	} {
		t.Run(c.name, func(t *testing.T) {
			need := make([]float32, c.sectors*c.turns)
			x := c.seed
			for i := range need {
				x = (x*1103515245 + 12345) % 2147483648
				need[i] = float32(60 + x>>20%30)
				if x>>16%11 == 0 {
					need[i] += 80
				}
			}
			p := Problem{SecondsPerTurn: c.seconds, SectorsPerTurn: c.sectors, NeedUM: need, MinPitchUM: c.lo, MaxPitchUM: c.hi, SlewUMPerS: c.slew}
			pl := mustSolve(t, p, Options{NodesPerTurn: c.nodes, GapFraction: 1e-6})
			checkPlan(t, p, pl)
			if r := pl.PlannedUM / c.wantUM; r < 1-1e-4 || r > 1.005 {
				t.Errorf("planned %.4f um, want %.4f within 0.5 %%", pl.PlannedUM, c.wantUM)
			}
			b, err := BoundWithSlew(context.Background(), p)
			if err != nil {
				t.Fatal(err)
			}
			if r := b / c.wantUM; r > 1+1e-6 || r < c.wantBoundWithinP {
				t.Errorf("bound with slew %.4f um, want just below %.4f", b, c.wantUM)
			}
			t.Logf("planned %.5f, bound with slew %.5f, longest path %.5f of the optimum", pl.PlannedUM/c.wantUM, b/c.wantUM, BoundMinPitch(p)/c.wantUM)
		})
	}
}

func TestErrors(t *testing.T) {
	edit := func(f func(*Problem)) Problem {
		p := problem(constant(3, 100))
		f(&p)
		return p
	}
	for _, c := range []struct {
		name string
		p    Problem
		o    Options
		want error
	}{
		{"no sectors", edit(func(p *Problem) { p.NeedUM = nil }), Options{}, &ProblemError{"NeedUM", -1, "0 sectors, want 1 to 7200000"}},
		{"need is not a number", edit(func(p *Problem) { p.NeedUM[7] = float32(math.NaN()) }), Options{}, &ProblemError{"NeedUM", 7, "NaN is not a length in um"}},
		{"negative need", edit(func(p *Problem) { p.NeedUM[900] = -1 }), Options{}, &ProblemError{"NeedUM", 900, "-1 is not a length in um"}},
		{"no speed", edit(func(p *Problem) { p.SecondsPerTurn = 0 }), Options{}, &ProblemError{"SecondsPerTurn", -1, "0 is outside 0.05 to 60"}},
		{"no sectors in a turn", edit(func(p *Problem) { p.SectorsPerTurn = 0 }), Options{}, &ProblemError{"SectorsPerTurn", -1, "0 is outside 1 to 100000"}},
		{"crossed pitch limits", edit(func(p *Problem) { p.MinPitchUM = 600 }), Options{}, &ProblemError{"MinPitchUM", -1, "600 is above MaxPitchUM 500"}},
		{"slew is not a number", edit(func(p *Problem) { p.SlewUMPerS = math.NaN() }), Options{}, &ProblemError{"SlewUMPerS", -1, "NaN is outside 0 to 1e+07"}},
		{"too few nodes", edit(func(*Problem) {}), Options{NodesPerTurn: 3}, &ProblemError{"NodesPerTurn", -1, "3 is outside 4 to 96"}},
		{"gap is not a number", edit(func(*Problem) {}), Options{GapFraction: math.NaN()}, &ProblemError{"GapFraction", -1, "NaN is outside 0 to 1"}},
		{"need above the coarsest pitch", edit(func(p *Problem) { p.NeedUM[720-1] = 512 }), Options{}, &InfeasibleError{AtS: 719 * 0.005, NeedUM: 512, OverUM: 12,
			Reason: "12.0 um above the coarsest pitch of 500.0 um; cut lower or allow a coarser pitch"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Solve(context.Background(), c.p, c.o)
			if diff := cmp.Diff(c.want, err); diff != "" {
				t.Errorf("want -, got +\n%s", diff)
			}
			if _, err := Heuristic(c.p); c.o == (Options{}) && !cmp.Equal(c.want, err) {
				t.Errorf("Heuristic: got %v, want %v", err, c.want)
			}
			if _, err := BoundWithSlew(context.Background(), c.p); c.o == (Options{}) && !cmp.Equal(c.want, err) {
				t.Errorf("BoundWithSlew: got %v, want %v", err, c.want)
			}
		})
	}
	t.Run("a need in the last turn does not count", func(t *testing.T) {
		p := edit(func(p *Problem) { p.NeedUM[720] = 512 })
		checkPlan(t, p, mustSolve(t, p, Options{}))
	})
	t.Run("cancelled", func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		if _, err := Solve(ctx, problem(constant(3, 100)), Options{}); !errors.Is(err, context.Canceled) {
			t.Errorf("Solve: got %v", err)
		}
		if _, err := BoundWithSlew(ctx, problem(constant(3, 100))); !errors.Is(err, context.Canceled) {
			t.Errorf("BoundWithSlew: got %v", err)
		}
	})
}

func TestHeuristicWhenHopeless(t *testing.T) {
	p := problem(music(4, 1.8, 360, 3))
	p.AvailableUM = Bound(p) / 1.19
	if pl := mustSolve(t, p, Options{}); pl.Quick || pl.Steps == 0 {
		t.Errorf("bound 19 %% above the disc: quick %v after %d steps, want the optimum", pl.Quick, pl.Steps)
	}
	p.AvailableUM = Bound(p) / 1.21
	pl := mustSolve(t, p, Options{})
	checkPlan(t, p, pl)
	if !pl.Quick || pl.Steps != 0 {
		t.Errorf("bound 21 %% above the disc: quick %v after %d steps, want a heuristic", pl.Quick, pl.Steps)
	}
}

// No room between the largest need and the coarsest pitch: nothing to optimise
// in the interior, but a plan exists.
func TestNeedAtCoarsestPitch(t *testing.T) {
	p := problem(music(2, 1.8, 360, 5))
	p.MaxPitchUM, _ = p.largestNeed()
	pl := mustSolve(t, p, Options{})
	checkPlan(t, p, pl)
	if !pl.Quick {
		t.Error("want a heuristic plan")
	}
	if fixed := FixedAdvanceUM(p); pl.PlannedUM > fixed {
		t.Errorf("planned %.0f um, a fixed pitch needs only %.0f", pl.PlannedUM, fixed)
	}
}

func TestDeterministic(t *testing.T) {
	p := problem(music(1, 1.8, 360, 9))
	want := mustSolve(t, p, Options{})
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	got := mustSolve(t, p, Options{})
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(Plan{})); diff != "" {
		t.Errorf("second run differs:\n%s", diff)
	}
}

// A lift repairs a plan that misses by little and gives up on one that misses
// by much.
func TestLift(t *testing.T) {
	p := problem(constant(4, 100))
	const safe = 120
	for _, c := range []struct {
		name string
		um   float64
		want bool
	}{{"sound", 100.1, true}, {"rounding", 99.99, true}, {"broken", 90, false}, {"not a number", math.NaN(), false}} {
		t.Run(c.name, func(t *testing.T) {
			pl := constantPlan(p, 24, c.um)
			before := pl.PlannedUM
			if got := pl.lift(p, safe); got != c.want {
				t.Fatalf("lift: %v, want %v", got, c.want)
			}
			if c.want {
				checkPlan(t, p, pl)
			}
			if moved := pl.PlannedUM != before; c.want && moved != (c.um < 100) {
				t.Errorf("planned went from %g to %g", before, pl.PlannedUM)
			}
		})
	}
}
