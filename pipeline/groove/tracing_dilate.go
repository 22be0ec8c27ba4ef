package groove

import "math"

// Dilate writes to dst what a tip of radius tipUM traces of the wall src,
// sampled every stepUM along the groove, positive towards the tip; all in um:
//
//	p(x) = max over u of f(x+u) + sqrt(R^2-u^2) - R
//
// It holds on both sides of the cusp. The wall is held at its end values
// outside src. The contact is searched on the samples, within the slope of the
// neighbourhood (it lies where the wall's slope s equals the circle's, at
// |u| = R s/sqrt(1+s^2)), then refined between them on the quartic through five
// samples and the exact circle; so src must be well resolved (at least about
// 12 samples per shortest wavelength for 0.1 %).
//
// dst and src have one length and may be the same. It panics on unequal lengths
// and on a step or tip that is not above zero. It costs one search window per
// sample; Tracer does the same work on a stream without any search.
func Dilate(dst, src []float64, stepUM, tipUM float64) {
	if len(dst) != len(src) {
		panic("groove: Dilate: unequal lengths")
	}
	if !(stepUM > 0) || !(tipUM > 0) {
		panic("groove: Dilate: step and tip must be above zero")
	}
	reach := int(tipUM / stepUM)
	circle := make([]float64, reach+1)
	for k := range circle {
		u := float64(k) * stepUM
		circle[k] = math.Sqrt(math.Max(0, tipUM*tipUM-u*u)) - tipUM
	}
	const pad = 2 // the quartic's outer points
	wall := make([]float64, len(src)+2*(reach+pad))
	offset := reach + pad
	copy(wall[offset:], src)
	for i := range offset {
		if len(src) > 0 {
			wall[i], wall[len(wall)-1-i] = src[0], src[len(src)-1]
		}
	}
	const chunk = 1024
	for from := 0; from < len(src); from += chunk {
		to := min(from+chunk, len(src))
		window := contactWindow(wall[offset+from-reach:offset+to+reach], stepUM, tipUM, reach)
		for i := from; i < to; i++ {
			dst[i] = dilateAt(wall, offset+i, window, circle, stepUM, tipUM)
		}
	}
}

// contactWindow is the number of samples either way within which the contact
// must lie, given the steepest slope of the stretch.
func contactWindow(stretch []float64, step, tip float64, reach int) int {
	steepest := 0.0
	for i := 1; i < len(stretch); i++ {
		steepest = math.Max(steepest, math.Abs(stretch[i]-stretch[i-1]))
	}
	shift, _ := offsetPoint(steepest/step, tip)
	return min(reach, int(shift/step)+2)
}

func dilateAt(wall []float64, at, window int, circle []float64, step, tip float64) float64 {
	best, bestK := math.Inf(-1), 0
	for k := -window; k <= window; k++ {
		if v := wall[at+k] + circle[max(k, -k)]; v > best {
			best, bestK = v, k
		}
	}
	j := at + bestK
	return math.Max(best, refine(wall[j-2:j+3], float64(bestK), step, tip))
}

// refine maximises quartic plus circle near the middle of five samples, k
// samples from the tip's centre, by Newton's method.
func refine(f []float64, k, step, tip float64) float64 {
	a1 := (f[0] - 8*f[1] + 8*f[3] - f[4]) / 12
	a2 := (-f[0] + 16*f[1] - 30*f[2] + 16*f[3] - f[4]) / 24
	a3 := (-f[0] + 2*f[1] - 2*f[3] + f[4]) / 12
	a4 := (f[0] - 4*f[1] + 6*f[2] - 4*f[3] + f[4]) / 24
	value := func(t float64) float64 {
		u := (k + t) * step
		return f[2] + t*(a1+t*(a2+t*(a3+t*a4))) + math.Sqrt(tip*tip-u*u) - tip
	}
	t := 0.0
	for range 4 {
		u := (k + t) * step
		inside := tip*tip - u*u
		if inside <= 0 {
			return math.Inf(-1)
		}
		root := math.Sqrt(inside)
		first := a1 + t*(2*a2+t*(3*a3+t*4*a4)) - step*u/root
		second := 2*a2 + t*(6*a3+t*12*a4) - step*step*tip*tip/(inside*root)
		if second >= 0 {
			return math.Inf(-1)
		}
		t = math.Max(-1, math.Min(1, t-first/second))
	}
	if v := value(t); !math.IsNaN(v) {
		return v
	}
	return math.Inf(-1)
}
