package planner

import (
	"context"
	"errors"
	"math"
	"testing"

	"discsafe/pipeline/groove"
)

// Every peak of a reading is the greatest over the sectors, computed here one
// by one from the plan's radius and depth.
func TestReadEqualsBruteForce(t *testing.T) {
	m := lively(41, 5*turn+33)
	s := sideOf(t, m)
	s.LevelDB = 2.3
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	points := make([]Point, 0, len(m))
	r, err := Read(context.Background(), p, s.Log, func(pt *Point) { points = append(points, *pt) })
	if err != nil {
		t.Fatal(err)
	}
	g := p.Gain
	type peak struct {
		name string
		got  Peak
		of   func(i int) float64
		min  bool
	}
	speed := func(i int) float64 { return s.Limits.Disc.GrooveSpeed(p.RadiusMM(i)) }
	for _, c := range []peak{
		{"lateral", r.LateralUM, func(i int) float64 { return g * math.Max(float64(m[i].LateralMaxUM), -float64(m[i].LateralMinUM)) }, false},
		{"vertical", r.VerticalUM, func(i int) float64 { return g * math.Max(float64(m[i].VerticalMaxUM), -float64(m[i].VerticalMinUM)) }, false},
		{"width", r.MinWidthUM, func(i int) float64 {
			return 2 * (math.Min(p.DepthUM(i), p.DepthUM(i+1)) - g*float64(m[i].VerticalMaxUM))
		}, true},
		{"depth", r.MaxDepthUM, func(i int) float64 {
			return math.Max(p.DepthUM(i), p.DepthUM(i+1)) - g*float64(m[i].VerticalMinUM)
		}, false},
		{"lateral velocity", r.LateralCMS, func(i int) float64 { return 100 * g * float64(m[i].LateralSpeed) }, false},
		{"vertical velocity", r.VerticalCMS, func(i int) float64 { return 100 * g * float64(m[i].VerticalSpeed) }, false},
		{"acceleration", r.AccelMS2, func(i int) float64 { return g * float64(m[i].WallAccel) }, false},
		// V tan(45 deg)/sqrt2 and V^2/R at the radius of the sector.
		{"slope", r.Slope, func(i int) float64 { return g * float64(m[i].WallVelocity) * math.Sqrt2 / speed(i) }, false},
		{"curvature", r.Curvature, func(i int) float64 { return g * float64(m[i].WallAccel) * 12.7e-6 / speed(i) / speed(i) }, false},
		{"tip of 18 um", r.Tips[0], func(i int) float64 { return g * float64(m[i].WallAccel) * 18e-6 / speed(i) / speed(i) }, false},
		{"tip of 7 um", r.Tips[1], func(i int) float64 { return g * float64(m[i].WallAccel) * 7e-6 / speed(i) / speed(i) }, false},
		{"deepening", r.Deepening, func(i int) float64 {
			return g * float64(m[i].VerticalSpeed) / (speed(i) * math.Tan(35*math.Pi/180))
		}, false},
	} {
		best, at := c.of(0), 0
		for i := range m {
			if v := c.of(i); c.min && v < best || !c.min && v > best {
				best, at = v, i
			}
		}
		// The depth line between nodes and float32 motion: one part in 1e6.
		if math.Abs(c.got.Value-best) > 1e-6*math.Abs(best)+1e-9 || c.got.Sector != at {
			t.Errorf("%s: %.9g at sector %d, by brute force %.9g at %d", c.name, c.got.Value, c.got.Sector, best, at)
		}
	}
	if len(points) != len(m) {
		t.Fatalf("%d points of %d sectors", len(points), len(m))
	}
	overS := 0.0
	for i, pt := range points {
		if pt.Sector != i {
			t.Fatalf("point %d is of sector %d", i, pt.Sector)
		}
		if hasNext := i+turn < len(m); hasNext == math.IsNaN(pt.LandUM) {
			t.Fatalf("sector %d of %d has land %g", i, len(m), pt.LandUM)
		}
		if want := g * float64(m[i].WallAccel) * 12.7e-6 / speed(i) / speed(i); math.Abs(pt.CurvatureRat/want-1) > 1e-6 {
			t.Fatalf("sector %d: curvature %g, want %g", i, pt.CurvatureRat, want)
		} else if want > 1 {
			overS += 0.005
		}
	}
	if math.Abs(r.OverCurveS-overS) > 1e-9 {
		t.Errorf("%.4f s over curvature, want %.4f", r.OverCurveS, overS)
	}
	// 99.9 % of sectors, in bins of 10 m/s2.
	above := 0
	for i := range m {
		if g*float64(m[i].WallAccel) > r.AccelP999MS2 {
			above++
		}
	}
	if share := float64(above) / float64(len(m)); share > 0.001 {
		t.Errorf("%.4f of the sectors lie above the value not passed in 99.9 %%", share)
	}
	for k, window := range []int{20, 200, 2000} {
		want := 0.0
		for i := range m {
			var l, rr float64
			for j := max(0, i-window+1); j <= i; j++ {
				l += g * g * float64(m[j].AccelSqL)
				rr += g * g * float64(m[j].AccelSqR)
			}
			want = math.Max(want, math.Sqrt(math.Max(l, rr)/float64(window)))
		}
		if math.Abs(r.RMS[k]/want-1) > 1e-9 {
			t.Errorf("rms over %d sectors %g, want %g", window, r.RMS[k], want)
		}
	}
}

