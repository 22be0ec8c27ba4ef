package stage

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// curveOf runs allowances through the curve as ride does and returns the gain
// at every boundary 0 to len(allow).
func curveOf(look int, allow []float64) []float64 {
	g := newGainCurve(look)
	var out []float64
	for i := 0; len(out) <= len(allow); i++ {
		a := 1.0
		if i < len(allow) {
			a = allow[i]
		}
		g.push(a)
		for g.ready() >= len(out) && len(out) <= len(allow) {
			out = append(out, g.at(len(out)))
		}
	}
	return out
}

func drawAllowances(t *rapid.T) (look int, allow []float64) {
	look = rapid.IntRange(1, 20).Draw(t, "look")
	n := rapid.IntRange(1, 200).Draw(t, "sectors")
	allow = make([]float64, n)
	for i := range allow {
		allow[i] = 1
	}
	for range rapid.IntRange(0, 8).Draw(t, "dips") {
		at := rapid.IntRange(0, n-1).Draw(t, "at")
		to := min(n, at+rapid.IntRange(1, 12).Draw(t, "long"))
		v := rapid.Float64Range(0.063, 1).Draw(t, "allowance")
		for i := at; i < to; i++ {
			allow[i] = math.Min(allow[i], v)
		}
	}
	return look, allow
}

// rounding is what a sum of 41 products near 1 may be off.
const rounding = 1e-14

func TestGainNeverExceedsAnAllowance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		look, allow := drawAllowances(t)
		g := curveOf(look, allow)
		for i, a := range allow {
			if g[i] > a+rounding || g[i+1] > a+rounding {
				t.Fatalf("look %d: sector %d allows %g, gain runs from %g to %g", look, i, a, g[i], g[i+1])
			}
		}
	})
}

func TestGainIsTheAllowanceWhereThatIsLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		look, allow := drawAllowances(t)
		g := curveOf(look, allow)
		least := 0
		for i, a := range allow {
			if a < allow[least] {
				least = i
			}
		}
		if math.Abs(g[least]-allow[least]) > rounding || math.Abs(g[least+1]-allow[least]) > rounding {
			t.Fatalf("look %d: sector %d allows %g, least of all, gain is %g and %g", look, least, allow[least], g[least], g[least+1])
		}
	})
}

func TestGainIsExactlyOneOutOfReach(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		look, allow := drawAllowances(t)
		reach := 2*look + 1
		for b, v := range curveOf(look, allow) {
			near := false
			for s := max(0, b-reach-1); s <= min(len(allow)-1, b+reach); s++ {
				if between := max(b-1-s, s-b, 0); allow[s] < 1 && between <= reach-1 {
					near = true
				}
			}
			if !near && v != 1 {
				t.Fatalf("look %d: gain %g at boundary %d, out of reach of every dip", look, v, b)
			}
			if v > 1 || v <= 0 {
				t.Fatalf("look %d: gain %g at boundary %d", look, v, b)
			}
		}
	})
}

// TestGainSlope: the gain moves by at most 1/(look+1) of the deepest reduction
// from boundary to boundary, and a single step down shows that the bound is
// met, so none smaller would be true.
func TestGainSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		look, allow := drawAllowances(t)
		deepest := 0.0
		for _, a := range allow {
			deepest = math.Max(deepest, 1-a)
		}
		g := curveOf(look, allow)
		for b := 1; b < len(g); b++ {
			if d := math.Abs(g[b] - g[b-1]); d > deepest/float64(look+1)+rounding {
				t.Fatalf("look %d: gain goes from %g to %g, a step of %g; deepest reduction %g", look, g[b-1], g[b], d, deepest)
			}
		}
	})
	for _, look := range []int{1, 2, 6, 15} {
		allow := make([]float64, 100)
		for i := range allow {
			allow[i] = 1
			if i >= 50 {
				allow[i] = 0.5
			}
		}
		steepest := 0.0
		g := curveOf(look, allow)
		for b := 1; b < len(g); b++ {
			steepest = math.Max(steepest, g[b-1]-g[b])
		}
		if want := 0.5 / float64(look+1); math.Abs(steepest-want) > rounding {
			t.Errorf("look %d: a step to 0.5 is taken with steps of at most %g, want %g", look, steepest, want)
		}
	}
}

// TestGainAgreesWithItsDefinition computes hold and smoothing over the whole
// list at once, without rings.
func TestGainAgreesWithItsDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		look, allow := drawAllowances(t)
		held := func(b int) float64 {
			m := 1.0
			for s := max(0, b-look-1); s <= min(len(allow)-1, b+look); s++ {
				m = math.Min(m, allow[s])
			}
			return m
		}
		for b, got := range curveOf(look, allow) {
			sum, norm := 0.0, 0.0
			for k := -look; k <= look; k++ {
				w := 1 + math.Cos(math.Pi*float64(k)/float64(look+1))
				sum += w * held(b+k)
				norm += w
			}
			if math.Abs(got-sum/norm) > rounding {
				t.Fatalf("look %d: gain %g at boundary %d, by definition %g", look, got, b, sum/norm)
			}
		}
	})
}

func TestGainCurveResetIsNew(t *testing.T) {
	g := newGainCurve(3)
	for range 50 {
		g.push(0.2)
	}
	g.reset()
	for range 20 {
		g.push(1)
	}
	for b := 0; b <= g.ready(); b++ {
		if v := g.at(b); v != 1 {
			t.Fatalf("gain %g at boundary %d after reset, want 1", v, b)
		}
	}
}
