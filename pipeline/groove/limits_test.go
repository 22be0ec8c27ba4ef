package groove

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// limitsFor is the default room's limits on a disc.
func limitsFor(t testing.TB, disc string) Limits {
	t.Helper()
	return NewLimits(DefaultRoom(), mustDisc(t, disc))
}

// Slope and curvature limits by disc and radius. Derived from V tan(beta) and
// V^2/R; the slope column's 50 cm/s outside and 68 cm/s for 12 in at 45 are
// also published (a record-transfer lab's page, secondary). C13 is its second
// row. Tolerance 0.2 %: the digits given.
func TestLimitsByRadius(t *testing.T) {
	for _, c := range []struct {
		disc                  string
		radius, v, lateral    float64 // mm, m/s, cm/s
		a18, a15, a7, v18, v7 float64 // m/s2; cm/s at 10 kHz
		lambda10k             float64 // um
		v18Tol, v7Tol         float64 // half of the last digit given
		g18                   float64 // a18 in g
	}{
		{"12in-33", 146.05, 0.50981, 50.98, 14439, 17327, 37130, 22.98, 59.1, 50.98, .005, .05, 1472},
		{"12in-33", 60.3, 0.21049, 21.05, 2461, 2954, 6329, 3.92, 10.07, 21.05, .005, .005, 251},
		{"12in-33", 57.5, 0.20071, 20.07, 2238, 2686, 5755, 3.56, 9.16, 20.07, .005, .005, 228},
		{"12in-45", 146.05, 0.68824, 68.82, 26316, 31579, 67669, 41.9, 107.7, 68.82, .05, .05, 2683},
		{"12in-45", 60.3, 0.28416, 28.42, 4486, 5383, 11535, 7.14, 18.4, 28.42, .005, .05, 457},
		{"10in-33", 120.9, 0.42202, 42.20, 9895, 11873, 25443, 15.75, 40.5, 42.20, .05, .05, 1009},
		{"7in-45", 84.15, 0.39655, 39.65, 8736, 10483, 22464, 13.9, 35.8, 39.65, .05, .05, 891},
		{"7in-45", 53.975, 0.25435, 25.44, 3594, 4313, 9242, 5.72, 14.7, 25.44, .005, .05, 367},
		{"7in-33", 53.975, 0.18841, 18.84, 1972, 2367, 5071, 3.14, 8.07, 18.84, .005, .005, 201},
	} {
		t.Run(fmt.Sprintf("%s at %g mm", c.disc, c.radius), func(t *testing.T) {
			l := limitsFor(t, c.disc)
			v := l.Disc.GrooveSpeed(c.radius)
			ratioWithin(t, "groove speed", v, c.v, 1e-4)
			within(t, "lateral velocity", 100*l.LateralVelocityMS(c.radius), c.lateral, 0.01)
			ratioWithin(t, "channel velocity", l.ChannelVelocityMS(c.radius), v/math.Sqrt2, 1e-12)
			for tip, want := range map[float64]float64{18: c.a18, 15: c.a15, 7: c.a7} {
				ratioWithin(t, fmt.Sprint("acceleration, tip ", tip), l.ChannelAccelerationForTipMS2(c.radius, tip), want, 0.0005)
			}
			within(t, "in g", l.ChannelAccelerationForTipMS2(c.radius, 18)/StandardGravity, c.g18, 0.6)
			at10k := func(tip float64) float64 {
				return 100 * l.ChannelAccelerationForTipMS2(c.radius, tip) / (2 * math.Pi * 10000)
			}
			within(t, "10 kHz, tip 18", at10k(18), c.v18, c.v18Tol+0.001)
			within(t, "10 kHz, tip 7", at10k(7), c.v7, c.v7Tol+0.01)
			within(t, "wavelength at 10 kHz", v/10000*1e6, c.lambda10k, 0.01)
		})
	}
}

// Where slope and curvature meet. Derived; tolerance 0.1 %.
func TestCrossing(t *testing.T) {
	for _, c := range []struct {
		disc       string
		radius, hz float64
	}{{"12in-33", 146.05, 6375}, {"12in-33", 60.3, 2632}, {"7in-45", 53.975, 3181}} {
		l := limitsFor(t, c.disc)
		l.TipUM = 18
		ratioWithin(t, c.disc, l.CrossingHz(c.radius), c.hz, 1e-3)
		// At that frequency one tone meets both limits.
		levels := l.ToneLevelsAt(l.CrossingHz(c.radius), c.radius, 18, 0.05/math.Sqrt2)
		within(t, c.disc+" levels", levels.SlopeDB, levels.CurvatureDB, 1e-9)
		within(t, c.disc+" least", levels.Least(), levels.SlopeDB, 1e-9)
	}
}

