package land

import "math"

// Two plans without optimisation. Both keep every need exactly, by
// construction, and cost O(n).

// envelopePlan builds the plan of a lathe that only looks at the largest need
// of the turn around each moment. It exists whenever the problem is feasible.
//
// D(t+T)-D(t) is the mean of p over [t, t+T], so it is enough that p(u) >=
// need(t) for all t in [u-T, u]. The node pitch is the largest need of that
// window over both cells that touch the node, and linear interpolation then
// keeps it in between. The slew limit is met by the least curve above it:
// p[k] = max over j of (p[j] - |k-j|*sigma), which never exceeds the largest
// need.
func (g *grid) envelopePlan(p Problem, need []float64) []float64 {
	pitch := make([]float64, g.cells+1)
	for k := range pitch {
		pitch[k] = p.MinPitchUM
	}
	// Cell j sees cells j-m..j of the needs; node k touches cells k-1 and k.
	// Together that is cells k-1-m..k.
	if len(need) > 0 {
		win := newSlidingMax(g.m + 2)
		for k := range pitch {
			v := 0.0
			if k < len(need) {
				v = need[k]
			}
			pitch[k] = max(pitch[k], win.push(v))
		}
	}
	for k := 1; k < len(pitch); k++ {
		pitch[k] = max(pitch[k], pitch[k-1]-g.sigmaUM)
	}
	for k := len(pitch) - 2; k >= 0; k-- {
		pitch[k] = max(pitch[k], pitch[k+1]-g.sigmaUM)
	}
	coef := make([]float64, g.cells+2)
	for k, v := range pitch {
		coef[k+1] = coef[k] + v/float64(g.m)
	}
	return coef
}

// smoothedPlan widens the needs by w nodes to both sides, takes the longest
// path over the coefficients and smooths it with a triangle of the same reach.
// It returns nil when the result breaks the pitch or slew limits.
//
// With e[i] = c[i+m]-c[i], E(t) is a mean of three neighbouring e[i] with
// weights that add up to one, so E >= need where every e[i] >= need over the
// three cells of its basis function. The longest path gives that for the needs
// widened by w; smoothing by weights that add up to one over i-w..i+w gives it
// for the needs themselves. The pitch minimum survives the mean.
func (g *grid) smoothedPlan(p Problem, need []float64, w int) []float64 {
	n := g.cells + 2
	m := float64(g.m)
	// Index i of rough is coefficient i-w; it reaches w beyond both ends.
	rough := make([]float64, n+2*w)
	win := newSlidingMax(2*w + 3)
	for i := 1; i < len(rough); i++ {
		rough[i] = rough[i-1] + p.MinPitchUM/m
		if i < g.m {
			continue
		}
		// e index j = i-w-m needs cells j-2-w..j+w; newest is i-m.
		v := 0.0
		if c := i - g.m; c < len(need) {
			v = need[c]
		}
		rough[i] = max(rough[i], rough[i-g.m]+win.push(v))
	}
	boxMean(rough, w+1)
	boxMean(rough[:n+w], w+1)
	coef := rough[:n:n]
	prev := 0.0
	for k := 0; k+1 < n; k++ {
		v := m * (coef[k+1] - coef[k])
		if v > p.MaxPitchUM || (k > 0 && math.Abs(v-prev) > g.sigmaUM) {
			return nil
		}
		prev = v
	}
	return coef
}

// heuristic returns the better of the envelope plan and the least smoothed plan
// that meets the limits.
func (g *grid) heuristic(p Problem) []float64 {
	need := g.cellNeeds(p)
	best := g.envelopePlan(p, need)
	if g.needCells == 0 {
		return best
	}
	// Reach grows by a quarter: at most 1.25 times the least that works.
	for w := 2; w <= 3*g.m; w += 1 + w/4 {
		if c := g.smoothedPlan(p, need, w); c != nil {
			if last := len(c) - 1; c[last]-c[0] < best[last]-best[0] {
				best = c
			}
			break
		}
	}
	return best
}

// boxMean replaces x[i] by the mean of x[i..i+w-1]; the last w-1 values are
// left without meaning. The running sum is of differences to x[i], which stay
// small, so no rounding builds up along the side.
func boxMean(x []float64, w int) {
	inv := 1 / float64(w)
	var sum float64 // of x[i+1..i+w-1] - x[i]
	for q := 1; q < w; q++ {
		sum += x[q] - x[0]
	}
	for i := 0; i+w <= len(x); i++ {
		here := x[i]
		x[i] = here + sum*inv
		if i+w < len(x) {
			step := x[i+1] - here
			sum += (x[i+w] - here) - step*float64(w)
		}
	}
}

// slidingMax returns the largest of the last n values pushed, in O(1) amortised.
type slidingMax struct {
	n, at, head int
	pos         []int
	val         []float64
}

func newSlidingMax(n int) *slidingMax { return &slidingMax{n: n} }

func (s *slidingMax) push(v float64) float64 {
	for len(s.val) > s.head && s.val[len(s.val)-1] <= v {
		s.val, s.pos = s.val[:len(s.val)-1], s.pos[:len(s.pos)-1]
	}
	s.val, s.pos = append(s.val, v), append(s.pos, s.at)
	if s.pos[s.head] <= s.at-s.n {
		s.head++
	}
	s.at++
	if s.head > 64 && 2*s.head > len(s.val) {
		s.val = s.val[:copy(s.val, s.val[s.head:])]
		s.pos = s.pos[:copy(s.pos, s.pos[s.head:])]
		s.head = 0
	}
	return s.val[s.head]
}
