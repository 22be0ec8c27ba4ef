package groove

import (
	"math"

	"discsafe/pipeline/dsp/kernel"
)

// Differentiators on displacement sampled at 88.2 or 96 kHz, least-squares
// designs whose relative error up to 20 kHz is below 0.1 %. grid values use
// taps[k] for distance k, halfway values taps[k] for distance k+1/2.
type differentiators struct {
	grid kernel.Taps9 // velocity and acceleration at a sample
	vh   [5]float64   // velocity halfway between n and n+1
	ah   [6]float64   // acceleration halfway between n and n+1
}

// halo is how many displacement samples on either side a sector needs.
const halo = 8

// newDifferentiators designs for a rate in Hz; outputs are in m/s and m/s2 for
// displacement in um.
func newDifferentiators(rateHz float64) *differentiators {
	top := 2 * math.Pi * 20000 / rateHz
	var d differentiators
	v := fit(4, top, func(w float64, k int) float64 { return 2 * math.Sin(w*float64(k+1)) / w })
	a := fit(4, top, func(w float64, k int) float64 { return 2 * (1 - math.Cos(w*float64(k+1))) / (w * w) })
	vh := fit(5, top, func(w float64, k int) float64 { return 2 * math.Sin(w*(float64(k)+0.5)) / w })
	ah := fit(5, top, func(w float64, k int) float64 {
		return 2 * (math.Cos(w*0.5) - math.Cos(w*(float64(k)+1.5))) / (w * w)
	})
	vs, as := rateHz*1e-6, rateHz*rateHz*1e-6
	for k := range v {
		d.grid.V[k] = v[k] * vs
		d.grid.A[k+1] = a[k] * as
		d.grid.A[0] -= 2 * a[k] * as
	}
	for k := range vh {
		d.vh[k] = vh[k] * vs
		d.ah[k+1] = ah[k] * as
		d.ah[0] -= ah[k] * as
	}
	return &d
}

// fit solves least squares: find c with sum c[k] basis(w,k) = 1 over (0, top].
func fit(n int, top float64, basis func(w float64, k int) float64) []float64 {
	const points = 400
	m := make([][]float64, n)
	for i := range m {
		m[i] = make([]float64, n+1)
	}
	row := make([]float64, n)
	for p := 1; p <= points; p++ {
		w := top * float64(p) / points
		for k := range row {
			row[k] = basis(w, k)
		}
		for i := range row {
			for j := range row {
				m[i][j] += row[i] * row[j]
			}
			m[i][n] += row[i]
		}
	}
	for c := 0; c < n; c++ {
		p := c
		for r := c + 1; r < n; r++ {
			if math.Abs(m[r][c]) > math.Abs(m[p][c]) {
				p = r
			}
		}
		m[c], m[p] = m[p], m[c]
		for r := 0; r < n; r++ {
			if r != c {
				f := m[r][c] / m[c][c]
				for j := c; j <= n; j++ {
					m[r][j] -= f * m[c][j]
				}
			}
		}
	}
	out := make([]float64, n)
	for i := range out {
		out[i] = m[i][n] / m[i][i]
	}
	return out
}

// derive writes velocity and acceleration for n+2 samples, from one before to
// one after the sector, and returns their greatest magnitudes and the sum of
// squared acceleration inside the sector. d holds the sector with halo samples
// on both sides.
func (t *differentiators) derive(v, a, d []float64, n int) (vMax, aMax, aSq float64) {
	vMax, aMax, aSq = kernel.Derive(v[:n+2], a[:n+2], d[halo-5:halo+n+5], &t.grid)
	return vMax, aMax, aSq - a[0]*a[0] - a[n+1]*a[n+1]
}

func (t *differentiators) accelHalf(d []float64, i int) float64 {
	w := d[i-5 : i+7]
	return t.ah[0]*(w[6]+w[5]) + t.ah[1]*(w[7]+w[4]) + t.ah[2]*(w[8]+w[3]) +
		t.ah[3]*(w[9]+w[2]) + t.ah[4]*(w[10]+w[1]) + t.ah[5]*(w[11]+w[0])
}

func (t *differentiators) velocityHalf(d []float64, i int) float64 {
	w := d[i-4 : i+6]
	return t.vh[0]*(w[5]-w[4]) + t.vh[1]*(w[6]-w[3]) + t.vh[2]*(w[7]-w[2]) +
		t.vh[3]*(w[8]-w[1]) + t.vh[4]*(w[9]-w[0])
}

// nearPeak: at 88.2 kHz two samples that straddle the crest of a 20 kHz sine
// read cos(pi*20/88.2) = 0.757 of it, so a sample below this share of the
// sector's greatest cannot stand beside a greater crest.
const nearPeak = 0.75

// Motion below which crests are not refined, at 0 dB cut level: with 15 dB of
// level, and a third for what sampling can miss, still below the limits of an
// 18 um tip and of 30 degree facets on any disc at its innermost radius.
const (
	quietAccel = 250   // m/s2
	quietSpeed = 0.012 // m/s
)

// crest refines a sampled maximum of |x|: it looks between the samples around
// every local maximum that could hold the true one, through half; a maximum
// below floor matters to no limit and stays as it is. x[1] is the first sample of the sector, d its displacement with halo.
func crest(x, d []float64, max, floor float64, half func(d []float64, i int) float64) float64 {
	best := max
	if max < floor {
		return max
	}
	low := nearPeak * best
	for i := 1; i < len(x)-1; i++ {
		m := math.Abs(x[i])
		if m < low {
			continue
		}
		s := 1.0
		if x[i] < 0 {
			s = -1
		}
		l, r := s*x[i-1], s*x[i+1]
		if m < l || m < r {
			continue
		}
		hl, hr := s*half(d, halo+i-2), s*half(d, halo+i-1)
		var p float64
		switch {
		case hl > m && hl >= hr:
			p = vertex(l, hl, m)
		case hr > m:
			p = vertex(m, hr, r)
		default:
			p = vertex(hl, m, hr)
		}
		if p > best {
			best, low = p, nearPeak*p
		}
	}
	return best
}

// vertex is the top of the parabola through three equally spaced values, or m
// where m is not the greatest of them: then the crest belongs to a neighbour.
func vertex(l, m, r float64) float64 {
	c := l - 2*m + r
	if m < l || m < r || c >= 0 {
		return m
	}
	b := (r - l) / 2
	return m - b*b/(2*c)
}

// Extremes returns the greatest rise and the greatest fall (as a positive
// number) in x, refined between samples by parabola.
func Extremes(x []float64) (up, down float64) {
	iu, id := 0, 0
	for i, v := range x {
		if v > x[iu] {
			iu = i
		}
		if v < x[id] {
			id = i
		}
	}
	up, down = x[iu], -x[id]
	if iu > 0 && iu < len(x)-1 {
		up = vertex(x[iu-1], x[iu], x[iu+1])
	}
	if id > 0 && id < len(x)-1 {
		down = vertex(-x[id-1], -x[id], -x[id+1])
	}
	return up, down
}
