package land

import (
	"context"
	"math"
)

const (
	maxSteps     = 100   // Newton steps; ordinary problems take 15 to 30
	stepFraction = 0.995 // part of the way to the nearest limit
)

// optimum is the outcome of minimise; lengths in units of the programme.
type optimum struct {
	x     []float64
	gap   float64 // proven distance to the best value of the programme
	steps int
}

// minimise solves the programme from x = constant pitch startP (in units), which
// must be strictly feasible, until the proven gap is at most gapFraction of the
// value. Every iterate is feasible, so running out of steps returns a valid plan
// with a larger gap. The only error is that of the context.
func (pr *program) minimise(ctx context.Context, startP, gapFraction float64) (optimum, error) {
	rows := pr.rows()
	h := newBand(pr.n, min(pr.m+2, pr.n-1))
	x, dx, rhs := make([]float64, pr.n), make([]float64, pr.n), make([]float64, pr.n)
	s, y := make([]float64, rows), make([]float64, rows)
	ds, t := make([]float64, rows), make([]float64, rows)

	for i := range x {
		x[i] = startP / float64(pr.m) * float64(i)
	}
	pr.slack(x, s)
	pr.startDual(s, y)

	out := optimum{x: x, gap: math.Inf(1)}
	mu := dot(s, y) / float64(rows)
	for {
		pr.applyT(y, rhs)
		out.gap = min(out.gap, dot(s, y)+pr.residual(rhs))
		if out.gap <= gapFraction*dot(pr.g, x) || out.steps == maxSteps {
			return out, nil
		}
		if err := ctx.Err(); err != nil {
			return out, err
		}
		pr.assemble(h, s, y)
		h.factor()

		// Predictor: straight at the optimum.
		for i, v := range pr.g {
			dx[i] = -v
		}
		pr.newton(h, dx)
		pr.apply(dx, t)
		primal, dual := 1.0, 1.0
		var sy, yds, sdy, dsdy float64
		for i, d := range t {
			dy := -y[i] - y[i]/s[i]*d
			if d < 0 {
				primal = min(primal, -s[i]/d)
			}
			if dy < 0 {
				dual = min(dual, -y[i]/dy)
			}
			sy += s[i] * y[i]
			yds += y[i] * d
			sdy += s[i] * dy
			dsdy += d * dy
		}
		ahead := (sy + primal*yds + dual*sdy + primal*dual*dsdy) / float64(rows)
		ratio := min(1, max(ahead/mu, 0))
		target := mu * max(ratio*ratio*ratio, 1e-6)

		// Corrector: towards the central path, second-order term included.
		for i, d := range t {
			t[i] = (target + d*y[i]*(1+d/s[i])) / s[i]
		}
		pr.applyT(t, dx)
		for i, v := range pr.g {
			dx[i] -= v
		}
		pr.newton(h, dx)
		pr.apply(dx, ds)
		primal, dual = 1/stepFraction, 1/stepFraction
		for i, d := range ds {
			dy := t[i] - y[i] - y[i]/s[i]*d
			t[i] = dy
			if d < -s[i]*stepFraction {
				primal = min(primal, -s[i]/d)
			}
			if dy < -y[i]*stepFraction {
				dual = min(dual, -y[i]/dy)
			}
		}
		primal, dual = min(1, primal*stepFraction), min(1, dual*stepFraction)
		for i := range s {
			s[i] += primal * ds[i]
			y[i] += dual * t[i]
		}
		for i := range x {
			x[i] += primal * dx[i]
		}
		out.steps++
		mu = dot(s, y) / float64(rows)
	}
}

// newton solves h dx = dx with coefficient 0 held.
func (pr *program) newton(h *band, dx []float64) {
	dx[0] = 0
	h.solve(dx)
}

// startDual sets y = mu/s with mu such that the duals of an average node add up
// to the objective's pull of 1/m per unit of pitch.
func (pr *program) startDual(s, y []float64) {
	need, lo, hi, _, _ := pr.split(s)
	pull := 1/lo[0] - 1/hi[0]
	if len(need) > 0 {
		var inv float64
		for _, v := range need {
			inv += 1 / v
		}
		pull += inv / float64(len(need)) * float64(pr.r)
	}
	mu := hi[0] / float64(pr.m)
	if pull > 0 {
		mu = min(mu, 1/(pull*float64(pr.m)))
	}
	for i, v := range s {
		y[i] = mu / v
	}
}

// residual turns at = A'y into how much the dual residual g - A'y can matter:
// sum |R[k]| * (maxP-minP)/m over the running sums R. It overwrites at.
func (pr *program) residual(at []float64) float64 {
	var run, sum float64
	for i := pr.n - 1; i > 0; i-- {
		run += pr.g[i] - at[i]
		sum += math.Abs(run)
	}
	return sum * (pr.maxP - pr.minP) / float64(pr.m)
}

func dot(a, b []float64) float64 {
	var v float64
	for i, x := range a {
		v += x * b[i]
	}
	return v
}
