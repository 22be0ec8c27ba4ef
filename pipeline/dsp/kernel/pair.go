package kernel

// PairTaps are the coefficients of a feed-through, a one-pole and a two-pole
// section in parallel:
//
//	y = P0 (x + x1) - PA y1
//	out = (E x + y) + q1
//	q1' = (K1 x + q2) - A1 q1
//	q2' = K2 x - A2 q1
type PairTaps struct{ E, P0, PA, K1, K2, A1, A2 float64 }

// PairState is the memory of both channels, left and right beside each other.
type PairState struct{ X1, Y1, Q1, Q2 [2]float64 }

// Pair runs the parallel sections over two channels at once. All slices have
// the length of l.
func Pair(dl, dr, l, r []float64, t *PairTaps, s *PairState) {
	n := len(l)
	dl, dr, r = dl[:n], dr[:n], r[:n]
	if n == 0 {
		return
	}
	if pairFast(dl, dr, l, r, t, s) {
		return
	}
	pairPlain(dl, dr, l, r, t, s)
}

func pairPlain(dl, dr, l, r []float64, t *PairTaps, s *PairState) {
	e, p0, pa, k1, k2, a1, a2 := t.E, t.P0, t.PA, t.K1, t.K2, t.A1, t.A2
	lx, rx, ly, ry := s.X1[0], s.X1[1], s.Y1[0], s.Y1[1]
	l1, r1, l2, r2 := s.Q1[0], s.Q1[1], s.Q2[0], s.Q2[1]
	for i, x := range l {
		y := r[i]
		ly = float64(p0*(x+lx)) - float64(pa*ly)
		ry = float64(p0*(y+rx)) - float64(pa*ry)
		lx, rx = x, y
		dl[i] = (float64(e*x) + ly) + l1
		dr[i] = (float64(e*y) + ry) + r1
		ml, mr := float64(k1*x)+l2, float64(k1*y)+r2
		l2, r2 = float64(k2*x)-float64(a2*l1), float64(k2*y)-float64(a2*r1)
		l1, r1 = ml-float64(a1*l1), mr-float64(a1*r1)
	}
	s.X1, s.Y1 = [2]float64{lx, rx}, [2]float64{ly, ry}
	s.Q1, s.Q2 = [2]float64{l1, r1}, [2]float64{l2, r2}
}
