package land

import "math"

// grid is the discretisation of one problem: m nodes per turn, r need points
// per cell.
type grid struct {
	m, r      int
	cells     int       // cells covering the programme; cells+2 coefficients
	needCells int       // cells covering the time that has a next turn
	sagUM     float64   // what E may dip below a need point, see package comment
	sigmaUM   float64   // largest change of pitch from node to node, um
	needUM    []float64 // needCells*r+1 need points, um, sag included
}

// pointsPerCell picks r: points at most T/48 apart so that short needs are not
// widened much, a sag of at most 0.1 um where r <= 8 can give it, and points on
// sector boundaries when a slightly larger r offers that.
func pointsPerCell(p Problem, m int) int {
	r := max(1, int(math.Ceil(48/float64(m))))
	for r < 8 && sag(p, m, r) > 0.1 {
		r++
	}
	for q := r; q <= min(r+2, 8); q++ {
		if p.SectorsPerTurn%(m*q) == 0 {
			return q
		}
	}
	return r
}

func sag(p Problem, m, r int) float64 {
	d := p.SecondsPerTurn / float64(m*r)
	return d * d * p.SlewUMPerS / (4 * p.SecondsPerTurn)
}

func newGrid(p Problem, m, r int) *grid {
	k := p.SectorsPerTurn
	g := &grid{m: m, r: r, cells: cellCount(len(p.NeedUM), m, k), sagUM: sag(p, m, r)}
	g.sigmaUM = p.SlewUMPerS * p.SecondsPerTurn / float64(m)
	needs := p.needs()
	if len(needs) == 0 {
		return g
	}
	g.needCells = g.cells - m // ceil((N-K)m/K) = ceil(Nm/K) - m
	spans := g.needCells * r
	g.needUM = make([]float64, spans+1)
	before := 0.0
	for q := range g.needUM {
		after := 0.0
		if q < spans {
			after = largestWithin(needs, q*k, (q+1)*k, m*r)
		}
		s := max(before, after)
		if s > p.MinPitchUM {
			s += g.sagUM
		}
		g.needUM[q], before = s, after
	}
	return g
}

// largestWithin returns the largest need of the sectors that overlap the time
// from a/den to b/den sectors. Sectors that only touch an end are left out.
func largestWithin(needs []float32, a, b, den int) float64 {
	hi := min((b+den-1)/den, len(needs))
	var v float32
	for _, s := range needs[min(a/den, hi):hi] {
		v = max(v, s)
	}
	return float64(v)
}

// cellNeeds returns the largest need of each cell with a next turn, um.
func (g *grid) cellNeeds(p Problem) []float64 {
	needs, k := p.needs(), p.SectorsPerTurn
	out := make([]float64, g.needCells)
	for c := range out {
		out[c] = largestWithin(needs, c*k, (c+1)*k, g.m)
	}
	return out
}

// largest returns the largest need point, um, sag included.
func (g *grid) largest() float64 {
	var v float64
	for _, s := range g.needUM {
		v = max(v, s)
	}
	return v
}

// weights returns the three B-spline weights of each of the r points of a cell.
func (g *grid) weights() [][3]float64 {
	w := make([][3]float64, g.r)
	for q := range w {
		u := float64(q) / float64(g.r)
		w[q] = [3]float64{(1 - u) * (1 - u) / 2, 0.5 + u*(1-u), u * u / 2}
	}
	return w
}
