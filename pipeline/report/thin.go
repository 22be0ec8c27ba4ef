package report

import "math"

// thin draws a curve with fewer points: it cuts it into at most columns
// intervals of equal length (the last may be shorter) and keeps of each its
// least and its greatest value, where they stand and in their order. What has
// no value in the whole interval stays one gap. A curve of at most two points
// an interval is kept whole.
func thin(xs, ys Curve, columns int) (Curve, Curve) {
	n := min(len(xs), len(ys))
	if n <= 2*columns {
		return append(Curve(nil), xs[:n]...), append(Curve(nil), ys[:n]...)
	}
	step := (n + columns - 1) / columns
	var outX, outY Curve
	for i := 0; i < n; i += step {
		least, greatest := -1, -1
		for k := i; k < min(i+step, n); k++ {
			if math.IsNaN(ys[k]) || math.IsInf(ys[k], 0) {
				continue
			}
			if least < 0 || ys[k] < ys[least] {
				least = k
			}
			if greatest < 0 || ys[k] > ys[greatest] {
				greatest = k
			}
		}
		if least < 0 {
			outX, outY = append(outX, xs[i]), append(outY, math.NaN())
			continue
		}
		first, second := min(least, greatest), max(least, greatest)
		outX, outY = append(outX, xs[first]), append(outY, ys[first])
		if second != first {
			outX, outY = append(outX, xs[second]), append(outY, ys[second])
		}
	}
	return outX, outY
}
