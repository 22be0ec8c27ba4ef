package report

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestThinKeepsEveryPeak: within each interval the drawn points reach exactly
// the least and the greatest value of the data, at the moment they were met,
// in order of time. No tolerance: values are copied, not reckoned.
func TestThinKeepsEveryPeak(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		ys := Curve(rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(-1e3, 1e3), rapid.Just(math.NaN()), rapid.Just(math.Inf(-1))), 0, 300).Draw(rt, "ys"))
		columns := rapid.IntRange(1, 40).Draw(rt, "columns")
		xs := ramp(len(ys), func(i int) float64 { return float64(i) })
		gotX, gotY := thin(xs, ys, columns)
		if len(gotX) != len(gotY) || len(gotX) > max(2*columns, 1) {
			rt.Fatalf("%d times and %d values for %d intervals", len(gotX), len(gotY), columns)
		}
		at := map[float64]float64{}
		for i, x := range gotX {
			if i > 0 && x <= gotX[i-1] {
				rt.Fatalf("time goes back from %g to %g", gotX[i-1], x)
			}
			at[x] = gotY[i]
			if want := ys[int(x)]; gotY[i] != want && !math.IsNaN(gotY[i]) {
				rt.Fatalf("value %g at %g is not of the data, want %g", gotY[i], x, want)
			}
		}
		step := 1
		if len(ys) > 2*columns {
			step = (len(ys) + columns - 1) / columns
		}
		for i := 0; i < len(ys); i += step {
			lo, hi, drawnLo, drawnHi := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
			for k := i; k < min(i+step, len(ys)); k++ {
				if v := ys[k]; !math.IsNaN(v) && !math.IsInf(v, 0) {
					lo, hi = math.Min(lo, v), math.Max(hi, v)
				}
				if v, ok := at[float64(k)]; ok && !math.IsNaN(v) && !math.IsInf(v, 0) {
					drawnLo, drawnHi = math.Min(drawnLo, v), math.Max(drawnHi, v)
				}
			}
			if lo != drawnLo || hi != drawnHi {
				rt.Fatalf("interval from %d spans %g..%g, drawn %g..%g", i, lo, hi, drawnLo, drawnHi)
			}
		}
	})
}

func TestThinKeepsGaps(t *testing.T) {
	ys := ramp(4000, func(i int) float64 {
		if i >= 1000 && i < 2000 {
			return math.NaN()
		}
		return 1
	})
	_, got := thin(ramp(4000, func(i int) float64 { return float64(i) }), ys, 100)
	gaps := 0
	for _, y := range got {
		if math.IsNaN(y) {
			gaps++
		}
	}
	if gaps != 25 { // 1000 of 4000 points at 40 an interval
		t.Errorf("%d intervals are gaps, want 25", gaps)
	}
}

// TestLandIsDrawnNearItsLimit: the land between tracks may not flatten what
// matters, and the page says where it is cut off.
func TestLandIsDrawnNearItsLimit(t *testing.T) {
	s := Series{TS: Curve{0, 1, 2}, AfterGroove: GrooveSeries{MinLandUM: Curve{10, 250, 12}}}
	p := landPlot(s, Limits{MinLandUM: Num(10)})
	p.id = "p"
	_, hi, _ := p.yRange(p.reduced())
	if hi != 80 {
		t.Errorf("axis reaches %g um, want 80, eight times the limit", hi)
	}
	for _, want := range []string{"Land wider than 80\u202fµm", "drawn at the top edge"} {
		if !strings.Contains(p.desc, want) {
			t.Errorf("%q does not say %q", p.desc, want)
		}
	}
	if got := p.spoken(); !strings.Contains(got, "250.0\u202fµm") {
		t.Errorf("words %q lost the widest land", got)
	}
}
