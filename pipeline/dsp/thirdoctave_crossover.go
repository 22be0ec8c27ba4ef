package dsp

import "math"

// crossoverEnergy sums the energy of mid and side below a crossover, after a
// fourth-order Butterworth low-pass: two sections with 1/Q = 2 cos(pi/8) and
// 2 cos(3 pi/8).
type crossoverEnergy struct {
	lowPass   [2]Biquad
	mid, side crossoverState
	frames    int64
}

type crossoverState struct {
	s1, s2, t1, t2 float64 // memories of the two sections
	energy         float64
}

func newCrossoverEnergy(rateHz, hz float64) crossoverEnergy {
	var c crossoverEnergy
	w, k := 2*math.Pi*hz, prewarp(rateHz, hz)
	for i := range c.lowPass {
		c.lowPass[i] = Bilinear(w*w, 0, 0, w*w, 2*math.Cos(math.Pi*float64(2*i+1)/8)*w, 1, k)
	}
	return c
}

// add takes blocks that begin at fixed frames, so that clearing denormals at
// their end does not depend on the partition of the programme. The four
// recursions run side by side to fill the pipeline.
func (c *crossoverEnergy) add(mid, side []float64) {
	p, q := c.lowPass[0], c.lowPass[1]
	b0, b1, b2, a1, a2 := p.B0, p.B1, p.B2, p.A1, p.A2
	d0, d1, d2, e1, e2 := q.B0, q.B1, q.B2, q.A1, q.A2
	m1, m2, n1, n2, em := c.mid.s1, c.mid.s2, c.mid.t1, c.mid.t2, c.mid.energy
	s1, s2, t1, t2, es := c.side.s1, c.side.s2, c.side.t1, c.side.t2, c.side.energy
	side = side[:len(mid)]
	for i, x := range mid {
		y := side[i]
		u, v := b0*x+m1, b0*y+s1
		m1, s1 = (b1*x+m2)-a1*u, (b1*y+s2)-a1*v
		m2, s2 = b2*x-a2*u, b2*y-a2*v
		g, h := d0*u+n1, d0*v+t1
		n1, t1 = (d1*u+n2)-e1*g, (d1*v+t2)-e1*h
		n2, t2 = d2*u-e2*g, d2*v-e2*h
		em += g * g
		es += h * h
	}
	c.mid = crossoverState{flush(m1), flush(m2), flush(n1), flush(n2), em}
	c.side = crossoverState{flush(s1), flush(s2), flush(t1), flush(t2), es}
	c.frames += int64(len(mid))
}
