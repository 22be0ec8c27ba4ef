package planner

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand"
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage"
)

// lively is a side of random but repeatable motion, with louder spots.
func lively(seed int64, n int) []groove.Motion {
	rnd := rand.New(rand.NewSource(seed))
	out := make([]groove.Motion, n)
	for i := range out {
		k := 1 + 0.5*math.Sin(float64(i)/97)
		a := func(x float64) float32 { return float32(k * x * rnd.Float64()) }
		y, z := a(12), a(6)
		out[i] = groove.Motion{
			LateralMaxUM: y, LateralMinUM: -a(12), VerticalMaxUM: z, VerticalMinUM: -a(6),
			OuterMaxUM: a(15), InnerMinUM: -a(15), NestUM: a(30),
			WallVelocity: a(0.04), WallAccel: a(900), LateralSpeed: a(0.05), VerticalSpeed: a(0.02),
			AccelSqL: a(9e4), AccelSqR: a(9e4), AccelLow: a(200),
		}
	}
	return out
}

// Solve finds the highest tenth of a dB at which everything holds: by trying
// them all.
func TestSolveFindsTheHighestLevel(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(s *Side, m []groove.Motion)
		held   string // "" where the plan's greatest level holds
	}{
		{"nothing holds it", func(s *Side, m []groove.Motion) { s.MaxLevelDB = 2 }, ""},
		{"land", func(s *Side, _ []groove.Motion) { s.Limits.Disc.InnerQualityMM = 70 - 0.53 }, HeldLand},
		{"pitch", func(s *Side, _ []groove.Motion) { s.Room.Pitch.MaxUM = 130 }, HeldPitch},
		{"slope", func(s *Side, _ []groove.Motion) { s.DeEss = nil }, HeldSlope},
		{"curvature without de-ess", func(s *Side, m []groove.Motion) {
			s.DeEss = nil
			m[700].WallAccel = 3000
		}, HeldCurvature},
		{"vertical without limit-sides", func(s *Side, m []groove.Motion) {
			s.LimitSides = nil
			m[500].VerticalMaxUM = 40
		}, HeldVertical},
		{"rms", func(s *Side, _ []groove.Motion) { c := 300.0; s.Limits.RMSAcceleration = &c }, HeldRMS},
		{"reduction of the sides", func(s *Side, m []groove.Motion) {
			s.MaxReductionDB = 2
			m[500].VerticalMaxUM, m[500].VerticalMinUM = 60, -20
		}, HeldReduction},
		{"reduction of treble", func(s *Side, m []groove.Motion) {
			s.MaxReductionDB = 1
			m[900].WallAccel, m[900].WallVelocity, m[900].AccelLow = 3500, 0.05, 50
		}, HeldReduction},
		{"treated share", func(s *Side, m []groove.Motion) {
			s.MaxTreatedShare = 0.02
			for i := 300; i < 900; i += 60 {
				m[i].WallAccel, m[i].WallVelocity = float32(2000+2*i), 0.05
			}
		}, HeldTreated},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := lively(11, 5*turn)
			s := sideOf(t, nil)
			c.change(s, m)
			s.Log = logOf(t, m)
			s.Fit = true
			p, err := Solve(context.Background(), s)
			if err != nil {
				t.Fatal(err)
			}
			if !p.Holds {
				t.Fatalf("level %g dB does not hold: %s", p.LevelDB, p.Held)
			}
			if p.HeldAbove != c.held {
				t.Errorf("held above by %q, want %q", p.HeldAbove, c.held)
			}
			if math.Abs(p.Gain-math.Pow(10, p.LevelDB/20)) > 1e-12 {
				t.Errorf("gain %g at %g dB", p.Gain, p.LevelDB)
			}
			if c.held == "" {
				if p.LevelDB != s.MaxLevelDB {
					t.Errorf("level %g dB, want the greatest, %g", p.LevelDB, s.MaxLevelDB)
				}
				return
			}
			// The search weighs land by its bound and 2 %; the optimum may be
			// off by a step or two.
			var highest float64
			for db := s.MaxLevelDB; db >= s.MinLevelDB; db = round1(db - levelStepDB) {
				own := *s
				own.Fit, own.LevelDB = false, db
				q, err := Solve(context.Background(), &own)
				if err != nil {
					t.Fatal(err)
				}
				if q.Holds {
					highest = db
					break
				}
			}
			if p.LevelDB > highest+1e-9 || p.LevelDB < highest-0.25 {
				t.Errorf("level %g dB, by trying all it is %g", p.LevelDB, highest)
			}
		})
	}
}

func TestAskedLevelIsTaken(t *testing.T) {
	s := sideOf(t, lively(12, 3*turn))
	for _, db := range []float64{-6, -0.37, 0, 4.2} {
		s.LevelDB = db
		p, err := Solve(context.Background(), s)
		if err != nil {
			t.Fatal(err)
		}
		if p.LevelDB != db || p.HeldAbove != "" {
			t.Errorf("level %g dB, held %q; asked for %g", p.LevelDB, p.HeldAbove, db)
		}
	}
}

