package programme

import "math"

// random is a seeded generator (the splitmix64 sequence, from memory). Its
// numbers are part of the fixtures: never change it.
type random struct {
	state uint64
	spare float64
	full  bool
}

func seeded(seed uint64) *random { return &random{state: seed*0x9E3779B97F4A7C15 + 0x1234567} }

func (r *random) next() uint64 {
	r.state += 0x9E3779B97F4A7C15
	z := r.state
	z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9
	z = (z ^ (z >> 27)) * 0x94D049BB133111EB
	return z ^ (z >> 31)
}

// unit is uniform in [0, 1).
func (r *random) unit() float64 { return float64(r.next()>>11) / (1 << 53) }

// flat is uniform in [-1, 1).
func (r *random) flat() float64 { return 2*r.unit() - 1 }

// gauss has mean 0 and standard deviation 1.
func (r *random) gauss() float64 {
	if r.full {
		r.full = false
		return r.spare
	}
	u := 1 - r.unit()
	m := math.Sqrt(-2 * math.Log(u))
	s, c := math.Sincos(2 * math.Pi * r.unit())
	r.spare, r.full = m*s, true
	return m * c
}