// Programme level of a steady lateral tone, dB re 5 cm/s lateral: slope (45
// degrees), curvature for 18 um, curvature for 7 um. Derived. C14 is the inner
// 12/33 at 10 kHz. Tolerance 0.05 dB: the first decimal.
func TestToneLevels(t *testing.T) {
	hz := []float64{1000, 2000, 5000, 8000, 10000, 12500, 15000}
	for _, row := range []struct {
		disc   string
		radius float64
		want   [7][3]float64
	}{
		{"12in-33", 146.05, [7][3]float64{{20.2, 36.3, 44.5}, {17.6, 27.6, 35.9}, {12.0, 14.1, 22.3}, {8.3, 6.3, 14.5}, {6.4, 2.5, 10.7}, {4.6, -1.3, 6.9}, {3.0, -4.4, 3.8}}},
		{"12in-33", 60.3, [7][3]float64{{12.5, 20.9, 29.1}, {9.9, 12.3, 20.5}, {4.3, -1.3, 6.9}, {0.6, -9.1, -0.9}, {-1.2, -12.8, -4.6}, {-3.1, -16.7, -8.5}, {-4.7, -19.8, -11.6}}},
		{"12in-45", 60.3, [7][3]float64{{15.1, 26.1, 34.3}, {12.5, 17.5, 25.7}, {6.9, 3.9, 12.1}, {3.2, -3.9, 4.4}, {1.4, -7.6, 0.6}, {-0.5, -11.4, -3.2}, {-2.1, -14.6, -6.4}}},
		{"7in-45", 84.15, [7][3]float64{{18.0, 31.9, 40.1}, {15.4, 23.3, 31.5}, {9.8, 9.7, 17.9}, {6.1, 1.9, 10.1}, {4.3, -1.8, 6.4}, {2.4, -5.7, 2.6}, {0.8, -8.8, -0.6}}},
		{"7in-45", 53.975, [7][3]float64{{14.1, 24.2, 32.4}, {11.5, 15.6, 23.8}, {5.9, 2.0, 10.2}, {2.2, -5.8, 2.4}, {0.4, -9.6, -1.4}, {-1.5, -13.4, -5.2}, {-3.0, -16.5, -8.3}}},
		{"7in-33", 53.975, [7][3]float64{{11.5, 19.0, 27.2}, {8.9, 10.4, 18.6}, {3.3, -3.2, 5.0}, {-0.4, -11.0, -2.8}, {-2.2, -14.8, -6.6}, {-4.1, -18.6, -10.4}, {-5.6, -21.7, -13.5}}},
	} {
		l := limitsFor(t, row.disc)
		for i, want := range row.want {
			coarse := l.ToneLevelsAt(hz[i], row.radius, 18, 0.05/math.Sqrt2)
			fine := l.ToneLevelsAt(hz[i], row.radius, 7, 0.05/math.Sqrt2)
			name := fmt.Sprintf("%s %g mm %g Hz ", row.disc, row.radius, hz[i])
			within(t, name+"slope", coarse.SlopeDB, want[0], 0.05+1e-3)
			within(t, name+"curvature 18", coarse.CurvatureDB, want[1], 0.05+1e-3)
			within(t, name+"curvature 7", fine.CurvatureDB, want[2], 0.05+1e-3)
		}
	}
}

// T5: ample room sideways, a couple of mils up or down (1 mil = 25.4 um).
// Common practice, no source.
func TestRoomUpAndDown(t *testing.T) {
	l := limitsFor(t, "12in-33")
	rise, fall := l.AllowedRiseUM(l.DesignDepthUM), l.AllowedFallUM(l.DesignDepthUM)
	within(t, "rise", rise, 17.5, 1e-12)
	within(t, "fall", fall, 50, 1e-12)
	if rise >= 25.4 || fall >= 3*25.4 {
		t.Errorf("rise %g um must be under 1 mil, fall %g um under 3", rise, fall)
	}
}

// The allowances must be where width and depth meet their limits.
func TestAllowancesAreExact(t *testing.T) {
	l := limitsFor(t, "12in-33")
	rapid.Check(t, func(t *rapid.T) {
		depth := rapid.Float64Range(15, 80).Draw(t, "depth")
		rise, fall := l.AllowedRiseUM(depth), l.AllowedFallUM(depth)
		up, down := rise/math.Sqrt2, -fall/math.Sqrt2 // L = -R
		if w := SectionAt(up, -up, depth).WidthUM; math.Abs(w-l.MinWidthUM) > 1e-9 {
			t.Fatalf("width at the top %g", w)
		}
		if h := SectionAt(down, -down, depth).DepthUM; math.Abs(h-l.MaxDepthUM) > 1e-9 {
			t.Fatalf("depth at the bottom %g", h)
		}
		if d := l.LeastDepthUM(rise); math.Abs(d-depth) > 1e-9 {
			t.Fatalf("least depth %g for %g", d, depth)
		}
		if d := l.GreatestDepthUM(fall); math.Abs(d-depth) > 1e-9 {
			t.Fatalf("greatest depth %g for %g", d, depth)
		}
	})
}

func TestNewLimitsTakesTheRoom(t *testing.T) {
	room := DefaultRoom()
	inner, ceiling := 65.0, 900.0
	room.Radius.InnerMM = &inner
	room.Cutter.RMSAccelerationCeiling = &ceiling
	room.Cutter.BackFacetDeg = 35
	l := NewLimits(room, mustDisc(t, "12in-33"))
	within(t, "inner", l.Disc.InnerHardMM, 65, 0)
	within(t, "ceiling", *l.RMSAcceleration, 900, 0)
	v := l.Disc.GrooveSpeed(100)
	ratioWithin(t, "35 degree facet", l.LateralVelocityMS(100), v*0.70020754, 1e-8) // tan 35
	ratioWithin(t, "heel", l.DeepeningMS(100), v*0.70020754, 1e-8)
	ratioWithin(t, "lateral acceleration", l.LateralAccelerationMS2(100), math.Sqrt2*v*v/12.7e-6, 1e-12)
}
