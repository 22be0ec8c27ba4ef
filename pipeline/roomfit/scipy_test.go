//go:build reference

package roomfit

import (
	"math"
	"math/rand"
	"slices"
	"testing"

	"discsafe/testdata/scipy"
)

// The same loss minimised by SciPy from many starts: it finds the same point,
// and none that is better.
const scipyProgram = `
import json, sys
import numpy as np
from scipy.optimize import least_squares
out = []
for case in json.load(sys.stdin):
    x, y, s = np.array(case["x"]), np.array(case["y"]), case["s"]
    def rho(z):
        z = np.minimum(z, 1.0)
        w = 1 - z
        return np.array([(1 - w**3), 3 * w**2, -6 * w])
    def fun(b):
        return y - x @ b
    best = None
    rng = np.random.default_rng(1)
    starts = [np.array(case["b"]), np.linalg.lstsq(x, y, rcond=None)[0]]
    starts += [np.array(case["b"]) + rng.normal(size=x.shape[1]) * np.array(case["spread"]) for _ in range(20)]
    for b0 in starts:
        r = least_squares(fun, b0, loss=rho, f_scale=4.685 * s, xtol=1e-14, ftol=1e-14, gtol=1e-14)
        if best is None or r.cost < best.cost - 1e-12:
            best = r
    huber = least_squares(fun, starts[1], loss="huber", f_scale=1.345 * s)
    out.append({"b": list(best.x), "cost": best.cost / (4.685 * s) ** 2 * 2, "huber": list(huber.x), "lstsq": list(starts[1])})
json.dump(out, sys.stdout)
`

func TestAgainstSciPy(t *testing.T) {
	type fitCase struct {
		X      [][]float64 `json:"x"`
		Y      []float64   `json:"y"`
		S      float64     `json:"s"`
		B      []float64   `json:"b"`
		Spread []float64   `json:"spread"`
	}
	rnd := rand.New(rand.NewSource(2))
	var cases []fitCase
	var fits []*regression
	for range 25 {
		n := 14 + rnd.Intn(12)
		c := fitCase{Spread: []float64{0.2, 4, 0.2}}
		for i := range n {
			x := [][]float64{{10 + 40*rnd.Float64(), 0, 0}, {0, 1, 0}, {0, 1, 6 + 20*rnd.Float64()}, {0, 1, -6 - 20*rnd.Float64()}}[i%4]
			y := math.Round(1.05*x[0] + 2.2*x[1] + 1.1*x[2] + 0.5*rnd.NormFloat64())
			if rnd.Intn(10) == 0 {
				y += 10
			}
			c.X, c.Y = append(c.X, x), append(c.Y, y)
		}
		r := robust(c.X, c.Y, floorUM)
		c.S, c.B = r.first, r.b
		cases, fits = append(cases, c), append(fits, r)
	}
	var got []struct {
		B, Huber, Lstsq []float64
		Cost            float64
	}
	scipy.Ask(t, scipyProgram, cases, &got)
	compared := 0
	for i, r := range fits {
		mine := loss(residuals(cases[i].X, cases[i].Y, r.b), r.first)
		if mine > got[i].Cost+1e-6 {
			t.Errorf("case %d: loss %.9f, SciPy finds %.9f at %v (here %v)", i, mine, got[i].Cost, got[i].B, r.b)
		}
		if mine < got[i].Cost-1e-6 {
			continue // SciPy stopped at a lesser optimum
		}
		for k := range r.b {
			// 1e-4: SciPy stops where the loss no longer changes.
			if math.Abs(r.b[k]-got[i].B[k]) > 1e-4*(1+math.Abs(r.b[k])) {
				t.Errorf("case %d: %v, SciPy %v", i, r.b, got[i].B)
				break
			}
		}
		ls := leastSquares(cases[i].X, cases[i].Y, ones(len(cases[i].Y)))
		for k := range ls {
			if math.Abs(ls[k]-got[i].Lstsq[k]) > 1e-8*(1+math.Abs(ls[k])) {
				t.Errorf("case %d: least squares %v, NumPy %v", i, ls, got[i].Lstsq)
				break
			}
		}
		// A loss that never falls off keeps the pull of wrong readings, so it is
		// compared where there are none.
		for k := range r.b {
			if slices.Min(r.weight) < 0.3 {
				break
			}
			compared++
			if se := math.Sqrt(r.cov[k][k]); math.Abs(r.b[k]-got[i].Huber[k]) > 4*se {
				t.Errorf("case %d: parameter %d is %g, by Huber's loss %g, standard error %g", i, k, r.b[k], got[i].Huber[k], se)
			}
		}
	}
	if compared == 0 {
		t.Error("no case was without wrong readings")
	}
}
