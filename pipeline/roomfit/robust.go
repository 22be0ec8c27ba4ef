package roomfit

import (
	"math"
	"slices"
)

// regression is a robust linear fit y = X b.
type regression struct {
	b      []float64
	cov    [][]float64 // nil when there is nothing to judge by
	scale  float64     // of one reading
	first  float64     // scale that the biweight was taken with
	df     float64
	weight []float64 // 0 to 1, of each observation
}

const (
	biweight   = 4.685 // 95 % efficiency under normal errors (Huber, from memory)
	maxSubsets = 40000
	iterations = 200
	settled    = 1e-12
	leastShare = 1.0 // of the scale of the start: few readings may agree by chance
)

// robust fits by MM regression. floor is the least scale that the readings can
// have, and their rounding, which moves equal rows alike. X must have full rank;
// nil when there are fewer rows than columns.
func robust(x [][]float64, y []float64, floor float64) *regression {
	n := len(y)
	if n == 0 || n < len(x[0]) {
		return nil
	}
	p := len(x[0])
	r := &regression{weight: ones(n)}
	if n == p {
		r.b = leastSquares(x, y, r.weight)
		r.scale = floor
		return r
	}
	fits := exactFits(x, y)
	b := cheapest(x, y, fits, func(res []float64) float64 { return magnitudes(res)[quantile(n, p)] })
	res := residuals(x, y, b)
	abs := magnitudes(res)
	// The median of all but the p that an exact fit takes; the factor is that
	// of Rousseeuw and Leroy for small samples (1987, from memory).
	s := 1.4826 * (1 + 5/float64(n-p)) * abs[quantile(n, p)]
	s = math.Max(s, floor)
	// From the same exact fits, the one that the biweight with this scale likes
	// best: with few readings the least median may lie at a lesser optimum.
	b = cheapest(x, y, fits, func(res []float64) float64 { return loss(res, s) })
	res = residuals(x, y, b)
	for range iterations {
		for i := range res {
			u := res[i] / (biweight * s)
			r.weight[i] = 0
			if math.Abs(u) < 1 {
				r.weight[i] = (1 - u*u) * (1 - u*u)
			}
		}
		next := leastSquares(x, y, r.weight)
		if next == nil {
			break
		}
		moved := 0.0
		for k := range next {
			moved = math.Max(moved, math.Abs(next[k]-b[k])/(1+math.Abs(b[k])))
		}
		b = next
		res = residuals(x, y, b)
		if moved < settled {
			break
		}
	}
	r.b, r.first = b, s
	r.covariance(x, res, s, floor)
	return r
}

// covariance is Huber's for an M-estimate, with his correction for few rows.
func (r *regression) covariance(x [][]float64, res []float64, s, floor float64) {
	n, p := float64(len(res)), float64(len(r.b))
	var psi2, slope, slope2, kept, rows float64
	for i, e := range res {
		u := e / (biweight * s)
		if math.Abs(u) >= 1 {
			continue
		}
		w := 1 - u*u
		psi := e * w * w
		d := w * (1 - 5*u*u)
		psi2 += psi * psi
		slope += d
		slope2 += d * d
		kept++
		alone := true // no equal row before it is kept
		for j := range i {
			alone = alone && !(math.Abs(res[j]) < biweight*s && slices.Equal(x[i], x[j]))
		}
		if alone {
			rows++
		}
	}
	// Equal rows add less than rows of their own: freedom counts those.
	r.df = rows - p
	if p == 1 {
		r.df = kept - 1
	}
	slope /= n
	if r.df < 1 || slope <= 0 {
		r.df, r.scale = 0, math.Max(s, floor)
		return
	}
	k := 1 + p/n*math.Max(0, slope2/n-slope*slope)/(slope*slope)
	r.scale = math.Max(k*math.Sqrt(psi2/(kept-p)*kept/n)/slope, floor)
	r.scale = math.Max(r.scale, s*leastShare)
	inv := inverse(normal(x, ones(len(res))))
	if inv == nil {
		return
	}
	r.cov = sandwich(inv, spread(x, r.scale*r.scale, floor*floor))
}

// spread is the covariance of X'e where each row errs on its own with one
// variance, and equal rows besides err alike with another.
func spread(x [][]float64, own, alike float64) [][]float64 {
	p := len(x[0])
	m := normal(x, ones(len(x)))
	for i := range m {
		for j := range m[i] {
			m[i][j] *= own
		}
	}
	for k := range x {
		if firstLike(x, k) != k {
			continue
		}
		count := 0.0
		for l := k; l < len(x); l++ {
			if slices.Equal(x[l], x[k]) {
				count++
			}
		}
		for i := range p {
			for j := range p {
				m[i][j] += alike * count * (count - 1) * x[k][i] * x[k][j]
			}
		}
	}
	return m
}

// firstLike is the first row equal to row k.
func firstLike(x [][]float64, k int) int {
	return slices.IndexFunc(x, func(r []float64) bool { return slices.Equal(r, x[k]) })
}

// sandwich is A M A for symmetric A.
func sandwich(a, m [][]float64) [][]float64 {
	p := len(a)
	times := func(x, y [][]float64) [][]float64 {
		out := make([][]float64, p)
		for i := range out {
			out[i] = make([]float64, p)
			for j := range p {
				for k := range p {
					out[i][j] += x[i][k] * y[k][j]
				}
			}
		}
		return out
	}
	return times(times(a, m), a)
}

// quantile is the position of the residual that the least median looks at.
func quantile(n, p int) int { return min((n+p+1)/2, n) - 1 }

