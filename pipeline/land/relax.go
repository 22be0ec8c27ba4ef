package land

import "context"

// BoundWithSlew returns the sharpest provable lower bound of the package, um: it
// uses pitch minimum, pitch maximum and slew, and holds for every continuous
// plan, not only for splines. It costs about as much as [Solve] and is never
// below [BoundMinPitch] of a problem whose needs hold throughout their sectors,
// which is what it assumes (Bound and BoundMinPitch assume only that a need is
// reached somewhere in its sector). Errors as for Solve.
//
// It solves a relaxation. Take any feasible D and its values d[k] at the nodes
// k*h. They satisfy the same pitch limits, because the mean of p over a cell
// is M*(d[k+1]-d[k]); the same slew limit, because the second difference of d
// is h*h times a triangle-weighted mean of the second derivative; and for a moment at fraction u
// of a cell where E = D(t+T)-D(t) must reach need,
//
//	(1-u)*E[k] + u*E[k+1] >= need - h*h*u*(1-u)*slew/T
//
// because the second derivative of E is at most 2*slew/T in size, and a chord
// errs by at most u*(1-u)*h*h/2 times that.
// So the least d over these conditions is a lower bound, and so is the value
// of any dual solution, which is what is returned.
func BoundWithSlew(ctx context.Context, p Problem) (float64, error) {
	if err := p.Validate(); err != nil {
		return 0, err
	}
	if err := p.feasible(); err != nil {
		return 0, err
	}
	need := FixedPitchUM(p)
	if p.SlewUMPerS == 0 || len(p.needs()) == 0 || need <= p.MinPitchUM {
		return need * p.turns(), nil
	}
	best := BoundMinPitch(p)
	if p.MaxPitchUM-need < 1e-4*p.MaxPitchUM {
		return best, nil
	}
	m := affordableNodes(p, false)
	start := need + min((p.MaxPitchUM-need)/2, need/4)
	pr := newProgram(p, newGrid(p, m, pointsPerCell(p, m)), start)
	tail := pr.relax(p)
	opt, err := pr.minimise(ctx, 1, fullGap)
	if err != nil {
		return 0, err
	}
	return max(best, (dot(pr.g, opt.x)-opt.gap)*start+tail), nil
}

// relax turns the programme over coefficients into the relaxation over node
// values. Each span keeps one moment, the one that demands most; leaving out
// the others keeps the bound a bound. It returns the advance, um, that the
// objective leaves out: the part of the last cell inside the programme, at the
// pitch minimum.
func (pr *program) relax(p Problem) (tailUM float64) {
	k, needs := p.SectorsPerTurn, p.needs()
	perSpan := min((k+pr.m*pr.r-1)/(pr.m*pr.r), 128/pr.r) // moments tried in a span
	perCell := perSpan * pr.r
	pr.w = make([][3]float64, perCell)
	for j := range pr.w {
		u := float64(j) / float64(perCell)
		pr.w[j] = [3]float64{1 - u, u, 0}
	}
	loss := pr.sagUM * float64(4*pr.r*pr.r) // h*h*slew/T
	for q := range pr.needUM {
		first := q % pr.r * perSpan
		cell := q / pr.r
		pr.needUM[q], pr.class[q] = 0, uint8(first)
		if cell == pr.needCells {
			continue // past the last span
		}
		for j := first; j < first+perSpan; j++ {
			// The moment lies in sector i, or on its start.
			num, den := (cell*perCell+j)*k, pr.m*perCell
			var s float64
			for _, i := range [2]int{(num - 1) / den, num / den} {
				if i < len(needs) {
					s = max(s, float64(needs[i]))
				}
			}
			u := float64(j) / float64(perCell)
			if s -= loss * u * (1 - u); s > pr.needUM[q] {
				pr.needUM[q], pr.class[q] = s, uint8(j)
			}
		}
	}
	clear(pr.g)
	num := len(p.NeedUM) * pr.m
	pr.g[0]--
	pr.g[num/k]++
	return float64(num%k) / float64(k) / float64(pr.m) * p.MinPitchUM
}