// Below the plan's least level the search goes only for land and the cutter,
// not for the caps or the listener.
func TestLevelsBelowThePlansLeast(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(s *Side, m []groove.Motion)
		lo, hi float64
		holds  bool
		held   string
	}{
		{"caps", func(s *Side, m []groove.Motion) { s.MaxReductionDB, m[400].VerticalMaxUM = 1, 200 }, -3, -3, false, HeldReduction},
		{"curvature", func(s *Side, m []groove.Motion) { s.DeEss, m[400].WallAccel = nil, 20000 }, -3, -3, false, HeldCurvature},
		// 0.5 m/s at 70 mm, where the facets clear 0.17 m/s: -9.3 dB.
		{"slope", func(s *Side, m []groove.Motion) { s.DeEss, m[400].WallVelocity = nil, 0.5 }, -9.5, -9.2, true, ""},
		{"nothing helps", func(s *Side, m []groove.Motion) { s.LimitSides, m[400].VerticalMaxUM = nil, 3000 }, LowestLevelDB, LowestLevelDB, false, HeldVertical},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := lively(13, 3*turn)
			s := sideOf(t, nil)
			s.Fit, s.MinLevelDB = true, -3
			c.change(s, m)
			s.Log = logOf(t, m)
			p, err := Solve(context.Background(), s)
			if err != nil {
				t.Fatal(err)
			}
			if p.LevelDB < c.lo || p.LevelDB > c.hi || p.Holds != c.holds || p.Held != c.held {
				t.Errorf("level %g dB, holds %v, held by %q; want %g to %g, %v, %q", p.LevelDB, p.Holds, p.Held, c.lo, c.hi, c.holds, c.held)
			}
		})
	}
}

// sameLog: the same filters act at every level.
func sameLog(s *Side) []*groove.MotionLog {
	logs := make([]*groove.MotionLog, len(LadderLevels()))
	for i := range logs {
		logs[i] = s.Log
	}
	return logs
}

func TestLadderIsMonotone(t *testing.T) {
	for seed := int64(20); seed < 24; seed++ {
		s := sideOf(t, lively(seed, 4*turn))
		p, err := Solve(context.Background(), s)
		if err != nil {
			t.Fatal(err)
		}
		rungs, err := Ladder(context.Background(), s, p, sameLog(s))
		if err != nil {
			t.Fatal(err)
		}
		if len(rungs) != 33 || rungs[0].LevelDB != -8 || rungs[32].LevelDB != 8 {
			t.Fatalf("%d rungs from %g to %g dB, want 33 from -8 to 8", len(rungs), rungs[0].LevelDB, rungs[len(rungs)-1].LevelDB)
		}
		for i := 1; i < len(rungs); i++ {
			a, b := rungs[i-1], rungs[i]
			if b.LandUM < a.LandUM-1e-3 || b.BoundUM < a.BoundUM-1e-3 {
				t.Errorf("%g dB needs %.4f um, %g dB %.4f", a.LevelDB, a.LandUM, b.LevelDB, b.LandUM)
			}
			if b.Sides.ReductionDB < a.Sides.ReductionDB-1e-9 || b.DeEss.ReductionDB < a.DeEss.ReductionDB-1e-9 {
				t.Errorf("%g dB needs more treatment than %g dB", a.LevelDB, b.LevelDB)
			}
			if b.DeEss.Worst < a.DeEss.Worst || b.Sides.TreatedS < a.Sides.TreatedS-1e-9 {
				t.Errorf("%g dB is worse than %g dB", a.LevelDB, b.LevelDB)
			}
			if b.Holds && !a.Holds {
				t.Errorf("%g dB holds, %g dB does not: %s", b.LevelDB, a.LevelDB, a.Held)
			}
		}
	}
}

// What the ladder says of the level chosen is what the plan found.
func TestLadderAgreesWithThePlan(t *testing.T) {
	s := sideOf(t, lively(31, 5*turn))
	s.LevelDB = 1.5
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	rungs, err := Ladder(context.Background(), s, p, sameLog(s))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rungs {
		if r.LevelDB != 1.5 {
			continue
		}
		// 0.5 %: land between planned rungs is interpolated.
		if math.Abs(r.LandUM/p.LandUM-1) > 0.005 || math.Abs(r.SlopeRatio/p.SlopeRatio-1) > 1e-3 || math.Abs(r.DeEss.Worst/p.DeEss.Worst-1) > 1e-3 {
			t.Errorf("rung %+v\nplan %+v", r, p.Outcome)
		}
		return
	}
	t.Error("no rung at 1.5 dB")
}

func TestRMSMeterIsTheSlidingRMS(t *testing.T) {
	rnd := rand.New(rand.NewSource(5))
	for _, window := range []int{1, 7, 200} {
		m := rmsMeter{window: window}
		x, y := make([]float64, 999), make([]float64, 999)
		for i := range x {
			x[i], y[i] = rnd.Float64()*100, rnd.Float64()*100
			m.add(x[i], y[i])
		}
		want := 0.0
		for i := range x {
			var sl, sr float64
			for k := max(0, i-window+1); k <= i; k++ {
				sl += x[k]
				sr += y[k]
			}
			want = math.Max(want, math.Sqrt(math.Max(sl, sr)/float64(window)))
		}
		if got := m.top(); math.Abs(got/want-1) > 1e-9 {
			t.Errorf("window %d: %g, want %g", window, got, want)
		}
	}
}