// The least land of a reading is the geometry at the planned advance.
func TestReadLandIsTheGeometry(t *testing.T) {
	l, r := make([]float64, 4*turn), make([]float64, 4*turn)
	for i := range l {
		l[i], r[i] = 6*math.Sin(float64(i)/11), 5*math.Sin(float64(i)/13+1)
	}
	s := sideOf(t, motionOf(l, r))
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Read(context.Background(), p, s.Log, nil)
	if err != nil {
		t.Fatal(err)
	}
	least := math.Inf(1)
	sec := s.Sectors.SecondsPerTurn / turn
	for j := 0; j+turn < len(l); j++ {
		_, was := p.depth.span(j)
		_, is := p.depth.span(j + turn)
		for _, f := range []float64{0, 0.25, 0.5, 0.75, 1} { // anywhere in the sector
			at := (float64(j) + f) * sec
			adv := p.Land.AdvanceUM(at+s.Sectors.SecondsPerTurn) - p.Land.AdvanceUM(at)
			least = math.Min(least, groove.LandUM(adv, was, is, l[j], r[j+turn]))
		}
	}
	// Five points a sector miss the least by less than 0.01 um of a pitch that
	// moves 500 um/s.
	if math.Abs(got.MinLandUM.Value-least) > 0.01 {
		t.Errorf("least land %.4f um, by brute force %.4f", got.MinLandUM.Value, least)
	}
	if got.MinLandUM.Value < 10 || got.MinLandUM.Value > 10.5 {
		t.Errorf("least land %.4f um, want 10 and a little", got.MinLandUM.Value)
	}
}

func TestReadOfOneTurnHasNoLand(t *testing.T) {
	s := sideOf(t, repeated(still, turn))
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Read(context.Background(), p, s.Log, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(r.MinLandUM.Value, 1) {
		t.Errorf("land %g um between turns of a side of one turn", r.MinLandUM.Value)
	}
}

func TestReadCanBeCancelled(t *testing.T) {
	s := sideOf(t, repeated(still, turn))
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := Read(ctx, p, s.Log, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want context.Canceled", err)
	}
}

// A written file that needs a little more land than was planned gets it; one
// that needs no more leaves the plan alone.
func TestSettle(t *testing.T) {
	m := lively(51, 5*turn)
	s := sideOf(t, m)
	s.LimitSides = nil
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	old := p.Land
	if changed, err := p.Settle(context.Background(), s.Log); err != nil || changed || p.Land != old {
		t.Errorf("settled on the log it was planned with: %v, %v", changed, err)
	}
	more := make([]groove.Motion, len(m))
	copy(more, m)
	for i := range more {
		more[i].NestUM += 3
	}
	written := logOf(t, more)
	if changed, err := p.Settle(context.Background(), written); err != nil || !changed {
		t.Fatalf("settled %v, %v; every turn needs 3 um more", changed, err)
	}
	r, err := Read(context.Background(), p, written, nil)
	if err != nil {
		t.Fatal(err)
	}
	if r.MinLandUM.Value < s.Limits.MinLandUM-1e-6 {
		t.Errorf("least land %.5f um after settling, want %g", r.MinLandUM.Value, s.Limits.MinLandUM)
	}
	if p.Land.PlannedUM <= old.PlannedUM || p.LandUM != p.Land.PlannedUM {
		t.Errorf("settled land %.2f um, planned before %.2f", p.Land.PlannedUM, old.PlannedUM)
	}
}

// A fixed pitch must serve the greatest need; the plan needs less.
func TestFixedPitchTakesMoreLand(t *testing.T) {
	m := lively(61, 10*turn)
	m[1000].NestUM = 90
	s := sideOf(t, m)
	s.LimitSides = nil
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	pitch, um, err := p.FixedPitchUM(s.Log)
	if err != nil {
		t.Fatal(err)
	}
	if want := pitch * 10; math.Abs(um/want-1) > 1e-9 {
		t.Errorf("fixed pitch of %g um takes %g um in 10 turns, want %g", pitch, um, want)
	}
	if um <= p.Land.PlannedUM {
		t.Errorf("fixed pitch takes %.1f um, the plan %.1f", um, p.Land.PlannedUM)
	}
}

// Infrasonic motion is what lies below 10 Hz: DC and 3 Hz pass, 30 Hz does not.
func TestInfrasonicMotion(t *testing.T) {
	for _, c := range []struct {
		hz, least, most float64 // share of the lateral amplitude
	}{{0, 0.99, 1.2}, {3, 0.95, 1.15}, {30, 0, 0.03}, {60, 0, 0.005}} {
		m := make([]groove.Motion, 3000)
		for i := range m {
			x := float32(5 * math.Cos(2*math.Pi*c.hz*float64(i)*0.005))
			m[i].MeanLUM, m[i].MeanRUM = x, x
		}
		if c.hz >= 30 { // not the step at the start
			for i := range m {
				k := float32(math.Min(1, float64(i)/1000))
				m[i].MeanLUM *= k
				m[i].MeanRUM *= k
			}
		}
		s := sideOf(t, m)
		p, err := Solve(context.Background(), s)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Read(context.Background(), p, s.Log, nil)
		if err != nil {
			t.Fatal(err)
		}
		if q := r.InfrasonicUM.Value / (5 * math.Sqrt2); q < c.least || q > c.most {
			t.Errorf("%g Hz: %.3f of the motion counts as infrasonic, want %g to %g", c.hz, q, c.least, c.most)
		}
	}
}
