package land

import "math"

// band is a symmetric positive definite matrix with half-bandwidth w, lower
// triangle, row by row: entry (i, j), i-w <= j <= i, sits at a[i*(w+1) + j-i+w].
// After factor it holds L with A = L*L', the diagonal inverted.
type band struct {
	n, w int
	a    []float64
}

func newBand(n, w int) *band { return &band{n: n, w: w, a: make([]float64, n*(w+1))} }

func (b *band) clear() { clear(b.a) }

// add adds v to entry (i, j), j <= i <= j+w.
func (b *band) add(i, j int, v float64) { b.a[i*(b.w+1)+j-i+b.w] += v }

// factor replaces the matrix by its Cholesky factor. A pivot that rounding
// has made tiny or negative is replaced by a huge one, which freezes that
// unknown for this solve instead of spoiling the others.
func (b *band) factor() {
	w, st := b.w, b.w+1
	for i := 0; i < b.n; i++ {
		row := b.a[i*st : i*st+st]
		k0 := max(0, i-w)
		off := w - i // column j of row i sits at row[j+off]
		head := row[k0+off:]
		for j := k0; j < i; j++ {
			m := j - k0
			// Row j from column k0 on; k0 >= j-w because j <= i.
			other := b.a[j*st+k0-j+w : j*st+w+1]
			h := head[:len(other)]
			var s0, s1 float64
			q := 0
			for ; q+2 <= m; q += 2 {
				s0 += h[q] * other[q]
				s1 += h[q+1] * other[q+1]
			}
			if q < m {
				s0 += h[q] * other[q]
			}
			h[m] = (h[m] - (s0 + s1)) * other[m]
		}
		diag := row[w]
		d := diag
		for _, v := range head[:i-k0] {
			d -= v * v
		}
		if d > 1e-15*diag {
			row[w] = 1 / math.Sqrt(d)
		} else {
			row[w] = 1e-60
		}
	}
}

// solve replaces x by the solution of A*y = x. factor must have run.
func (b *band) solve(x []float64) {
	w, st := b.w, b.w+1
	for i := 0; i < b.n; i++ {
		row := b.a[i*st : i*st+st]
		k0 := max(0, i-w)
		l := row[k0+w-i : w]
		y := x[k0:i:i][:len(l)]
		var s0, s1 float64
		q := 0
		for ; q+2 <= len(l); q += 2 {
			s0 += l[q] * y[q]
			s1 += l[q+1] * y[q+1]
		}
		if q < len(l) {
			s0 += l[q] * y[q]
		}
		x[i] = (x[i] - (s0 + s1)) * row[w]
	}
	for i := b.n - 1; i >= 0; i-- {
		row := b.a[i*st : i*st+st]
		k0 := max(0, i-w)
		l := row[k0+w-i : w]
		v := x[i] * row[w]
		x[i] = v
		y := x[k0:i:i][:len(l)]
		for q, c := range l {
			y[q] -= c * v
		}
	}
}