// Watched sectors are all those that may exceed a limit, and no quiet ones.
func TestWatch(t *testing.T) {
	quiet := groove.Motion{VerticalMaxUM: 1, VerticalMinUM: -1, WallAccel: 100, WallVelocity: 0.001}
	m := repeated(quiet, 3*turn)
	m[100].WallAccel = 1e5
	m[200].WallVelocity = 1
	m[300].VerticalMaxUM, m[300].VerticalMinUM = 60, -60
	s := sideOf(t, m)
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	for i := range m {
		if got, want := p.Watch.DeEss.Has(i), i == 100 || i == 200; got != want {
			t.Errorf("de-ess watches sector %d: %v", i, got)
		}
		if got, want := p.Watch.Sides.Has(i), i == 300; got != want {
			t.Errorf("limit-sides watches sector %d: %v", i, got)
		}
	}
	s.TightenDeEss = 0.5
	s.TightenSides = 0.5
	if err := p.Rewatch(); err != nil {
		t.Fatal(err)
	}
	if !p.Watch.DeEss.Has(100) || !p.Watch.Sides.Has(300) {
		t.Error("tightening lost a watched sector")
	}
}

// The limits given to the stages are those at the radius of the plan.
func TestStageLimitsStandAtThePlannedRadius(t *testing.T) {
	s := sideOf(t, lively(14, 8*turn))
	s.DeEss.TipUM = 9
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := p.Aim(stage.DeEss), p.Aim(stage.LimitSides); a != treatTarget || b != treatTarget {
		t.Errorf("stages aim at %g and %g of a limit, want %g", a, b, treatTarget)
	}
	last := 70.0
	for i := 0; i < s.Log.Len(); i += 17 {
		r := p.RadiusMM(i)
		if r > last {
			t.Fatalf("radius grows at sector %d", i)
		}
		last = r
		v := s.Limits.Disc.GrooveSpeed(r)
		a, sp := p.DeEssLimit(i)
		// V^2/R and V tan(45 deg)/sqrt2.
		if wa, ws := v*v/9e-6, v/math.Sqrt2; math.Abs(a/wa-1) > 1e-9 || math.Abs(sp/ws-1) > 1e-9 {
			t.Fatalf("sector %d: limits %g and %g, want %g and %g", i, a, sp, wa, ws)
		}
		rise, fall := p.SidesRoom(i)
		lo, hi := p.depth.span(i)
		if wr, wf := lo-12.5, 80-hi; math.Abs(rise-wr) > 1e-9 || math.Abs(fall-wf) > 1e-9 {
			t.Fatalf("sector %d: room %g and %g, want %g and %g", i, rise, fall, wr, wf)
		}
	}
}

func TestSolveCanBeCancelled(t *testing.T) {
	s := sideOf(t, lively(15, 20*turn))
	s.Fit = true
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := Solve(ctx, s); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want context.Canceled", err)
	}
}

func TestSolveOfShortSides(t *testing.T) {
	for _, n := range []int{1, 2, 14, 15, 16, turn - 1, turn, turn + 1, 2 * turn} {
		for _, fit := range []bool{false, true} {
			t.Run(fmt.Sprint(n, fit), func(t *testing.T) {
				s := sideOf(t, lively(16, n))
				s.Fit = fit
				p, err := Solve(context.Background(), s)
				if err != nil {
					t.Fatal(err)
				}
				if !fit && p.LevelDB != 0 || math.IsNaN(p.LandUM) || math.IsInf(p.LandUM, 0) {
					t.Errorf("level %g dB, land %g um", p.LevelDB, p.LandUM)
				}
				if _, err := Read(context.Background(), p, s.Log, nil); err != nil {
					t.Error(err)
				}
				if _, err := Ladder(context.Background(), s, p, sameLog(s)); err != nil {
					t.Error(err)
				}
				if _, _, err := p.FixedPitchUM(s.Log); err != nil {
					t.Error(err)
				}
				if _, err := OwnLand(context.Background(), p, s.Log); err != nil {
					t.Error(err)
				}
			})
		}
	}
}

// Estimate modes treat nothing: curvature stands as it is, and no cap on
// reduction applies.
func TestEstimateHoldsNoLevel(t *testing.T) {
	m := lively(17, 3*turn)
	m[500].WallAccel, m[500].WallVelocity = 20000, 0.05
	s := sideOf(t, m)
	s.Fit, s.MaxReductionDB, s.MaxLevelDB = true, 1, 0
	s.DeEss.Mode = stage.ModeEstimate
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	if p.LevelDB != 0 || !p.Watch.DeEss.Has(500) || p.CurvatureRatio < 2 {
		t.Errorf("level %g dB, watched %v, curvature %g", p.LevelDB, p.Watch.DeEss.Has(500), p.CurvatureRatio)
	}
}
