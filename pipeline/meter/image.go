package meter

import "math"

// image gathers what the stereo image, RMS level and DC need: sums of products
// per 100 ms and over the whole programme.
type image struct {
	rateHz int
	frames int64
	hopEnd int64
	hop    sums // the hop under way
	total  sums // complete hops

	ring   [longHops]sums // the last complete hops
	hops   int64
	lowest [2]lowestCorrelation // over shortHops and longHops
}

// sums over frames of l, r, l*l, r*r, l*r and (l-r)^2.
type sums struct{ l, r, ll, rr, lr, dd float64 }

type lowestCorrelation struct {
	found  bool
	value  float64
	endHop int64
}

const (
	hopsPerSecond = 10
	shortHops     = 4  // 400 ms
	longHops      = 30 // 3 s

	// gateMeanSquare keeps passages in which a channel is next to silent, and
	// its noise uncorrelated, from being called the lowest: -70 dBFS (common
	// practice, no source).
	gateMeanSquare = 0.5e-7
)

func newImage(rateHz int) image {
	m := image{rateHz: rateHz}
	m.hopEnd = m.boundary(1)
	return m
}

// boundary is the frame at which hop k ends.
func (m *image) boundary(k int64) int64 { return k * int64(m.rateHz) / hopsPerSecond }

func (m *image) add(l, r []float64) {
	for len(l) > 0 {
		n := min(int64(len(l)), m.hopEnd-m.frames)
		m.hop.add(l[:n], r[:n])
		m.frames += n
		l, r = l[n:], r[n:]
		if m.frames == m.hopEnd {
			m.endHop()
		}
	}
}

// add sums in frame order, so that results do not depend on the partition.
func (s *sums) add(l, r []float64) {
	// Plain variables: the compiler keeps a struct of six in memory.
	sl, sr, sll, srr, slr, sdd := s.l, s.r, s.ll, s.rr, s.lr, s.dd
	r = r[:len(l)]
	for i, x := range l {
		y := r[i]
		d := x - y
		sl += x
		sr += y
		sll += x * x
		srr += y * y
		slr += x * y
		sdd += d * d
	}
	*s = sums{sl, sr, sll, srr, slr, sdd}
}

func (s *sums) plus(o sums) sums {
	return sums{s.l + o.l, s.r + o.r, s.ll + o.ll, s.rr + o.rr, s.lr + o.lr, s.dd + o.dd}
}

func (m *image) endHop() {
	m.total = m.total.plus(m.hop)
	m.ring[m.hops%longHops] = m.hop
	m.hop = sums{}
	m.hops++
	m.hopEnd = m.boundary(m.hops + 1)
	for i, n := range []int64{shortHops, longHops} {
		if m.hops < n {
			continue
		}
		var w sums
		for k := m.hops - n; k < m.hops; k++ {
			w = w.plus(m.ring[k%longHops])
		}
		gate := gateMeanSquare * float64(n) * float64(m.rateHz) / hopsPerSecond
		if w.ll < gate || w.rr < gate {
			continue
		}
		if v := w.correlation(); !m.lowest[i].found || v < m.lowest[i].value {
			m.lowest[i] = lowestCorrelation{true, v, m.hops}
		}
	}
}

// all is the sums of everything added.
func (m *image) all() sums { return m.total.plus(m.hop) }

// correlation is within -1 and 1; rounding may not carry it outside. Both
// channels must have power.
func (s *sums) correlation() float64 {
	return max(-1, min(1, s.lr/(math.Sqrt(s.ll)*math.Sqrt(s.rr))))
}

// mid and side are the sums of squares of (l+r)/2 and (l-r)/2. Side has its
// own sum since it is often far below mid and must not drown in rounding.
func (s *sums) mid() float64  { return max(0, (s.ll+s.rr+2*s.lr)/4) }
func (s *sums) side() float64 { return s.dd / 4 }