// loss is the sum of Tukey's rho, 0 to 1 for each residual.
func loss(res []float64, s float64) float64 {
	sum := 0.0
	for _, e := range res {
		if u := e / (biweight * s); math.Abs(u) < 1 {
			w := 1 - u*u
			sum += 1 - w*w*w
		} else {
			sum++
		}
	}
	return sum
}

// exactFits are the exact fits to p rows, in order of the rows, without those that
// the rows do not determine.
func exactFits(x [][]float64, y []float64) (bs [][]float64) {
	n, p := len(y), len(x[0])
	pick := make([]int, p)
	sx, sy, one := make([][]float64, p), make([]float64, p), ones(p)
	tried := 0
	var walk func(k, from int)
	walk = func(k, from int) {
		if tried >= maxSubsets {
			return
		}
		if k == p {
			tried++
			for i, j := range pick {
				sx[i], sy[i] = x[j], y[j]
			}
			if b := leastSquares(sx, sy, one); b != nil {
				bs = append(bs, b)
			}
			return
		}
		for j := from; j <= n-(p-k); j++ {
			pick[k] = j
			walk(k+1, j+1)
		}
	}
	walk(0, 0)
	return bs
}

// cheapest is the fit whose residuals cost least, of equals the first; without
// fits it is that of least squares.
func cheapest(x [][]float64, y []float64, fits [][]float64, cost func(res []float64) float64) []float64 {
	best, least := []float64(nil), math.Inf(1)
	for _, b := range fits {
		if q := cost(residuals(x, y, b)); q < least {
			best, least = b, q
		}
	}
	if best == nil {
		best = leastSquares(x, y, ones(len(y)))
	}
	return best
}

func ones(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return w
}

func residuals(x [][]float64, y, b []float64) []float64 {
	out := make([]float64, len(y))
	for i := range y {
		out[i] = y[i]
		for k := range b {
			out[i] -= x[i][k] * b[k]
		}
	}
	return out
}

func magnitudes(v []float64) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		out[i] = math.Abs(v[i])
	}
	slices.Sort(out)
	return out
}

// normal is X'WX.
func normal(x [][]float64, w []float64) [][]float64 {
	p := len(x[0])
	a := make([][]float64, p)
	for i := range a {
		a[i] = make([]float64, p)
		for j := range a[i] {
			for k := range x {
				a[i][j] += w[k] * x[k][i] * x[k][j]
			}
		}
	}
	return a
}

// leastSquares is the weighted least squares fit, nil when the rows with weight
// do not determine it. Columns are scaled to one size first.
func leastSquares(x [][]float64, y, w []float64) []float64 {
	inv := inverse(normal(x, w))
	if inv == nil {
		return nil
	}
	p := len(inv)
	v := make([]float64, p)
	for k := range x {
		for i := range v {
			v[i] += w[k] * x[k][i] * y[k]
		}
	}
	b := make([]float64, p)
	for i := range b {
		for j := range v {
			b[i] += inv[i][j] * v[j]
		}
	}
	return b
}

// inverse of a symmetric positive definite matrix by Gauss and Jordan with
// scaling; nil when it is singular.
func inverse(a [][]float64) [][]float64 {
	p := len(a)
	scale := make([]float64, p)
	for i := range a {
		if !(a[i][i] > 0) {
			return nil
		}
		scale[i] = 1 / math.Sqrt(a[i][i])
	}
	m := make([][]float64, p)
	for i := range m {
		m[i] = make([]float64, 2*p)
		for j := range p {
			m[i][j] = a[i][j] * scale[i] * scale[j]
		}
		m[i][p+i] = 1
	}
	for c := range p {
		top := c
		for i := c + 1; i < p; i++ {
			if math.Abs(m[i][c]) > math.Abs(m[top][c]) {
				top = i
			}
		}
		m[c], m[top] = m[top], m[c]
		if math.Abs(m[c][c]) < 1e-10 {
			return nil
		}
		d := 1 / m[c][c]
		for j := range m[c] {
			m[c][j] *= d
		}
		for i := range p {
			if f := m[i][c]; i != c && f != 0 {
				for j := range m[i] {
					m[i][j] -= f * m[c][j]
				}
			}
		}
	}
	out := make([][]float64, p)
	for i := range out {
		out[i] = make([]float64, p)
		for j := range p {
			out[i][j] = m[i][p+j] * scale[i] * scale[j]
		}
	}
	return out
}

// studentQuantile is t for which a Student variable of df degrees of freedom
// lies below t with probability q, 0.5 < q < 1: the density is integrated by
// Simpson's rule and t halved in on. Good to 1e-6 of t for df of 1 and more.
func studentQuantile(q, df float64) float64 {
	lg1, _ := math.Lgamma((df + 1) / 2)
	lg2, _ := math.Lgamma(df / 2)
	c := math.Exp(lg1-lg2) / math.Sqrt(df*math.Pi)
	// With t = sqrt(df) tan(a) the density becomes c sqrt(df) cos(a)^(df-1).
	below := func(t float64) float64 {
		a := math.Atan(t / math.Sqrt(df))
		const n = 2000
		h, sum := a/n, 0.0
		for i := 0; i <= n; i++ {
			w := 2.0
			if i == 0 || i == n {
				w = 1
			} else if i%2 == 1 {
				w = 4
			}
			sum += w * math.Pow(math.Cos(float64(i)*h), df-1)
		}
		return 0.5 + c*math.Sqrt(df)*sum*h/3
	}
	lo, hi := 0.0, 1.0
	for below(hi) < q && hi < 1e6 {
		hi *= 2
	}
	for range 80 {
		if mid := (lo + hi) / 2; below(mid) < q {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
