package kernel

// Span is what a run of two channels reaches.
type Span struct {
	MaxR, MinL            float64 // greatest right, least left
	MaxSum, MinSum        float64 // of left plus right
	MaxDiff, MinDiff      float64 // of left less right
	TotalLeft, TotalRight float64 // sums, by lanes of four samples
}

// Extremes scans two channels of equal, non-zero length.
func Extremes(l, r []float64) Span {
	n := len(l)
	r = r[:n]
	// Lanes: sample i belongs to lane i mod 4, so that the vector loop and this
	// one add in the same order.
	var s [8][4]float64
	for k := range 4 {
		s[0][k], s[1][k] = r[0], l[0]
		s[2][k], s[3][k] = l[0]+r[0], l[0]+r[0]
		s[4][k], s[5][k] = l[0]-r[0], l[0]-r[0]
	}
	done := extremesFast(l, r, &s)
	for i := done; i < n; i++ {
		k := i & 3
		x, y := l[i], r[i]
		sum, diff := x+y, x-y
		s[0][k], s[1][k] = max(s[0][k], y), min(s[1][k], x)
		s[2][k], s[3][k] = max(s[2][k], sum), min(s[3][k], sum)
		s[4][k], s[5][k] = max(s[4][k], diff), min(s[5][k], diff)
		s[6][k] += x
		s[7][k] += y
	}
	hi := func(v [4]float64) float64 { return max(max(v[0], v[1]), max(v[2], v[3])) }
	lo := func(v [4]float64) float64 { return min(min(v[0], v[1]), min(v[2], v[3])) }
	add := func(v [4]float64) float64 { return (v[0] + v[1]) + (v[2] + v[3]) }
	return Span{MaxR: hi(s[0]), MinL: lo(s[1]), MaxSum: hi(s[2]), MinSum: lo(s[3]), MaxDiff: hi(s[4]), MinDiff: lo(s[5]),
		TotalLeft: add(s[6]), TotalRight: add(s[7])}
}

// Index is the first i at which x[i] + mix*y[i] equals v, for mix -1, 0 or 1;
// the last index if there is none. x and y have equal, non-zero length.
func Index(x, y []float64, mix, v float64) int {
	y = y[:len(x)]
	done := indexFast(x, y, mix, v)
	for i := done; i < len(x); i++ {
		w := x[i]
		if mix > 0 {
			w += y[i]
		} else if mix < 0 {
			w -= y[i]
		}
		if w == v {
			return i
		}
	}
	return len(x) - 1
}
