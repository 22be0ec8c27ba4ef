package planner

import (
	"context"
	"math"
	"testing"

	"discsafe/pipeline/groove"
)

// A profile at the edge says of each level what a plan at that level says:
// exactly for what does not hang on radii within the side, and within 2 % for
// what does, because land is taken from its bound.
func TestProfileIsWhatPlansSay(t *testing.T) {
	s := sideOf(t, lively(21, 6*turn))
	levels := []float64{-6, -2, 0, 3}
	outer := s.Limits.Disc.OuterMM
	p, err := ProfileOf(context.Background(), s, levels, []float64{outer, outer - 10})
	if err != nil {
		t.Fatal(err)
	}
	if s.Limits.Disc.OuterMM != outer {
		t.Fatal("the side was changed")
	}
	for k, db := range levels {
		own := *s
		own.Fit, own.LevelDB = false, db
		plan, err := Solve(context.Background(), &own)
		if err != nil {
			t.Fatal(err)
		}
		near := func(what string, got, want float64) {
			if math.Abs(got-want) > 0.02*math.Max(want, 0.05) {
				t.Errorf("%g dB: %s is %g, a plan says %g", db, what, got, want)
			}
		}
		near("land", p.LandUM[k], plan.LandUM)
		near("slope", p.Place[k][0].SlopeRatio, plan.SlopeRatio)
		near("curvature", p.Place[k][0].CurvatureRatio, plan.CurvatureRatio)
		near("de-ess", p.Place[k][0].DeEss.Worst, plan.DeEss.Worst)
		if p.Sides[k] != plan.Sides {
			t.Errorf("%g dB: sides %+v, a plan says %+v", db, p.Sides[k], plan.Sides)
		}
		if p.Place[k][1].DeEss.Worst <= p.Place[k][0].DeEss.Worst {
			t.Errorf("%g dB: curvature does not grow inwards", db)
		}
	}
}

func TestConcatJoinsEdges(t *testing.T) {
	a := logOf(t, repeated(groove.Motion{OuterMaxUM: 3, InnerMinUM: -4, NestUM: 5}, 2*turn))
	b := logOf(t, repeated(groove.Motion{OuterMaxUM: 7, InnerMinUM: -8, NestUM: 9}, 2*turn+5))
	const gap = turn + 10
	log, tracks, err := Concat(t.TempDir(), []Part{{Log: a, Sectors: turn + 50}, {Log: b, Sectors: b.Len(), Gap: gap}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := log.Close(); err != nil {
			t.Error(err)
		}
	}()
	if want := []Track{{0, turn + 50}, {turn + 50 + gap, turn + 50 + gap + b.Len()}}; tracks[0] != want[0] || tracks[1] != want[1] || log.Len() != want[1].End {
		t.Fatalf("tracks %v of %d sectors, want %v", tracks, log.Len(), want)
	}
	var all []groove.Motion
	if err := log.Scan(func(_ int, run []groove.Motion) { all = append(all, run...) }); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		at   int
		want float32
	}{
		{"first turn has nothing before it", 10, 3},
		{"second turn as it was", turn + 10, 5},
		{"silence beside the end of the first", turn + 60, 4},
		{"silence beside silence", 2*turn + 55, 0},
		{"second track beside silence", tracks[1].Start + 5, 7},
		{"second track beside itself", tracks[1].Start + turn, 9},
	} {
		if got := all[c.at].NestUM; got != c.want {
			t.Errorf("%s: %g um, want %g", c.name, got, c.want)
		}
	}
}
