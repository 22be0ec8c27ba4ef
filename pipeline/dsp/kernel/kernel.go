// Package kernel holds the innermost loops of the predictor and the filters,
// in plain Go and, where the processor has AVX2, in assembly. Both give the
// same bits: the assembly neither fuses nor reorders an operation, so a result
// does not depend on the machine it was made on. (On processors for which the
// compiler fuses multiply and add by itself, last bits may differ; see the Go
// specification, "Floating-point operators".)
//
// It knows nothing of sound.
package kernel

// Correlate writes dst[i] = sum over k of taps[k]*x[i+k], adding in tap order.
// len(x) must be at least len(dst)+len(taps)-1.
func Correlate(dst, x, taps []float64) {
	if len(dst) == 0 {
		return
	}
	if len(taps) == 0 {
		clear(dst)
		return
	}
	x = x[:len(dst)+len(taps)-1]
	done := correlateFast(dst, x, taps)
	correlatePlain(dst[done:], x[done:], taps)
}

// Taps9 are the coefficients of a nine-point first derivative (odd: 4 pairs)
// and second derivative (even: centre and 4 pairs).
type Taps9 struct {
	V [4]float64
	A [5]float64
}

// Derive writes for every i the first and second derivative at d[i+4],
//
//	v[i] = sum V[k-1] (d[i+4+k] - d[i+4-k]),
//	a[i] = A[0] d[i+4] + sum A[k] (d[i+4+k] + d[i+4-k]),
//
// and returns the greatest magnitudes and the sum of a squared. len(a) must be
// len(v), len(d) at least len(v)+8.
func Derive(v, a, d []float64, t *Taps9) (vMax, aMax, aSq float64) {
	n := len(v)
	a, d = a[:n], d[:n+8]
	var lanes [12]float64 // greatest |v|, greatest |a|, sums; four lanes each
	done := deriveFast(v, a, d, t, &lanes)
	for i := done; i < n; i++ {
		w := d[i : i+9 : i+9]
		x1, y1 := w[5], w[3]
		x2, y2 := w[6], w[2]
		x3, y3 := w[7], w[1]
		x4, y4 := w[8], w[0]
		vi := (float64(t.V[0]*(x1-y1)) + float64(t.V[1]*(x2-y2))) + (float64(t.V[2]*(x3-y3)) + float64(t.V[3]*(x4-y4)))
		ai := (float64(t.A[0]*w[4]) + (float64(t.A[1]*(x1+y1)) + float64(t.A[2]*(x2+y2)))) + (float64(t.A[3]*(x3+y3)) + float64(t.A[4]*(x4+y4)))
		v[i], a[i] = vi, ai
		k := i & 3
		lanes[k] = max(lanes[k], abs(vi))
		lanes[4+k] = max(lanes[4+k], abs(ai))
		lanes[8+k] += float64(ai * ai)
	}
	l := &lanes
	return max(max(l[0], l[1]), max(l[2], l[3])), max(max(l[4], l[5]), max(l[6], l[7])), (l[8] + l[9]) + (l[10] + l[11])
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}
