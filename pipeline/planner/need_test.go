package planner

import (
	"context"
	"math"
	"math/rand"
	"testing"

	"discsafe/pipeline/groove"
)

// motionOf gives the sectors of a groove whose walls stand at l and r (um) at
// one angle per sector.
func motionOf(l, r []float64) []groove.Motion {
	out := make([]groove.Motion, len(l))
	for i := range l {
		m := &out[i]
		m.OuterMaxUM, m.InnerMinUM = float32(math.Sqrt2*r[i]), float32(math.Sqrt2*l[i])
		y, z := (l[i]+r[i])/math.Sqrt2, (l[i]-r[i])/math.Sqrt2
		m.LateralMaxUM, m.LateralMinUM, m.VerticalMaxUM, m.VerticalMinUM = float32(y), float32(y), float32(z), float32(z)
		past := 0.0
		if i >= turn {
			past = l[i-turn]
		}
		m.NestUM = float32(math.Sqrt2 * (r[i] - past))
	}
	return out
}

// The need of a turn is the advance at which groove.LandUM leaves exactly the
// land asked for (geometry of IEC 60098:2020 6.1 and 6.2).
func TestNeedIsWhatTheGeometryAsksFor(t *testing.T) {
	rnd := rand.New(rand.NewSource(3))
	l, r := make([]float64, 4*turn), make([]float64, 4*turn)
	for i := range l {
		l[i], r[i] = 8*rnd.NormFloat64(), 8*rnd.NormFloat64()
	}
	sectors := motionOf(l, r)
	s := sideOf(t, sectors)
	s.LimitSides = nil
	for _, gain := range []float64{0.5, 1, 1.3} {
		w := &weigher{side: s}
		d, err := w.planDepth(gain)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.needs(s.Log, d, gain, 10, 0); err != nil {
			t.Fatal(err)
		}
		for j := 0; j+turn < len(l); j++ {
			_, was := d.span(j)
			_, is := d.span(j + turn)
			got := groove.LandUM(float64(w.need[j]), was, is, gain*l[j], gain*r[j+turn])
			// float32 of 200 um.
			if math.Abs(got-10) > 1e-4 {
				t.Fatalf("gain %g, sector %d: the need %.4f um leaves %.5f um of land, want 10", gain, j, w.need[j], got)
			}
		}
		for j := len(l) - turn; j < len(l); j++ {
			if w.need[j] != 0 {
				t.Fatalf("sector %d has no next turn and needs %g um", j, w.need[j])
			}
		}
	}
}

// A limiter takes vertical motion away, which moves an edge to anywhere between
// where it was and the lateral motion alone: the need covers both ends.
func TestNeedCoversTreatment(t *testing.T) {
	rnd := rand.New(rand.NewSource(4))
	l, r := make([]float64, 3*turn), make([]float64, 3*turn)
	for i := range l {
		l[i], r[i] = 40*rnd.NormFloat64(), 40*rnd.NormFloat64()
	}
	sectors := motionOf(l, r)
	s := sideOf(t, sectors)
	w := &weigher{side: s}
	d, err := w.planDepth(1)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.needs(s.Log, d, 1, 10, 0); err != nil {
		t.Fatal(err)
	}
	for j := 0; j+turn < len(l); j++ {
		_, was := d.span(j)
		_, is := d.span(j + turn)
		for _, ga := range []float64{0, 0.3, 1} {
			for _, gb := range []float64{0, 0.6, 1} {
				left, right := kept(l[j], r[j], ga, &s.Limits, d, j)
				_, right2 := kept(l[j+turn], r[j+turn], gb, &s.Limits, d, j+turn)
				_ = right
				if got := groove.LandUM(float64(w.need[j]), was, is, left, right2); got < 10-1e-3 {
					t.Fatalf("sector %d: with %g and %g of the vertical motion kept, land is %.3f um, want at least 10", j, ga, gb, got)
				}
			}
		}
	}
}

// kept is a wall pair of which a share of the vertical motion was kept, where
// the limiter would act at all.
func kept(l, r, share float64, lim *groove.Limits, d *depthPlan, at int) (float64, float64) {
	lo, hi := d.span(at)
	z := (l - r) / math.Sqrt2
	if z <= lim.AllowedRiseUM(lo) && -z <= lim.AllowedFallUM(hi) {
		return l, r
	}
	m, s := (l+r)/2, (l-r)/2*share
	return m + s, m - s
}

// Needs are lengths: turns that swing apart need nothing, not less.
func TestNeedOfTurnsThatSwingApartIsALength(t *testing.T) {
	l, r := make([]float64, 6*turn), make([]float64, 6*turn)
	for i := range l {
		x := 60 * math.Sin(2*math.Pi*float64(i)/turn*20.5) // half a period on per turn
		l[i], r[i] = x, x
	}
	s := sideOf(t, motionOf(l, r))
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	if p.LandErr != nil {
		t.Error(p.LandErr)
	}
}

// A visible mark stands in the last turn before each track but the first.
func TestTracksAreMarkedByVisibleLand(t *testing.T) {
	const n = 12 * turn
	s := sideOf(t, repeated(groove.Motion{LateralMaxUM: 3, LateralMinUM: -3, OuterMaxUM: 3, InnerMinUM: -3, NestUM: 6}, n))
	s.Tracks = []Track{{0, 4 * turn}, {5 * turn, 8*turn + 77}, {8*turn + 77, n}}
	s.Fit, s.LevelDB = false, 0
	p, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	if !p.Holds {
		t.Fatalf("held by %s: %v", p.Held, p.LandErr)
	}
	for i, tr := range s.Tracks[1:] {
		um, ok := p.LandBeforeUM(s.Log, tr.Start)
		if !ok || um < s.Room.Pitch.TrackLandUM-0.01 {
			t.Errorf("before track %d lie %.2f um of land (%v), want %g", i+2, um, ok, s.Room.Pitch.TrackLandUM)
		}
	}
	// Inside a track the land is the room's least, where the pitch's slew
	// allows.
	if um, ok := p.LandBeforeUM(s.Log, 3*turn); !ok || um > 40 {
		t.Errorf("inside track 1 lie %.2f um of land (%v), want about %g", um, ok, s.Room.Groove.MinLandUM)
	}
	if _, ok := p.LandBeforeUM(s.Log, turn-1); ok {
		t.Error("land is reported before the second turn")
	}

	s.Room.Pitch.TrackLandUM = 0
	q, err := Solve(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	if q.Land.PlannedUM >= p.Land.PlannedUM {
		t.Errorf("without marks the side takes %.1f um, with them %.1f", q.Land.PlannedUM, p.Land.PlannedUM)
	}
}

// A track that starts in the first turn has nothing before it.
func TestTrackMarkAtTheVeryStart(t *testing.T) {
	s := sideOf(t, repeated(still, 3*turn))
	s.Tracks = []Track{{0, 100}, {100, 3 * turn}}
	if _, err := Solve(context.Background(), s); err != nil {
		t.Fatal(err)
	}
}
