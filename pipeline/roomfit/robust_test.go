package roomfit

import (
	"math"
	"math/rand"
	"testing"
)

// Published tables of Student's t (any textbook): 0.975 and 0.995.
func TestStudentQuantile(t *testing.T) {
	for _, c := range []struct{ q, df, want float64 }{
		{0.975, 1, 12.706}, {0.975, 2, 4.303}, {0.975, 5, 2.571}, {0.975, 10, 2.228}, {0.975, 30, 2.042},
		{0.995, 1, 63.657}, {0.995, 3, 5.841}, {0.995, 10, 3.169}, {0.995, 120, 2.617},
	} {
		if got := studentQuantile(c.q, c.df); math.Abs(got-c.want) > 6e-4*math.Max(1, c.want/10) {
			t.Errorf("t(%g, %g) = %.4f, want %.3f", c.q, c.df, got, c.want)
		}
	}
}

// On a line with clean errors the fit is close to least squares by the closed
// form for a line, and no reading far off can move it.
func TestRobustAgainstClosedForm(t *testing.T) {
	rnd := rand.New(rand.NewSource(4))
	for trial := range 20 {
		n := 12 + trial
		x, y := make([][]float64, n), make([]float64, n)
		var sx, sy, sxx, sxy float64
		for i := range x {
			u := float64(i)
			x[i], y[i] = []float64{u, 1}, 2*u+5+0.3*(2*rnd.Float64()-1)
			sx, sy, sxx, sxy = sx+u, sy+y[i], sxx+u*u, sxy+u*y[i]
		}
		m := float64(n)
		slope := (m*sxy - sx*sy) / (m*sxx - sx*sx)
		r := robust(x, y, 1e-9)
		if math.Abs(r.b[0]-slope) > 0.02 {
			t.Errorf("slope %g, least squares %g", r.b[0], slope)
		}
		ls := leastSquares(x, y, ones(n))
		if math.Abs(ls[0]-slope) > 1e-9 || math.Abs(ls[1]-(sy-slope*sx)/m) > 1e-9 {
			t.Errorf("least squares %v, closed form %g", ls, slope)
		}
		for i := range n / 4 {
			y[4*i] += 1000
		}
		if far := robust(x, y, 1e-9); math.Abs(far.b[0]-2) > 0.1 || math.Abs(far.b[1]-5) > 0.6 {
			t.Errorf("with a quarter of readings far off: %v", far.b)
		}
	}
}

// Columns made of others are not kept.
func TestIndependentColumns(t *testing.T) {
	x := [][]float64{{1, 2, 0, 1}, {2, 4, 0, 0}, {3, 6, 0, 0}}
	if got := independent(x); len(got) != 2 || got[0] != 0 || got[1] != 3 {
		t.Errorf("kept %v, want 0 and 3", got)
	}
}
