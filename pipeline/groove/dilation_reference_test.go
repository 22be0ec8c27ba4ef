//go:build reference

package groove

import (
	"math"
	"math/rand"
	"testing"

	"discsafe/testdata/scipy"
)

// A round tip on a wall is the grey dilation of the wall by the tip's profile
// (mathematical morphology), which SciPy has.
const dilationProgram = `
import json, sys
import numpy as np
from scipy.ndimage import grey_dilation
out = []
for case in json.load(sys.stdin):
    reach = int(case["tip"] / case["step"])
    u = np.arange(-reach, reach + 1) * case["step"]
    ball = np.sqrt(np.maximum(0, case["tip"]**2 - u**2)) - case["tip"]
    out.append(list(grey_dilation(np.array(case["wall"]), structure=ball, mode="nearest")))
json.dump(out, sys.stdout)
`

// What a tip reads of walls of five partials, below and beyond the cusp. SciPy
// looks on the samples alone, so it reads too little by what lies between two: with
// slope s and second derivatives k = (1+s^2)^1.5/R of the tip and |f"| of the wall at
// their greatest, at most (k + |f"|) h^2/8.
func TestTracingAgainstSciPy(t *testing.T) {
	type wallCase struct {
		Wall []float64 `json:"wall"`
		Step float64   `json:"step"`
		Tip  float64   `json:"tip"`
	}
	const points, step = 4000, 0.05
	rnd := rand.New(rand.NewSource(5))
	var cases []wallCase
	var between []float64
	for i := range 24 {
		tip := []float64{7, 12.7, 18}[i%3]
		c, slope, bend := wallCase{Wall: make([]float64, points), Step: step, Tip: tip}, 0.0, 0.0
		for range 5 {
			a, length, phase := 0.2+1.5*rnd.Float64(), 15+100*rnd.Float64(), 2*math.Pi*rnd.Float64()
			k := 2 * math.Pi / length
			slope, bend = slope+a*k, bend+a*k*k
			for n := range c.Wall {
				c.Wall[n] += a * math.Sin(k*float64(n)*step+phase)
			}
		}
		cases, between = append(cases, c), append(between, (math.Pow(1+slope*slope, 1.5)/tip+bend)*step*step/8)
	}
	var want [][]float64
	scipy.Ask(t, dilationProgram, cases, &want)
	lifted := 0.0
	for i, c := range cases {
		got := make([]float64, points)
		Dilate(got, c.Wall, step, c.Tip)
		// At the ends the wall goes on level, with a bend that the bound does not know.
		for n := int(c.Tip / step); n < points-int(c.Tip/step); n++ {
			lifted = math.Max(lifted, got[n]-c.Wall[n])
			if d := got[n] - want[i][n]; d < -1e-9 || d > between[i]+1e-9 {
				t.Errorf("case %d at %d: %g um, SciPy %g, apart by %g, at most %g", i, n, got[n], want[i][n], d, between[i])
				break
			}
		}
	}
	if lifted < 1 {
		t.Errorf("the tip never leaves the wall by more than %g um: nothing was tried", lifted)
	}
}
