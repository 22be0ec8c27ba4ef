package rate

// tapGroup is the number of taps that a kernel takes in one turn of its loop. Eight
// run half as fast again as four, by measurement: the loop itself costs less.
const tapGroup = 8

// dot returns the sums of taps[i]*l[i] and taps[i]*r[i]. The length of taps is
// a multiple of tapGroup; l and r are at least as long, or dot panics. Four
// sums per channel keep an addition from waiting for the one before it; their
// order depends on nothing but that length.
func dot(taps, l, r []float64) (sumL, sumR float64) {
	l, r = l[:len(taps)], r[:len(taps)]
	var l0, l1, l2, l3, r0, r1, r2, r3 float64
	for len(taps) >= tapGroup && len(l) >= tapGroup && len(r) >= tapGroup {
		t, x, y := (*[tapGroup]float64)(taps), (*[tapGroup]float64)(l), (*[tapGroup]float64)(r)
		l0 += t[0] * x[0]
		r0 += t[0] * y[0]
		l1 += t[1] * x[1]
		r1 += t[1] * y[1]
		l2 += t[2] * x[2]
		r2 += t[2] * y[2]
		l3 += t[3] * x[3]
		r3 += t[3] * y[3]
		l0 += t[4] * x[4]
		r0 += t[4] * y[4]
		l1 += t[5] * x[5]
		r1 += t[5] * y[5]
		l2 += t[6] * x[6]
		r2 += t[6] * y[6]
		l3 += t[7] * x[7]
		r3 += t[7] * y[7]
		taps, l, r = taps[tapGroup:], l[tapGroup:], r[tapGroup:]
	}
	return (l0 + l1) + (l2 + l3), (r0 + r1) + (r2 + r3)
}

// dotFolded does the same for a symmetric filter of 2*len(half)-1 taps, half of
// which are given; the last of half, the one in the middle, counts twice. It
// multiplies half as often.
func dotFolded(half, l, r []float64) (sumL, sumR float64) {
	h := len(half)
	lb, rb := l[h-1:2*h-1], r[h-1:2*h-1] // taken from the end
	l, r = l[:h], r[:h]
	var l0, l1, l2, l3, r0, r1, r2, r3 float64
	for len(half) >= tapGroup && len(l) >= tapGroup && len(r) >= tapGroup && len(lb) >= tapGroup && len(rb) >= tapGroup {
		t, x, y := (*[tapGroup]float64)(half), (*[tapGroup]float64)(l), (*[tapGroup]float64)(r)
		v, w := (*[tapGroup]float64)(lb[len(lb)-tapGroup:]), (*[tapGroup]float64)(rb[len(rb)-tapGroup:])
		l0 += t[0] * (x[0] + v[7])
		r0 += t[0] * (y[0] + w[7])
		l1 += t[1] * (x[1] + v[6])
		r1 += t[1] * (y[1] + w[6])
		l2 += t[2] * (x[2] + v[5])
		r2 += t[2] * (y[2] + w[5])
		l3 += t[3] * (x[3] + v[4])
		r3 += t[3] * (y[3] + w[4])
		l0 += t[4] * (x[4] + v[3])
		r0 += t[4] * (y[4] + w[3])
		l1 += t[5] * (x[5] + v[2])
		r1 += t[5] * (y[5] + w[2])
		l2 += t[6] * (x[6] + v[1])
		r2 += t[6] * (y[6] + w[1])
		l3 += t[7] * (x[7] + v[0])
		r3 += t[7] * (y[7] + w[0])
		half, l, r = half[tapGroup:], l[tapGroup:], r[tapGroup:]
		lb, rb = lb[:len(lb)-tapGroup], rb[:len(rb)-tapGroup]
	}
	return (l0 + l1) + (l2 + l3), (r0 + r1) + (r2 + r3)
}
